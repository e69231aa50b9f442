"""Read delimited text (``.csv``, ``.tsv``, ``.txt``) with one header line.

Conventions
-----------
* Fields are parted by comma, semicolon, tab or bar, whichever the header holds most.
  Where it is not the comma, a comma in a number is a decimal mark.
* Lines that begin with ``#`` are skipped; so are empty lines.
* What an export writes above the header (device, firmware) is skipped, and said so: the header is
  the last line without a number above the rows; rows are counted from it.
* A unit may stand behind a column's name in brackets: ``acc_x [g]``.
* An empty cell, ``nan``, ``NA``, ``null`` or ``--`` is a missing sample.
* Positions count columns from 0, the time column included.
* The rate is ``rate_hz``, or comes from the time column, which also shows gaps.
* Text is parsed in blocks of lines: memory holds the numbers, never the text.
"""

from __future__ import annotations

import contextlib
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
    counted,
    plain_unit,
    reading,
    silent,
)
from palpate.io.sheet import SourceSpec
from palpate.io.timestamps import (
    SCALE_S,
    Timeline,
    has_zone,
    stamps_s,
    time_kind,
    timeline,
    uniform_grid,
)
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_times, suggestion

DELIMITERS = (",", ";", "\t", "|")
BLOCK_ROWS = 50_000
LOOKED_AT_LINES = 50  # among which the header is looked for
MISSING = frozenset({"", "nan", "na", "n/a", "null", "none", "-", "--"})
TIME_NAMES = frozenset(
    {
        *("t", "time", "timestamp", "elapsed", "seconds", "sec", "datetime", "date_time"),
        *("t_s", "time_s", "elapsed_s", "timestamp_s", "t_ms", "time_ms", "elapsed_ms"),
        *("timestamp_ms", "unix", "unix_s", "unix_ms", "unix_time", "epoch", "utc", "clock"),
    }
)
_BEGINS_AS_NUMBER = re.compile(r"[-+]?[.,]?\d")
_BRACKETED = re.compile(r"^(.*?)\s*[\[(]([^\])]*)[\])]\s*$")


@dataclass(frozen=True, slots=True)
class TextTable:
    """A text file whose header has been understood; ``header_at`` lines stand above it."""

    path: Path
    names: tuple[str, ...]
    units: tuple[str, ...]
    delimiter: str
    header_at: int = 0
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
            columns, times = read_columns(table, wanted, say)
            if times is None:
                fs_hz, start_s = float("nan") if rate_hz is None else rate_hz, 0.0
            else:
                columns, fs_hz, start_s = _on_grid(table, columns, times, rate_hz, say)
        return [RawBlock(columns[:, [wanted.index(i) for i in g]], fs_hz, start_s) for g in groups]

    def read_series(channel: int) -> RawSeries:
        with reading(path, "delimited text", say):
            columns, times = read_columns(table, [channel], say)
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


def read_columns(
    table: TextTable, wanted: Sequence[int], say: Say = silent
) -> tuple[FloatArray, Timeline | None]:
    """Parse the wanted columns, ``(n, len(wanted))``, and the time column if there is one."""
    time_at, kind = table.time_at, table.time_kind
    with_time = time_at is not None and kind in SCALE_S
    columns = [*wanted, time_at] if time_at is not None and with_time else list(wanted)
    parts: list[FloatArray] = []
    stamps: list[FloatArray] = []
    zones: set[bool] = set()
    for first_row, lines in _blocks(table):
        block = _numbers(table, lines, columns, first_row)
        if with_time:
            stamps.append(block[:, -1] * SCALE_S[kind])
            zones.add(kind.startswith("unix"))
        elif time_at is not None:
            stamps.append(_stamps(table, _rows(table, lines, first_row), first_row, zones))
        parts.append(block[:, : len(wanted)])
    values = np.concatenate(parts)
    if time_at is None:
        return values, None
    times = timeline(np.concatenate(stamps), kind, zoned=zones == {True})
    if times.n_clock_changes:
        say(f"{table.path.name}: {times.n_clock_changes} change of summer time was taken out")
    return values, times


def _understood(path: Path, source: SourceSpec, say: Say) -> TextTable:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        header, header_at = _header_line(path, stream, say)
    delimiter = max(DELIMITERS, key=header.count)
    fields = next(csv.reader([header], delimiter=delimiter))
    pairs = [_name_and_unit(field) for field in fields]
    names = tuple(name or f"column {i}" for i, (name, _) in enumerate(pairs))
    if all(_is_number(field) for field in fields):
        raise InputError(f"{path} has no header line; put the column names in its first line")
    table = TextTable(path, names, tuple(unit for _, unit in pairs), delimiter, header_at)
    time_at = _time_column(path, names, source, say)
    return table if time_at is None else _timed(table, time_at, source.time_unit, fields[time_at])


def _timed(table: TextTable, time_at: int, time_unit: str | None, header: str) -> TextTable:
    """Say of a table how its time column reads and when its first row was."""
    first_row, lines = next(_blocks(table, 1))
    rows = _rows(table, lines, first_row)
    kind = time_unit or time_kind(rows[0][time_at], header)
    table = replace(table, time_at=time_at, time_kind=kind)
    zones: set[bool] = set()
    start = timeline(_stamps(table, rows, first_row, zones), kind, zoned=zones == {True})
    return replace(table, start_time=start.start_time)


def _header_line(path: Path, stream: TextIO, say: Say) -> tuple[str, int]:
    """Return the header of a table that has at least one row, and how many lines stand above."""
    try:
        lines = list(islice(_told_lines(stream), LOOKED_AT_LINES))
    except UnicodeDecodeError:
        raise InputError(f"{path} is not UTF-8 text; save it as UTF-8") from None
    if not lines or "\0" in lines[0]:
        raise InputError(f"{path} is not a text table with a header line")
    if len(lines) == 1:
        raise InputError(f"{path} has a header but no rows")
    above = [at for at, line in enumerate(lines[:-1]) if not _holds_samples(line)]
    at = above[-1] if above else 0
    if at:
        above_it = counted(at, "line")
        say(f"{path.name}: the header is taken to be {lines[at].strip()[:40]!r}, below {above_it}")
    return lines[at], at


def _told_lines(stream: TextIO) -> Iterator[str]:
    """Yield the lines that are neither empty nor a comment."""
    return (line for line in stream if line.strip() and not line.startswith("#"))


def _holds_samples(line: str) -> bool:
    """Say whether a line may be a row: some cell begins as a number, or all are missing."""
    cells = [cell.strip().strip('"').lower() for cell in re.split(r"[,;\t|]", line)]
    return all(cell in MISSING for cell in cells) or any(map(_BEGINS_AS_NUMBER.match, cells))


def _name_and_unit(field: str) -> tuple[str, str]:
    match = _BRACKETED.match(field.strip())
    return (match[1].strip(), plain_unit(match[2])) if match else (field.strip(), "")


def _time_column(path: Path, names: tuple[str, ...], source: SourceSpec, say: Say) -> int | None:
    if source.time is not None:
        if source.time not in names:
            hint = suggestion(source.time, names)
            raise InputError(f"{path} has no time column {source.time!r}{hint}")
        return names.index(source.time)
    found = [i for i, name in enumerate(names) if name.lower().replace(" ", "_") in TIME_NAMES]
    if not found:
        return None
    if source.rate_hz is not None:
        say(
            f"{path.name}: {source.rate_hz:g} Hz as the sheet says, so column {names[found[0]]!r} "
            f"is not read; name it (time = ...) if it holds the time"
        )
        return None
    say(f"{path.name}: taking the time from column {names[found[0]]!r}")
    return found[0]


def _blocks(table: TextTable, size: int = BLOCK_ROWS) -> Iterator[tuple[int, list[str]]]:
    """Yield the number of each block's first row (the header is row 1) and its lines."""
    with table.path.open(encoding="utf-8-sig", newline="") as stream:
        lines = islice(_told_lines(stream), table.header_at + 1, None)
        first_row = 2
        while block := list(islice(lines, size)):
            if table.delimiter != ",":
                block = [line.replace(",", ".") for line in block]
            yield first_row, block
            first_row += len(block)


def _numbers(
    table: TextTable, lines: list[str], columns: Sequence[int], first_row: int
) -> FloatArray:
    """Parse some columns of a block of lines: the quick way, else cell by cell."""
    marks = len(table.names) - 1
    if all(line.count(table.delimiter) == marks and '"' not in line for line in lines):
        empty = re.compile(rf"(?<![^{table.delimiter}]) *(?=[{table.delimiter}\r\n]|$)")
        for quick in (lines, (empty.sub("nan", line) for line in lines)):
            with contextlib.suppress(ValueError):
                return np.loadtxt(
                    quick, delimiter=table.delimiter, usecols=columns, comments=None, ndmin=2
                )
    rows = _rows(table, lines, first_row)
    return np.column_stack(
        [
            np.array([_number(table, row[at], at, n) for n, row in enumerate(rows, first_row)])
            for at in columns
        ]
    )


def _rows(table: TextTable, lines: list[str], first_row: int) -> list[list[str]]:
    """Part lines into cells; each row has one per column."""
    rows = list(csv.reader(lines, delimiter=table.delimiter))
    width = len(table.names)
    for number, row in enumerate(rows, first_row):
        if len(row) == width:
            continue
        if len(row) < width or any(cell.strip() for cell in row[width:]):
            advice = "is it cut short?" if len(row) < width else "are decimals written with commas?"
            raise InputError(
                f"{table.path} row {number} has {counted(len(row), 'field')} and the header has "
                f"{width}; {advice}"
            )
    return rows


def _number(table: TextTable, cell: str, at: int, row: int) -> float:
    if cell.strip().lower() in MISSING:
        return float("nan")
    try:
        return float(cell)
    except ValueError:
        raise InputError(
            f"{table.path} row {row}, column {table.names[at]!r}: {cell[:40]!r} is not a number"
        ) from None


def _stamps(
    table: TextTable, rows: list[list[str]], first_row: int, zones: set[bool]
) -> FloatArray:
    """Parse the time column of some rows; ``zones`` gathers whether stamps name a zone."""
    at, kind = table.time_at or 0, table.time_kind
    cells = [row[at] for row in rows]
    try:
        stamps = stamps_s(cells, kind)
        zones.update(has_zone(cell, kind) for cell in cells)
    except ValueError:
        row, cell = next((n, c) for n, c in enumerate(cells, first_row) if not _is_stamp(c, table))
        raise InputError(
            f"{table.path} row {row}, column {table.names[at]!r}: {cell[:40]!r} is no time stamp "
            f"of the kind {kind!r}{' (hh:mm:ss)' * (kind == 'clock')}; correct it or set time_unit"
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
    grid = uniform_grid(_ordered(table, times.time_s), rate_hz, _place(table))
    gridded = np.full((grid.n_slots, columns.shape[1]), np.nan)
    gridded[grid.slot] = columns
    if rate_hz is None:
        say(f"{table.path.name}: {grid.fs_hz:.6g} Hz from the time column")
    empty = grid.n_slots - 1 - int(np.count_nonzero(np.diff(grid.slot)))
    if empty:
        say(f"{table.path.name}: {empty} of {grid.n_slots} samples are missing in time")
    return gridded, grid.fs_hz, grid.start_s


def _ordered(table: TextTable, time_s: FloatArray) -> FloatArray:
    """Return stamps that never go backwards; local time does when the clocks are put back."""
    empty = np.isnan(time_s)
    if empty.any():
        row = int(np.argmax(empty)) + 2
        raise InputError(
            f"{_place(table)} has no time in row {row}, counting the header; fill it in or "
            "leave out the row"
        )
    back = np.diff(time_s) < 0
    if back.any():
        row = int(np.argmax(back)) + 3
        local = table.time_kind in ("iso8601", "clock")
        zone = ", or export the times with their zone if the clocks were put back" * local
        raise InputError(
            f"{_place(table)} goes backwards in row {row}, counting the header; sort the rows{zone}"
        )
    return checked_times(time_s, _place(table))


def _place(table: TextTable) -> str:
    return f"{table.path}: column {table.names[table.time_at or 0]!r}"


def _is_number(field: str) -> bool:
    try:
        float(field)
    except ValueError:
        return False
    return True
