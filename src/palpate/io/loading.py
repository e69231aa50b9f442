"""From a session sheet to a session: open files, pick channels, put units to them.

Conventions
-----------
* Each file is opened once per way of reading it, and hashed once.
* A sample that is not finite counts as missing: it is NaN.
* Unit, placement and rate that the sheet states win over the file's.
* Files of one recording share its clock. Where they carry start times, a file that
  began later is shifted by the difference.
* `palpate.io.placing` says how recordings are placed on the session's clock.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np

from palpate.io.activity_times import activities_on_clock
from palpate.io.heart_rate_series import rate_series
from palpate.io.placing import (
    check_activities,
    check_overlap,
    earliest,
    kind_of_start,
    placed,
    seconds_between,
)
from palpate.io.raw import RawBlock, RawFile, RawSeries, Say, counted, plain_unit, silent
from palpate.io.readers import open_raw
from palpate.io.sheet import HEART_RATE, ChannelSpec, RecordingSpec, Sheet, SourceSpec
from palpate.signals import (
    FloatArray,
    RateSeries,
    Recording,
    Role,
    Session,
    SourceFile,
    Waveform,
)
from palpate.validation import InputError, checked_rate, suggestion

ALL = "all"
ARBITRARY_UNIT = "a.u."


def load_session(sheet: Sheet, *, say: Say = silent, apart: bool = False) -> Session:
    """Load every recording of a sheet and check that their times make sense together.

    ``say`` receives what a person should know, such as a rate taken from a time column. With
    ``apart``, recordings that share no moment are let pass: their clocks are yet to be found.
    """
    hashes: dict[Path, str] = {}
    recordings: list[Recording] = []
    for spec in sheet.recordings:
        recording = _load(spec, say, hashes)
        recordings.append(placed(recording, spec, recordings[0] if recordings else None))
    session = Session(
        title=sheet.title,
        recordings=tuple(recordings),
        activities=activities_on_clock(sheet.activities, recordings, sheet.place),
        wearer=sheet.wearer,
        notes=sheet.notes,
    )
    if not apart:
        check_overlap(session, sheet.place)
    check_activities(session, sheet.place)
    return session


def read_recording(path: Path | str, spec: RecordingSpec, *, say: Say = silent) -> Recording:
    """Load one recording, all of its channels from the file ``path``."""
    path = Path(path)
    channels = tuple(replace(c, source=replace(c.source, file=path)) for c in spec.channels)
    moved = replace(spec, channels=channels)
    return placed(_load(moved, say, {}), moved, None)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file in hex."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _load(spec: RecordingSpec, say: Say, hashes: dict[Path, str]) -> Recording:
    opened: dict[SourceSpec, RawFile] = {}
    for channel in spec.channels:
        file = channel.source.file
        if file.suffix and not file.exists():  # a WFDB record is named without one
            raise InputError(f"recording {spec.name!r}: {file} does not exist; check the path")
        if channel.source not in opened:
            opened[channel.source] = open_raw(channel.source, say=say)
    origin = earliest(raw.start_time for raw in opened.values())
    _say_if_unrelated(spec.name, list(opened.values()), say)
    waveforms: list[Waveform] = []
    rates: list[RateSeries] = []
    for source, raw in opened.items():
        shift_s = seconds_between(origin, raw.start_time)
        mine = [c for c in spec.channels if c.source == source]
        waves = [c for c in mine if c.role != HEART_RATE]
        groups = [_one_rate(_positions(c, raw), raw) for c in waves]
        blocks = raw.read(groups) if groups else []
        waveforms += [
            _waveform(c, raw, group, block, shift_s)
            for c, group, block in zip(waves, groups, blocks, strict=True)
        ]
        rates += [_rate_series(c, raw, shift_s) for c in mine if c.role == HEART_RATE]
    order = [c.name for c in spec.channels]
    return Recording(
        name=spec.name,
        waveforms=tuple(sorted(waveforms, key=lambda w: order.index(w.name))),
        rates=tuple(sorted(rates, key=lambda r: order.index(r.source))),
        device=spec.device,
        firmware=spec.firmware,
        placement=spec.placement,
        start_time=origin,
        sources=_sources(list(opened.values()), hashes),
    )


def _say_if_unrelated(name: str, files: list[RawFile], say: Say) -> None:
    """Say it where files of one device do not say by one clock when each began."""
    kinds = {f.path.name: kind_of_start(f.start_time) for f in files}
    if len(set(kinds.values())) > 1:
        told = ", ".join(f"{file} by {kind}" for file, kind in kinds.items())
        say(
            f"recording {name!r}: its files say when they began by different means, so they are "
            f"laid on each other at second 0 ({told})"
        )


def _sources(files: list[RawFile], hashes: dict[Path, str]) -> tuple[SourceFile, ...]:
    """Return what recordings came from; ``hashes`` remembers files that were hashed before."""
    parts = dict.fromkeys(part for raw in files for part in raw.parts)
    for part in parts:
        if part not in hashes:
            hashes[part] = sha256_of(part)
    return tuple(SourceFile(part.name, hashes[part]) for part in parts)


def _positions(spec: ChannelSpec, raw: RawFile) -> list[int]:
    """Return the positions in the file of the channels that ``spec`` selects."""
    if not raw.signals:
        raise InputError(f"{raw.path} holds times and nothing else; export it again")
    names = [channel.name for channel in raw.channels]
    if spec.select == (ALL,) and ALL not in names:
        return list(raw.signals)
    if spec.select:
        return [_signal(_position(item, names, spec, raw), raw) for item in spec.select]
    if len(raw.signals) == 1:
        return list(raw.signals)
    raise InputError(
        f"{raw.path} has {counted(len(raw.signals), 'channel')}; say which are {spec.name!r} by "
        f"select = [...]; there are {_listed(raw)}"
    )


def _position(item: str | int, names: list[str], spec: ChannelSpec, raw: RawFile) -> int:
    if isinstance(item, int):
        if item >= len(names):
            raise InputError(
                f"{raw.path} has channels 0 to {len(names) - 1}; channel {spec.name!r} selects "
                f"{item}: correct its select, or choose another layout"
            )
        return item
    found = [i for i, name in enumerate(names) if name == item]
    found = found or [i for i, name in enumerate(names) if name.lower() == item.lower()]
    if len(found) > 1:
        places = ", ".join(map(str, found))
        raise InputError(
            f"{raw.path} has {len(found)} channels named {item!r}; select one by its position: "
            f"{places}"
        )
    if not found:
        raise InputError(f"{raw.path} has no channel {item!r}{suggestion(item, names)}")
    return found[0]


def _signal(at: int, raw: RawFile) -> int:
    """Return a position that does not hold the file's time."""
    if at == raw.time_channel:
        name = raw.channels[at].name
        raise InputError(f"{raw.path}: {name!r} is the time column; select one of {_listed(raw)}")
    return at


def _one_rate(group: list[int], raw: RawFile) -> list[int]:
    """Return a group whose channels share a rate, as far as the file states rates."""
    for at in group:
        first, other = raw.channels[group[0]], raw.channels[at]
        if other.fs_hz != first.fs_hz and not np.isnan(other.fs_hz):
            raise InputError(
                f"{raw.path}: {first.name!r} has {first.fs_hz:g} Hz and {other.name!r} "
                f"{other.fs_hz:g} Hz; give each rate its own [[recording.channel]]"
            )
    return group


def _listed(raw: RawFile) -> str:
    return ", ".join(f"{i} {raw.channels[i].name!r}" for i in raw.signals)


def _waveform(
    spec: ChannelSpec, raw: RawFile, group: list[int], block: RawBlock, shift_s: float
) -> Waveform:
    what = f"{raw.path}: channel {spec.name!r}"
    if np.isnan(block.fs_hz):
        raise InputError(f"{what} has no rate; add rate_hz = ... to the sheet")
    labels = spec.labels or tuple(raw.channels[i].name for i in group)
    if len(labels) != len(group):
        raise InputError(
            f"{what} has {counted(len(group), 'column')} but {counted(len(labels), 'label')}"
        )
    values = _checked_samples(block.values, labels, what)
    return Waveform(
        name=spec.name,
        role=Role(spec.role),
        values=values,
        fs_hz=checked_rate(block.fs_hz, f"the rate of {what}"),
        unit=_unit(spec, raw, group, what),
        labels=labels,
        start_s=block.start_s + shift_s,
        wavelength_nm=_wavelengths(spec, len(group), what),
        placement=spec.placement,
    )


def _checked_samples(values: FloatArray, labels: tuple[str, ...], what: str) -> FloatArray:
    """Return samples with NaN for everything that is not finite, some in every column."""
    if values.shape[0] == 0:
        raise InputError(f"{what} holds no samples; export the file again")
    finite = np.isfinite(values)
    if finite.all():
        return values
    dead = ~finite.any(axis=0)
    if dead.any():
        label = labels[int(np.argmax(dead))]
        raise InputError(f"{what} holds no finite sample in {label!r}; leave it out of select")
    return np.where(finite, values, np.nan)


def _unit(spec: ChannelSpec, raw: RawFile, group: list[int], what: str) -> str:
    if spec.unit is not None:
        return plain_unit(spec.unit)
    units = list(dict.fromkeys(raw.channels[i].unit for i in group))
    if len(units) > 1:
        named = " and ".join(unit or "no unit" for unit in units)
        raise InputError(f"{what} joins columns in {named}; split it, or state its unit")
    return units[0] or ARBITRARY_UNIT


def _wavelengths(spec: ChannelSpec, columns: int, what: str) -> tuple[float, ...]:
    if spec.role != Role.PPG:
        return ()
    given = spec.wavelength_nm or (float("nan"),)
    if len(given) not in (1, columns):
        raise InputError(
            f"{what} has {counted(columns, 'column')} but {counted(len(given), 'value')} of "
            "wavelength_nm"
        )
    return given * columns if len(given) == 1 else given


def _rate_series(spec: ChannelSpec, raw: RawFile, shift_s: float) -> RateSeries:
    """Load a device's own heart rate."""
    group = _positions(spec, raw)
    what = f"{raw.path}: channel {spec.name!r}"
    if len(group) != 1:
        raise InputError(f"{what} selects {len(group)} columns; a heart rate is one")
    if raw.read_series is not None:
        series = _readings(raw.read_series(group[0]))
    else:
        block = raw.read([group])[0]
        if np.isnan(block.fs_hz):
            raise InputError(f"{what} has no rate; add rate_hz = ... or a time column")
        fs_hz = checked_rate(block.fs_hz, f"the rate of {what}")
        time_s = block.start_s + np.arange(block.values.shape[0], dtype=np.float64) / fs_hz
        series = RawSeries(time_s, block.values[:, 0])
    return rate_series(series, source=spec.name, place=what, shift_s=shift_s)


def _readings(series: RawSeries) -> RawSeries:
    """Leave out rows between readings, where a rate shares its rows with a faster signal."""
    filled = np.flatnonzero(np.isfinite(series.values))
    if filled.size > 1 and np.median(np.diff(filled)) > 1:
        return RawSeries(series.time_s[filled], series.values[filled])
    return series
