"""The records that every room shares: what a waveform, a beat, a rate and a window are.

Conventions
-----------
* Time is in seconds. A *recording second* counts from the start of one device's
  recording on that device's own clock; a *session second* counts on the session's
  clock: ``session_s = recording_s * (1 + clock_drift_ppm * 1e-6) + clock_offset_s``.
* Intervals are half-open, ``[start_s, end_s)``.
* Undefined numbers are NaN, and whoever returns them also counts them.
* Arrays are read-only once they are inside a record, so that no stage can change
  what another stage has seen.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from palpate.validation import InputError, checked_rate, checked_times

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.intp]
BoolArray: TypeAlias = NDArray[np.bool_]
StrArray: TypeAlias = NDArray[np.str_]

WHOLE_SESSION = "all"
"""What tables call the whole session, so no activity may be called so."""
_HOLD_STEPS = 1.5  # a reading that is missing leaves a gap
_SAME_START_S = 1e-3  # windows whose starts differ by less are the same window


class Role(StrEnum):
    """What a waveform measures."""

    ECG = "ecg"
    PPG = "ppg"
    ACC = "acc"
    GYRO = "gyro"
    OTHER = "other"


@dataclass(frozen=True, slots=True, eq=False)
class Waveform:
    """A uniformly sampled signal of one or more columns on one recording's clock.

    Parameters
    ----------
    name
        Unique within its recording, for instance ``"ecg"`` or ``"ppg"``.
    role
        What it measures.
    values
        ``(n, k)`` float64; time runs along the first axis; NaN marks missing samples.
    fs_hz
        Samples per second.
    unit
        As the source declares it: ``"mV"``, ``"g"``, ``"m/s2"``, ``"deg/s"``, ``"a.u."``.
    labels
        One per column: lead names, wavelengths or axes.
    start_s
        Recording second of the first sample.
    wavelength_nm
        One per column for PPG (NaN where unknown), else empty.
    placement
        Body site, for instance ``"chest"`` or ``"left wrist"``.
    """

    name: str
    role: Role
    values: FloatArray
    fs_hz: float
    unit: str
    labels: tuple[str, ...] = ()
    start_s: float = 0.0
    wavelength_nm: tuple[float, ...] = ()
    placement: str = ""

    def __post_init__(self) -> None:
        checked_rate(self.fs_hz, f"the rate of waveform {self.name!r}")
        if self.values.ndim != 2:
            raise InputError(f"waveform {self.name!r} must have values of shape (n, columns)")
        columns = self.values.shape[1]
        if not self.labels:
            _set(self, "labels", tuple(f"{self.name}{i}" for i in range(columns)))
        if len(self.labels) != columns:
            raise InputError(
                f"waveform {self.name!r} has {columns} columns but {len(self.labels)} labels"
            )
        if self.wavelength_nm and len(self.wavelength_nm) != columns:
            raise InputError(
                f"waveform {self.name!r} has {columns} columns but "
                f"{len(self.wavelength_nm)} wavelengths"
            )
        _set(self, "values", _read_only(self.values))

    @property
    def duration_s(self) -> float:
        """Seconds covered, ``n / fs_hz``."""
        return float(self.values.shape[0] / self.fs_hz)

    @property
    def end_s(self) -> float:
        """Recording second just past the last sample."""
        return self.start_s + self.duration_s

    def times_s(self) -> FloatArray:
        """Recording second of every sample, ``(n,)``."""
        return self.start_s + np.arange(self.values.shape[0]) / self.fs_hz


@dataclass(frozen=True, slots=True, eq=False)
class BeatSeries:
    """Beat times ``(n,)`` in seconds, sorted, with an optional label per beat."""

    time_s: FloatArray
    label: StrArray | None = None

    def __post_init__(self) -> None:
        _set(self, "time_s", _read_only(checked_times(self.time_s, "beat times")))
        if self.label is not None and self.label.shape != self.time_s.shape:
            raise InputError("a beat series needs one label per beat")

    def __len__(self) -> int:
        return int(self.time_s.size)


@dataclass(frozen=True, slots=True, eq=False)
class RateSeries:
    """Heart rate per window or per reading of a device.

    Parameters
    ----------
    source
        What gives the rate: an estimator's name, or the device's own series.
    start_s, end_s
        ``(n,)`` seconds; a device's reading covers ``[start_s, end_s)``.
    hr_bpm
        ``(n,)``; NaN where there is no value.
    confidence
        ``(n,)`` in 0..1, NaN where the source has none.
    reason
        ``(n,)`` text: why there is no value; empty where there is one.
    """

    source: str
    start_s: FloatArray
    end_s: FloatArray
    hr_bpm: FloatArray
    confidence: FloatArray
    reason: StrArray

    def __post_init__(self) -> None:
        size = self.start_s.shape
        for name in ("start_s", "end_s", "hr_bpm", "confidence", "reason"):
            if getattr(self, name).shape != size:
                raise InputError(f"rate series {self.source!r}: {name} must have shape {size}")
            _set(self, name, _read_only(getattr(self, name)))

    def __len__(self) -> int:
        return int(self.start_s.size)

    @property
    def n_undefined(self) -> int:
        """How many windows have no value."""
        return int(np.count_nonzero(np.isnan(self.hr_bpm)))


def usual_step_s(start_s: FloatArray) -> float:
    """Return the median of the steps between sorted stamps ``(n,)``; NaN where there is none.

    Stamps that repeat, as those of two readings in one whole second do, make no step.
    """
    steps = np.diff(start_s)
    steps = steps[steps > 0.0]
    return float(np.median(steps)) if steps.size else float("nan")


def held_until(start_s: FloatArray) -> FloatArray:
    """Return when each reading ``(n,)`` ends: at the next, or 1.5 usual steps later at most.

    A second later where there is no usual step.
    """
    usual_s = usual_step_s(start_s)
    if np.isnan(usual_s):
        return start_s + 1.0
    steps = np.diff(start_s)
    return np.asarray(start_s + np.minimum(np.append(steps, usual_s), _HOLD_STEPS * usual_s))


@dataclass(frozen=True, slots=True, eq=False)
class WindowTable:
    """Named columns over a common grid of windows ``[start_s, end_s)``.

    ``columns`` maps a name that carries its unit (``"enmo_g"``, ``"cadence_per_min"``)
    to an array ``(n,)`` of float, bool, int or text.
    """

    start_s: FloatArray
    end_s: FloatArray
    columns: Mapping[str, NDArray[Any]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        shape = self.start_s.shape
        if self.end_s.shape != shape:
            raise InputError("a window table needs one end per start")
        for name, column in self.columns.items():
            if column.shape != shape:
                raise InputError(
                    f"column {name!r} has shape {column.shape}; the window table needs {shape}"
                )
        _set(self, "columns", {k: _read_only(v) for k, v in self.columns.items()})

    def __repr__(self) -> str:
        """Say the span and what there is; every number of every window would fill pages."""
        span = f" from {self.start_s[0]:g} to {self.end_s[-1]:g} s" if len(self) else ""
        return f"WindowTable({len(self)} windows{span}: {', '.join(self.columns) or 'no columns'})"

    def __len__(self) -> int:
        return int(self.start_s.size)

    def __getitem__(self, name: str) -> NDArray[Any]:
        try:
            return self.columns[name]
        except KeyError:
            known = ", ".join(self.columns)
            raise KeyError(f"no column {name!r}; there are {known}") from None

    def __contains__(self, name: object) -> bool:
        return name in self.columns

    def __iter__(self) -> Iterator[str]:
        return iter(self.columns)

    @property
    def middle_s(self) -> FloatArray:
        """Middle of every window, ``(n,)``."""
        return np.asarray((self.start_s + self.end_s) / 2.0)

    @property
    def step_s(self) -> float:
        """Median seconds from one window to the next; NaN where there are fewer than two."""
        return float(np.median(np.diff(self.start_s))) if len(self) > 1 else float("nan")

    def count_in(self, span_s: float) -> int:
        """Return how many windows begin within a span of this length, at least one."""
        return max(1, round(span_s / self.step_s)) if len(self) > 1 else 1

    def with_columns(self, **columns: NDArray[Any]) -> WindowTable:
        """Return a table that has these columns as well."""
        return WindowTable(self.start_s, self.end_s, {**self.columns, **columns})

    def joined(self, other: WindowTable) -> WindowTable:
        """Return this table with the columns of ``other``, matched by the windows' starts.

        Windows that ``other`` lacks are undefined there (NaN, empty text, False, 0);
        windows that this table lacks are left out.
        """
        place = np.searchsorted(self.start_s, other.start_s - _SAME_START_S)
        known = place < len(self)
        known[known] = np.abs(self.start_s[place[known]] - other.start_s[known]) <= _SAME_START_S
        blank: dict[str, Any] = {"f": np.nan, "U": "", "b": False}
        added = {}
        for name, column in other.columns.items():
            spread = np.full(len(self), blank.get(column.dtype.kind, 0), dtype=column.dtype)
            spread[place[known]] = column[known]
            added[name] = spread
        return self.with_columns(**added)


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file that data came from: its name (no folder) and SHA-256 in hex."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One device's channels on one clock.

    ``clock_offset_s`` and ``clock_drift_ppm`` take recording seconds to session
    seconds; ``clock_known`` says whether somebody stated or estimated them.
    """

    name: str
    waveforms: tuple[Waveform, ...] = ()
    rates: tuple[RateSeries, ...] = ()
    device: str = ""
    firmware: str = ""
    placement: str = ""
    start_time: datetime | None = None
    clock_offset_s: float = 0.0
    clock_drift_ppm: float = 0.0
    clock_known: bool = True
    sources: tuple[SourceFile, ...] = ()

    @property
    def span_s(self) -> tuple[float, float]:
        """Recording seconds from the first sample or reading to the end of the last."""
        starts = [w.start_s for w in self.waveforms] + [r.start_s[0] for r in self.rates]
        ends = [w.end_s for w in self.waveforms] + [r.end_s[-1] for r in self.rates]
        return float(min(starts)), float(max(ends))

    def of_role(self, role: Role) -> tuple[Waveform, ...]:
        """Return the waveforms with this role, in file order."""
        return tuple(w for w in self.waveforms if w.role is role)

    def session_s(self, recording_s: FloatArray) -> FloatArray:
        """Take recording seconds to session seconds."""
        return recording_s * (1.0 + self.clock_drift_ppm * 1e-6) + self.clock_offset_s


@dataclass(frozen=True, slots=True)
class Activity:
    """A named stretch of the session, ``[start_s, end_s)`` in session seconds."""

    name: str
    start_s: float
    end_s: float

    def __post_init__(self) -> None:
        if not self.start_s < self.end_s:
            raise InputError(
                f"activity {self.name!r} starts at {self.start_s:g} s and ends at "
                f"{self.end_s:g} s; it must end after it starts"
            )


@dataclass(frozen=True, slots=True, eq=False)
class Session:
    """All recordings of one outing, with what was done when, and by whom."""

    title: str
    recordings: tuple[Recording, ...]
    activities: tuple[Activity, ...] = ()
    wearer: str = ""
    notes: str = ""


def activity_per_window(
    start_s: FloatArray, end_s: FloatArray, activities: tuple[Activity, ...]
) -> StrArray:
    """Return per window the activity that wholly contains it, or ``""``, shape ``(n,)``."""
    names = np.full(start_s.shape, "", dtype=f"<U{max([1, *(len(a.name) for a in activities)])}")
    for activity in activities:
        names[(start_s >= activity.start_s) & (end_s <= activity.end_s)] = activity.name
    return names


def _set(record: object, name: str, value: object) -> None:
    object.__setattr__(record, name, value)


def _read_only(array: NDArray[Any]) -> NDArray[Any]:
    view = array.view()
    view.flags.writeable = False
    return view
