"""List what a file holds: channels, rates, gaps, missing and clipped samples, hashes.

Conventions
-----------
* A gap is a run of instants at which a channel has no finite sample.
* Shares are of all samples (missing) and of the finite ones (clipped).
* Clipped is `palpate.conditioning.rails.at_rail`'s rule, judged over the whole file.
* What a file does not say (a matrix's rate) is NaN or empty.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from palpate.conditioning import runs
from palpate.conditioning.rails import at_rail
from palpate.io.activity_files import ACTIVITY_SUFFIXES
from palpate.io.heart_rate_series import read_heart_rate
from palpate.io.loading import load_session, sha256_of
from palpate.io.matlab import matrix_names
from palpate.io.placing import dated
from palpate.io.raw import RawBlock, RawFile, Say, silent
from palpate.io.readers import MATLAB_SUFFIXES, SHEET_SUFFIXES, STORE_SUFFIXES, open_raw
from palpate.io.sheet import HEART_RATE, SourceSpec, read_sheet
from palpate.io.store import StoredTable, read_store, read_table, table_names
from palpate.signals import Activity, FloatArray, RateSeries, Recording, SourceFile, Waveform
from palpate.validation import InputError

# A file with more channels than this is damaged as a whole, not in some of them.
MAX_SINGLE_READS = 256


@dataclass(frozen=True, slots=True)
class ChannelListing:
    """One column of samples; ``recording`` and ``role`` are empty for a raw file."""

    recording: str
    position: int
    name: str
    role: str
    unit: str
    fs_hz: float
    n_samples: int
    start_s: float
    duration_s: float
    n_gaps: int
    missing_share: float
    clipped_share: float
    smallest: float
    largest: float


@dataclass(frozen=True, slots=True)
class TableListing:
    """A derived table in a store: its size, and what made it."""

    name: str
    n_rows: int
    columns: tuple[str, ...]
    parameters: Mapping[str, Any]
    palpate_version: str


@dataclass(frozen=True, slots=True)
class Listing:
    """What a file, a sheet or a store holds."""

    path: Path
    kind: str
    channels: tuple[ChannelListing, ...]
    sources: tuple[SourceFile, ...]
    start_time: datetime | None = None
    activities: tuple[Activity, ...] = ()
    tables: tuple[TableListing, ...] = ()


def describe(path: Path | str, *, say: Say = silent) -> Listing:
    """List what any supported file holds; reads all of it."""
    path = Path(path)
    suffix = path.suffix.lower()
    if suffix in SHEET_SUFFIXES:
        session = load_session(read_sheet(path), say=say, apart=True)
        return _of_session(path, "session sheet", session.recordings, session.activities)
    if suffix in STORE_SUFFIXES:
        session = read_store(path)
        tables = tuple(_of_table(name, read_table(path, name)) for name in table_names(path))
        return _of_session(path, "store", session.recordings, session.activities, tables)
    if suffix in ACTIVITY_SUFFIXES:
        return _of_activity(path, say)
    if suffix in MATLAB_SUFFIXES:
        sources = [SourceSpec(path, variable=name) for name in matrix_names(path)]
    else:
        sources = [SourceSpec(path)]
    return _of_raw([open_raw(source, say=say) for source in sources], say)


def _of_raw(files: list[RawFile], say: Say) -> Listing:
    channels: list[ChannelListing] = []
    for raw in files:
        for at, block in _readable(raw, say):
            channels.append(
                _listed(
                    block.values[:, 0],
                    name=raw.channels[at].name,
                    position=at,
                    unit=raw.channels[at].unit,
                    fs_hz=block.fs_hz,
                    start_s=block.start_s,
                )
            )
    raw = files[0]
    return Listing(
        path=raw.path,
        kind=raw.kind,
        channels=tuple(channels),
        sources=tuple(SourceFile(part.name, sha256_of(part)) for part in raw.parts),
        start_time=dated(raw.start_time),
    )


def _of_activity(path: Path, say: Say) -> Listing:
    found = read_heart_rate(path, say=say)
    return Listing(
        path=path,
        kind=f"{path.suffix[1:].upper()} activity",
        channels=(_of_rate("", found.rate),),
        sources=(SourceFile(path.name, sha256_of(path)),),
        start_time=found.start_time,
    )


def _readable(raw: RawFile, say: Say) -> list[tuple[int, RawBlock]]:
    """Read each channel; one that cannot be read, such as a column of words, is told of."""
    try:
        return list(zip(raw.signals, raw.read([[at] for at in raw.signals]), strict=True))
    except InputError:
        if not 1 < len(raw.signals) <= MAX_SINGLE_READS:
            raise
    found = []
    for at in raw.signals:
        try:
            found.append((at, raw.read([[at]])[0]))
        except InputError as problem:
            say(f"left out: {problem}")
    if not found:
        raise InputError(f"{raw.path} holds no channel of numbers")
    return found


def _of_session(
    path: Path,
    kind: str,
    recordings: tuple[Recording, ...],
    activities: tuple[Activity, ...],
    tables: tuple[TableListing, ...] = (),
) -> Listing:
    channels: list[ChannelListing] = []
    for recording in recordings:
        for waveform in recording.waveforms:
            channels += _of_waveform(recording.name, waveform)
        channels += [_of_rate(recording.name, rate) for rate in recording.rates]
    sources = dict.fromkeys(source for r in recordings for source in r.sources)
    return Listing(
        path=path,
        kind=kind,
        channels=tuple(channels),
        sources=tuple(sources),
        start_time=dated(recordings[0].start_time),
        activities=activities,
        tables=tables,
    )


def _of_waveform(recording: str, waveform: Waveform) -> list[ChannelListing]:
    one = waveform.values.shape[1] == 1
    return [
        _listed(
            column,
            recording=recording,
            name=waveform.name if one else f"{waveform.name}: {label}",
            position=position,
            role=waveform.role.value,
            unit=waveform.unit,
            fs_hz=waveform.fs_hz,
            start_s=waveform.start_s,
        )
        for position, (label, column) in enumerate(
            zip(waveform.labels, waveform.values.T, strict=True)
        )
    ]


def _of_rate(recording: str, rate: RateSeries) -> ChannelListing:
    """List a device's heart rate; its rate is the usual distance of its readings."""
    steps = np.diff(rate.start_s)
    return _listed(
        rate.hr_bpm,
        recording=recording,
        name=rate.source,
        position=0,
        role=HEART_RATE,
        unit="bpm",
        fs_hz=1.0 / float(np.median(steps)) if steps.size else float("nan"),
        start_s=float(rate.start_s[0]),
        duration_s=float(rate.end_s[-1] - rate.start_s[0]),
    )


def _listed(
    values: FloatArray,
    *,
    name: str,
    position: int,
    unit: str,
    fs_hz: float,
    start_s: float,
    recording: str = "",
    role: str = "",
    duration_s: float | None = None,
) -> ChannelListing:
    finite = np.isfinite(values)
    n_finite = int(np.count_nonzero(finite))
    railed = at_rail(np.where(finite, values, np.nan)) if role != HEART_RATE else np.zeros(0)
    nan = float("nan")
    return ChannelListing(
        recording=recording,
        position=position,
        name=name,
        role=role,
        unit=unit,
        fs_hz=fs_hz,
        n_samples=int(values.size),
        start_s=start_s,
        duration_s=values.size / fs_hz if duration_s is None else duration_s,
        n_gaps=int(runs(~finite)[0].size),
        missing_share=(values.size - n_finite) / values.size if values.size else nan,
        clipped_share=int(np.count_nonzero(railed)) / n_finite if n_finite else nan,
        smallest=float(values[finite].min()) if n_finite else nan,
        largest=float(values[finite].max()) if n_finite else nan,
    )


def _of_table(name: str, stored: StoredTable) -> TableListing:
    return TableListing(
        name=name,
        n_rows=len(stored.table),
        columns=tuple(stored.table),
        parameters=stored.parameters,
        palpate_version=stored.palpate_version,
    )
