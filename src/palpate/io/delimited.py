"""Read delimited text (``.csv``, ``.tsv``, ``.txt``) with one header line.

Conventions
-----------
* Fields are parted by comma, semicolon, tab or bar, whichever the header holds most.
  Decimal commas are understood where they cannot be field marks.
* Lines before the header that begin with ``#`` are skipped; so are empty lines.
* A unit may stand behind a column's name in brackets: ``acc_x [g]``.
* An empty cell, ``nan``, ``NA`` or ``null`` is a missing sample.
* Positions count columns from 0, the time column included.
* The rate is ``rate_hz``, or comes from the time column, which also shows gaps.
* Text is parsed in blocks of lines: memory holds the numbers, never the text.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import TextIO

import numpy as np

from palpate.io.raw import (
    Groups,
    RawBlock,
    RawChannel,
    RawFile,
    RawSeries,
    Say,
    checked_file,
    plain_unit,
    reading,
    silent,
)
from palpate.io.sheet import SourceSpec
from palpate.io.timestamps import (
    Timeline,
    has_zone,
    stamps_s,
    time_kind,
    timeline,
    uniform_grid,
)
from palpate.io.toml_tables import suggestion
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_times

DELIMITERS = (",", ";", "\t", "|")
BLOCK_ROWS = 50_000
MISSING = frozenset({"", "nan", "na", "n/a", "null", "none", "-"})
TIME_NAMES = frozenset(
    {
        *("t", "time", "timestamp", "elapsed", "seconds", "sec", "datetime", "date_time"),
        *("t_s", "time_s", "elapsed_s", "timestamp_s", "t_ms", "time_ms", "elapsed_ms"),
        *("timestamp_ms", "unix", "unix_s", "unix_ms", "unix_time", "epoch", "utc", "clock"),
    }
)
_BRACKETED = re.compile(r"^(.*?)\s*[\[(]([^\])]*)[\])]\s*$")
_DECIMAL_COMMA = re.compile(r"^\s*[-+]?\d*,\d+([eE][-+]?\d+)?\s*$")


@dataclass(frozen=True, slots=True)
class TextTable:
    """A text file whose header has been understood."""

    path: Path
    names: tuple[str, ...]
    units: tuple[str, ...]
    delimiter: str
    decimal_comma: bool
    time_at: int | None = None
    time_kind: str = ""
    start_time: datetime | None = None


def open_delimited(path: Path, source: SourceSpec, *, say: Say = silent) -> RawFile:
    """Open a text table; the header is read now and the rows when asked for."""
    with reading(checked_file(path), "delimited text"):
        table = _understood(path, source, say)
    rate_hz = source.rate_hz

    def read(groups: Groups) -> list[RawBlock]:
        wanted = sorted({i for group in groups for i in group})
        with reading(path, "delimited text", say):
            columns, times = read_columns(table, wanted)
            if times is None:
                fs_hz, start_s = float("nan") if rate_hz is None else rate_hz, 0.0
            else:
                columns, fs_hz, start_s = _on_grid(table, columns, times, rate_hz, say)
        return [RawBlock(columns[:, [wanted.index(i) for i in g]], fs_hz, start_s) for g in groups]

    def read_series(channel: int) -> RawSeries:
        with reading(path, "delimited text", say):
            columns, times = read_columns(table, [channel])
        if times is None:
            raise InputError(f"{path} has no time column; name it in the sheet: time = ...")
        return RawSeries(_ordered(table, times.time_s), columns[:, 0])

    return RawFile(
        path=path,
        kind="delimited text",
        channels=tuple(
            RawChannel(name, unit, float("nan") if rate_hz is None else rate_hz)
            for name, unit in zip(table.names, table.units, strict=True)
        ),
        read=read,
        read_series=read_series if table.time_at is not None else None,
        start_time=table.start_time,
        time_channel=table.time_at,
        parts=(path,),
    )


def read_columns(table: TextTable, wanted: Sequence[int]) -> tuple[FloatArray, Timeline | None]:
    """Parse the wanted columns, ``(n, len(wanted))``, and the time column if there is one."""
    parts: list[FloatArray] = [np.empty((0, len(wanted)))]
    stamps: list[FloatArray] = [np.empty(0)]
    zones: set[bool] = set()
    for first_line, rows in _blocks(table):
        block = [_numbers(table, rows, at, first_line) for at in wanted]
        parts.append(np.column_stack(block) if block else np.empty((len(rows), 0)))
        if table.time_at is not None:
            stamps.append(_stamps(table, rows, table.time_at, first_line, zones))
    values = np.concatenate(parts)
    if len(values) == 0:
        raise InputError(f"{table.path} has a header but no rows")
    if table.time_at is None:
        return values, None
    return values, timeline(np.concatenate(stamps), table.time_kind, zoned=zones == {True})


def _understood(path: Path, source: SourceSpec, say: Say) -> TextTable:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        header, first = _first_lines(path, stream)
    delimiter = max(DELIMITERS, key=header.count)
    fields = next(csv.reader([header], delimiter=delimiter))
    pairs = [_name_and_unit(field) for field in fields]
    names = tuple(name or f"column {i}" for i, (name, _) in enumerate(pairs))
    if all(_is_number(field) for field in fields):
        raise InputError(f"{path} has no header line; put the column names in its first line")
    cells = next(csv.reader([first], delimiter=delimiter))
    table = TextTable(
        path=path,
        names=names,
        units=tuple(unit for _, unit in pairs),
        delimiter=delimiter,
        decimal_comma=delimiter != "," and any(_DECIMAL_COMMA.match(cell) for cell in cells),
    )
    time_at = _time_column(path, names, source, say)
    if time_at is None:
        return table
    first_row = _full_rows(table, [cells], 1)[0]
    kind = source.time_unit or time_kind(_plain(table, first_row[time_at]), fields[time_at])
    table = replace(table, time_at=time_at, time_kind=kind)
    zones: set[bool] = set()
    first_stamp = _stamps(table, [first_row], time_at, 1, zones)
    start = timeline(first_stamp, kind, zoned=zones == {True}).start_time
    return replace(table, start_time=start)


def _first_lines(path: Path, stream: TextIO) -> tuple[str, str]:
    lines = (line for line in stream if line.strip() and not line.startswith("#"))
    try:
        header, first = next(lines, ""), next(lines, "")
    except UnicodeDecodeError:
        raise InputError(f"{path} is not UTF-8 text; save it as UTF-8") from None
    if not header or "\0" in header:
        raise InputError(f"{path} is not a text table with a header line")
    if not first:
        raise InputError(f"{path} has a header but no rows")
    return header, first


def _name_and_unit(field: str) -> tuple[str, str]:
    match = _BRACKETED.match(field.strip())
    return (match[1].strip(), plain_unit(match[2])) if match else (field.strip(), "")


def _time_column(path: Path, names: tuple[str, ...], source: SourceSpec, say: Say) -> int | None:
    if source.time is not None:
        if source.time not in names:
            hint = suggestion(source.time, names)
            raise InputError(f"{path} has no time column {source.time!r}{hint}")
        return names.index(source.time)
    if source.rate_hz is not None:
        return None
    found = [i for i, name in enumerate(names) if name.lower().replace(" ", "_") in TIME_NAMES]
    if not found:
        return None
    say(f"{path.name}: taking the time from column {names[found[0]]!r}")
    return found[0]


def _blocks(table: TextTable) -> Iterator[tuple[int, list[list[str]]]]:
    """Yield the line number before each block of rows, and the rows, all of full width."""
    with table.path.open(encoding="utf-8-sig", newline="") as stream:
        reader = csv.reader(
            (line for line in stream if line.strip() and not line.startswith("#")),
            delimiter=table.delimiter,
        )
        next(reader)
        while rows := list(islice(reader, BLOCK_ROWS)):
            first_line = reader.line_num - len(rows)
            yield first_line, _full_rows(table, rows, first_line)


def _full_rows(table: TextTable, rows: list[list[str]], first_line: int) -> list[list[str]]:
    width = len(table.names)
    for number, row in enumerate(rows, first_line + 1):
        if len(row) == width:
            continue
        if len(row) < width or any(cell.strip() for cell in row[width:]):
            advice = "is it cut short?" if len(row) < width else "are decimals written with commas?"
            raise InputError(
                f"{table.path} row {number} has {len(row)} fields and the header has {width}; "
                f"{advice}"
            )
    return rows


def _numbers(table: TextTable, rows: list[list[str]], at: int, first_line: int) -> FloatArray:
    cells = [_plain(table, row[at]) for row in rows]
    try:
        return np.array(list(map(float, cells)), dtype=np.float64)
    except ValueError:
        return np.array([_number(table, c, at, n) for n, c in enumerate(cells, first_line + 1)])


def _plain(table: TextTable, cell: str) -> str:
    return cell.replace(",", ".") if table.decimal_comma else cell


def _number(table: TextTable, cell: str, at: int, line: int) -> float:
    if cell.strip().lower() in MISSING:
        return float("nan")
    try:
        return float(cell)
    except ValueError:
        raise InputError(
            f"{table.path} row {line}, column {table.names[at]!r}: {cell[:40]!r} is not a number"
        ) from None


def _stamps(
    table: TextTable, rows: list[list[str]], at: int, first_line: int, zones: set[bool]
) -> FloatArray:
    cells = [_plain(table, row[at]) for row in rows]
    try:
        stamps = stamps_s(cells, table.time_kind)
        zones.update(has_zone(cell, table.time_kind) for cell in cells)
    except ValueError:
        line, cell = next(
            (n, c) for n, c in enumerate(cells, first_line + 1) if not _is_stamp(c, table)
        )
        raise InputError(
            f"{table.path} row {line}, column {table.names[at]!r}: {cell[:40]!r} is no time stamp "
            f"of the kind {table.time_kind!r}; correct it or set time_unit"
        ) from None
    if len(zones) > 1:
        raise InputError(
            f"{table.path}: column {table.names[at]!r} mixes stamps with and without a time zone"
        )
    return stamps


def _is_stamp(cell: str, table: TextTable) -> bool:
    try:
        stamps_s([cell], table.time_kind)
    except ValueError:
        return False
    return True


def _on_grid(
    table: TextTable, columns: FloatArray, times: Timeline, rate_hz: float | None, say: Say
) -> tuple[FloatArray, float, float]:
    """Lay rows on a uniform grid; return the samples, the rate and the first one's second."""
    time_s = _ordered(table, times.time_s)
    fs_hz, slot, slots = uniform_grid(time_s, rate_hz, _place(table))
    gridded = np.full((slots, columns.shape[1]), np.nan)
    gridded[slot] = columns
    if rate_hz is None:
        say(f"{table.path.name}: {fs_hz:.6g} Hz from the time column")
    empty = slots - int(np.unique(slot).size)
    if empty:
        say(f"{table.path.name}: {empty} of {slots} samples are missing in time")
    return gridded, fs_hz, float(time_s[0])


def _ordered(table: TextTable, time_s: FloatArray) -> FloatArray:
    return checked_times(time_s, _place(table))


def _place(table: TextTable) -> str:
    return f"{table.path}: column {table.names[table.time_at or 0]!r}"


def _is_number(field: str) -> bool:
    try:
        float(field)
    except ValueError:
        return False
    return True
