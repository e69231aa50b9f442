"""The session store: one HDF5 file per session, raw data and derived tables side by side.

Layout, version 1 (``/`` in a name is written ``%2F``)::

    /                               format, schema, palpate_version, title, wearer, notes
    /recordings/<recording>         device, firmware, placement, start_time, clock_offset_s,
                                    clock_drift_ppm, clock_known, source_names, source_sha256
        waveforms/<name>            (n, k) float64; role, unit, fs_hz, start_s, labels,
                                    wavelength_nm, placement
        rates/<source>/             start_s, end_s, hr_bpm, confidence, reason: (n,) each
    /activities/                    name, start_s, end_s: (n,) each
    /tables/<table>/                start_s, end_s and one array (n,) per column;
                                    parameters (JSON), palpate_version

Words after a semicolon, and those beside a group, are HDF5 attributes. All text is
fixed-length UTF-8. Groups keep the order in which things were written.

Conventions
-----------
* What was written is read back equal, bit by bit; missing samples are NaN.
* Writing goes to a temporary file that takes the store's place when it is complete.
* Reading trusts nothing: soft and external links, external and virtual storage, object
  types, and arrays that claim more than their bytes can hold are refused.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from palpate import __version__
from palpate.io.atomic import PatientFile, replacing
from palpate.io.hdf5 import (
    attribute,
    attribute_list,
    group_key,
    name_of,
    opened,
    read_array,
    read_numbers,
    read_texts,
    subgroup,
    text_array,
    write_array,
    write_attributes,
)
from palpate.io.raw import one_line
from palpate.signals import (
    Activity,
    RateSeries,
    Recording,
    Role,
    Session,
    SourceFile,
    Waveform,
    WindowTable,
)
from palpate.validation import InputError, suggestion

FORMAT = "palpate session"
SCHEMA = 1
RATE_COLUMNS = ("start_s", "end_s", "hr_bpm", "confidence")


@dataclass(frozen=True, slots=True, eq=False)
class StoredTable:
    """A derived table with what made it: the parameters and the palpate version."""

    table: WindowTable
    parameters: Mapping[str, Any] = field(default_factory=dict)
    palpate_version: str = __version__


def write_store(
    session: Session, path: Path | str, *, tables: Mapping[str, StoredTable] | None = None
) -> Path:
    """Write a session, and derived tables if there are any, into one new HDF5 file."""
    path = checked_store_name(path)
    with replacing(path) as part, _writing(part, path, "w") as file:
        write_attributes(file, format=FORMAT, schema=SCHEMA, palpate_version=__version__)
        write_attributes(file, title=session.title, wearer=session.wearer, notes=session.notes)
        recordings = _new_group(file, "recordings")
        for recording in session.recordings:
            _write_recording(_new_group(recordings, group_key(recording.name)), recording)
        _write_activities(_new_group(file, "activities"), session.activities)
        group = _new_group(file, "tables")
        for name, table in (tables or {}).items():
            _write_table(group, name, table)
    return path


def read_store(path: Path | str, *, recordings: Iterable[str] | None = None) -> Session:
    """Read the session in a store, or only the named ``recordings`` of it."""
    path = Path(path)
    with _opened_store(path) as file:
        held = subgroup(file, "recordings")
        names = [name_of(key) for key in held]
        wanted = names if recordings is None else list(recordings)
        for name in wanted:
            if name not in names:
                raise InputError(f"{path} holds no recording {name!r}{suggestion(name, names)}")
        return Session(
            title=attribute(file, "title", str),
            recordings=tuple(
                _read_recording(subgroup(held, group_key(name)), name) for name in wanted
            ),
            activities=_read_activities(subgroup(file, "activities")),
            wearer=attribute(file, "wearer", str),
            notes=attribute(file, "notes", str),
        )


def write_table(
    path: Path | str, name: str, table: WindowTable, *, parameters: Mapping[str, Any]
) -> None:
    """Add a derived table to a store, or replace the one of that name.

    ``parameters`` is what made it, JSON values only; the version is this palpate's.
    """
    path = Path(path)
    with _opened_store(path):
        pass  # a store, and one that can be read, before a byte is written
    with replacing(path) as part:
        shutil.copyfile(path, part)
        with _writing(part, path, "r+") as file:
            tables = subgroup(file, "tables")
            if group_key(name) in tables:
                del tables[group_key(name)]
            _write_table(tables, name, StoredTable(table, parameters))


def read_table(path: Path | str, name: str) -> StoredTable:
    """Read one derived table of a store."""
    with _opened_store(Path(path)) as file:
        tables = subgroup(file, "tables")
        if group_key(name) not in tables:
            known = ", ".join(map(name_of, tables)) or "none"
            raise InputError(f"{path} holds no table {name!r}; there are: {known}")
        return _read_table(subgroup(tables, group_key(name)))


def table_names(path: Path | str) -> tuple[str, ...]:
    """Return the names of the derived tables in a store, in the order of writing."""
    with _opened_store(Path(path)) as file:
        return tuple(name_of(key) for key in subgroup(file, "tables"))


def checked_store_name(path: Path | str) -> Path:
    """Return the path if a store of that name would be read as one again."""
    path = Path(path)
    if path.suffix.lower() not in (".h5", ".hdf5"):
        raise InputError(f"{path} must end in .h5, so that it is opened as a store again")
    return path


@contextmanager
def _opened_store(path: Path) -> Iterator[h5py.File]:
    with opened(path) as file:
        if "format" not in file.attrs or attribute(file, "format", str) != FORMAT:
            raise InputError(f"{path} is an HDF5 file but no palpate session store")
        schema = attribute(file, "schema", int)
        if schema != SCHEMA:
            raise InputError(
                f"{path} has store schema {schema}; palpate {__version__} reads schema {SCHEMA}"
            )
        yield file


@contextmanager
def _writing(part: Path, path: Path, mode: str) -> Iterator[h5py.File]:
    """Open ``part`` for writing, ``"w"`` or ``"r+"``; messages name ``path``."""
    stream = PatientFile(part, {"w": "w+", "r+": "r+"}[mode])
    try:
        # 'v110' keeps long notes and parameters out of the 64 KiB that older headers allow.
        with h5py.File(stream, mode, libver=("v110", "v110")) as file:
            yield file
    except InputError:
        raise
    except ValueError as exc:
        raise InputError(f"{path} cannot be written: {one_line(exc)}") from exc
    finally:
        stream.finish()


def _new_group(parent: h5py.Group, key: str) -> h5py.Group:
    return parent.create_group(key, track_order=True)


def _write_recording(group: h5py.Group, recording: Recording) -> None:
    start = recording.start_time.isoformat() if recording.start_time else ""
    write_attributes(
        group,
        device=recording.device,
        firmware=recording.firmware,
        placement=recording.placement,
        start_time=start,
        clock_offset_s=recording.clock_offset_s,
        clock_drift_ppm=recording.clock_drift_ppm,
        clock_known=recording.clock_known,
        source_names=text_array([s.name for s in recording.sources]),
        source_sha256=text_array([s.sha256 for s in recording.sources]),
    )
    waveforms, rates = _new_group(group, "waveforms"), _new_group(group, "rates")
    for waveform in recording.waveforms:
        dataset = write_array(waveforms, group_key(waveform.name), waveform.values)
        write_attributes(
            dataset,
            role=waveform.role.value,
            unit=waveform.unit,
            fs_hz=waveform.fs_hz,
            start_s=waveform.start_s,
            labels=text_array(waveform.labels),
            wavelength_nm=np.array(waveform.wavelength_nm, dtype=np.float64),
            placement=waveform.placement,
        )
    for rate in recording.rates:
        columns = _new_group(rates, group_key(rate.source))
        for name in (*RATE_COLUMNS, "reason"):
            write_array(columns, name, getattr(rate, name))


def _read_recording(group: h5py.Group, name: str) -> Recording:
    waveforms, rates = subgroup(group, "waveforms"), subgroup(group, "rates")
    start = attribute(group, "start_time", str)
    return Recording(
        name=name,
        waveforms=tuple(_read_waveform(waveforms, key) for key in waveforms),
        rates=tuple(_read_rate(subgroup(rates, key), name_of(key)) for key in rates),
        device=attribute(group, "device", str),
        firmware=attribute(group, "firmware", str),
        placement=attribute(group, "placement", str),
        start_time=datetime.fromisoformat(start) if start else None,
        clock_offset_s=attribute(group, "clock_offset_s", float),
        clock_drift_ppm=attribute(group, "clock_drift_ppm", float),
        clock_known=attribute(group, "clock_known", bool),
        sources=tuple(
            SourceFile(file, sha256)
            for file, sha256 in zip(
                attribute_list(group, "source_names"),
                attribute_list(group, "source_sha256"),
                strict=True,
            )
        ),
    )


def _read_waveform(group: h5py.Group, key: str) -> Waveform:
    values = read_numbers(group, key, ndim=2)
    dataset = group[key]
    return Waveform(
        name=name_of(key),
        role=Role(attribute(dataset, "role", str)),
        values=values,
        fs_hz=attribute(dataset, "fs_hz", float),
        unit=attribute(dataset, "unit", str),
        labels=tuple(attribute_list(dataset, "labels")),
        start_s=attribute(dataset, "start_s", float),
        wavelength_nm=tuple(attribute_list(dataset, "wavelength_nm")),
        placement=attribute(dataset, "placement", str),
    )


def _read_rate(group: h5py.Group, source: str) -> RateSeries:
    columns = {name: read_numbers(group, name) for name in RATE_COLUMNS}
    return RateSeries(source=source, **columns, reason=read_texts(group, "reason"))


def _write_activities(group: h5py.Group, activities: tuple[Activity, ...]) -> None:
    write_array(group, "name", np.array([a.name for a in activities], dtype=np.str_))
    write_array(group, "start_s", np.array([a.start_s for a in activities], dtype=np.float64))
    write_array(group, "end_s", np.array([a.end_s for a in activities], dtype=np.float64))


def _read_activities(group: h5py.Group) -> tuple[Activity, ...]:
    columns = (read_texts(group, "name"), *(read_numbers(group, k) for k in ("start_s", "end_s")))
    return tuple(
        Activity(str(name), float(start), float(end))
        for name, start, end in zip(*columns, strict=True)
    )


def _write_table(group: h5py.Group, name: str, stored: StoredTable) -> None:
    columns = _new_group(group, group_key(name))
    try:
        parameters = json.dumps(dict(stored.parameters), sort_keys=True)
    except TypeError as exc:
        raise InputError(f"the parameters of table {name!r} are no JSON values: {exc}") from None
    write_attributes(columns, parameters=parameters, palpate_version=stored.palpate_version)
    write_array(columns, "start_s", stored.table.start_s)
    write_array(columns, "end_s", stored.table.end_s)
    for key in stored.table:
        write_array(columns, group_key(key), stored.table[key])


def _read_table(group: h5py.Group) -> StoredTable:
    columns = {name_of(key): read_array(group, key) for key in group}
    start_s, end_s = columns.pop("start_s"), columns.pop("end_s")
    return StoredTable(
        table=WindowTable(start_s, end_s, columns),
        parameters=json.loads(attribute(group, "parameters", str)),
        palpate_version=attribute(group, "palpate_version", str),
    )
