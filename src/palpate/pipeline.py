"""Join the stages: a session in, per-window evidence and errors out.

Everything meets on one grid of windows in session seconds: window ``k`` is
``[k * step_s, k * step_s + window_s)``, for every whole window inside the ECG. A
wrist recording is cut so that its first sample falls on a grid point, and its
clock drift is taken up by its sampling rate; nothing is resampled but motion
channels whose rate differs from the light's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from palpate.conditioning import STEP_S, WINDOW_S, resample
from palpate.ecg import BeatReference, beat_reference
from palpate.evaluation.scoring import (
    ActivityError,
    errors_by_activity,
    score_windows,
    scored_windows,
)
from palpate.explanation.dose_response import MIN_WINDOWS, DoseResponse, dose_response
from palpate.explanation.events import EventResponse, event_responses, heart_rate_events
from palpate.explanation.oracle import oracle_windows
from palpate.heartrate import estimate
from palpate.motion import check_unit, motion_flags, motion_windows, vibration_label
from palpate.ppg import condition_ppg, ppg_windows
from palpate.signals import (
    FloatArray,
    RateSeries,
    Recording,
    Role,
    Session,
    Waveform,
    WindowTable,
    activity_per_window,
)
from palpate.validation import InputError, checked_positive

DEVICE = "device"
DEFAULT_METHODS = ("conventional", "robust")

Progress = Callable[[Iterable[Recording]], Iterable[Recording]]


@dataclass(frozen=True, slots=True)
class Options:
    """What a run may be asked to do differently.

    ``absolute_bpm`` and ``relative`` set the tolerance
    ``max(absolute_bpm, relative * reference)``, the form of ANSI/AAMI EC13
    (its figures from memory: 5 bpm, 10 %).
    """

    window_s: float = WINDOW_S
    step_s: float = STEP_S
    methods: tuple[str, ...] = DEFAULT_METHODS
    absolute_bpm: float = 5.0
    relative: float = 0.10

    def __post_init__(self) -> None:
        checked_positive(self.window_s, "window_s")
        checked_positive(self.step_s, "step_s")


@dataclass(frozen=True, slots=True, eq=False)
class SourceResult:
    """One wrist heart rate against the reference: per window, per activity, against motion.

    ``windows`` is what :func:`palpate.evaluation.scoring.score_windows` returns;
    ``dose`` is None where the band has no accelerometer or too few scored windows;
    ``events`` says what became of every rise and fall of the reference.
    """

    band: str
    source: str
    windows: WindowTable
    by_activity: tuple[ActivityError, ...]
    dose: DoseResponse | None
    events: tuple[EventResponse, ...]

    @property
    def name(self) -> str:
        """Band and source, for tables and legends."""
        return f"{self.band}, {self.source}"


@dataclass(frozen=True, slots=True, eq=False)
class BandResult:
    """What one wrist recording did: motion and light per window, and its heart rates.

    ``motion`` is what :func:`palpate.motion.motion_windows` returns, with the column
    ``flag``; ``light`` is what :func:`palpate.ppg.ppg_windows` returns; ``oracle`` what
    :func:`palpate.explanation.oracle.oracle_windows` finds at the reference's rate. All
    lie on the session's grid, and have no columns where the band lacks the sensor.
    ``notes`` are sentences on what is doubtful about the recording itself.
    """

    recording: Recording
    motion: WindowTable
    light: WindowTable
    oracle: WindowTable
    sources: tuple[SourceResult, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SessionResult:
    """All that one session tells; ``windows`` carries the reference on the grid."""

    session: Session
    options: Options
    reference_recording: Recording
    reference: BeatReference
    windows: WindowTable
    bands: tuple[BandResult, ...]

    @property
    def sources(self) -> tuple[SourceResult, ...]:
        """Every heart-rate source of every band."""
        return tuple(source for band in self.bands for source in band.sources)


def explain_session(
    session: Session, options: Options | None = None, progress: Progress = iter
) -> SessionResult:
    """Build the beat reference, examine every wrist recording, and relate the two.

    Parameters
    ----------
    session
        The first waveform with role ECG is the reference; every recording with PPG
        or with a heart-rate series is a band.
    options
        Windows, methods and tolerance.
    progress
        Wraps the iteration over bands, for instance in a progress bar.

    Raises
    ------
    InputError
        If there is no ECG, or a band's time does not overlap it.
    """
    options = options or Options()
    chest, ecg = _ecg_of(session)
    values, fs_hz, start_s = _from_grid_point(chest, ecg, options.step_s)
    span = {"start_s": start_s, "window_s": options.window_s, "step_s": options.step_s}
    reference = beat_reference(values, fs_hz=fs_hz, **span)
    found = reference.windows
    if len(found) == 0:
        raise InputError(
            f"the ECG of recording {chest.name!r} lasts {ecg.duration_s:.1f} s; it must hold at "
            f"least one window of {options.window_s:g} s"
        )
    activity = activity_per_window(found.start_s, found.end_s, session.activities)
    windows = found.with_columns(activity=activity)
    bands = [r for r in session.recordings if r.of_role(Role.PPG) or r.rates]
    results = tuple(_examine(band, windows, options) for band in progress(bands))
    return SessionResult(session, options, chest, reference, windows, results)


def _ecg_of(session: Session) -> tuple[Recording, Waveform]:
    for recording in session.recordings:
        for waveform in recording.of_role(Role.ECG):
            return recording, waveform
    raise InputError(
        f"session {session.title!r} has no channel with role 'ecg'; the beat reference needs one"
    )


def _examine(band: Recording, reference: WindowTable, options: Options) -> BandResult:
    motion = light = oracle = WindowTable(reference.start_s, reference.end_s)
    rates = [_per_window(rate, band, reference) for rate in band.rates]
    notes: list[str] = []
    if band.of_role(Role.PPG):
        ppg, fs_hz, start_s = _from_grid_point(band, band.of_role(Role.PPG)[0], options.step_s)
        acc, gyro = (
            _beside(band, role, start_s=start_s, fs_hz=fs_hz, n=ppg.shape[0], options=options)
            for role in (Role.ACC, Role.GYRO)
        )
        span: dict[str, Any] = {
            "fs_hz": fs_hz,
            "start_s": start_s,
            "window_s": options.window_s,
            "step_s": options.step_s,
        }
        seen = ppg_windows(ppg, **span)
        light = light.joined(seen)
        trusted_bpm = _trusted_rate(reference, seen)
        clean = condition_ppg(ppg, fs_hz=fs_hz)
        oracle = oracle.joined(oracle_windows(clean, acc, trusted_bpm, **span))
        if acc is not None:
            unit = band.of_role(Role.ACC)[0].unit
            notes += _motion_notes(acc, fs_hz, unit)
            moved = motion_windows(acc, unit=unit, gyro=gyro, **span)
            motion = motion.joined(moved.with_columns(flag=motion_flags(moved)))
        rates += [estimate(ppg, acc, method=method, **span) for method in options.methods]
    sources = tuple(_score(band, rate, reference, motion, options) for rate in rates)
    _require_overlap(band, reference, (motion, light), sources)
    return BandResult(band, motion, light, oracle, sources, tuple(notes))


def _motion_notes(acc: FloatArray, fs_hz: float, unit: str) -> list[str]:
    """Say what gravity tells about the accelerometer, and what its rate lets it measure."""
    found = [check_unit(acc, fs_hz=fs_hz, unit=unit).finding, vibration_label(fs_hz)]
    return [f"{text[0].upper()}{text[1:]}." for text in found if text]


def _trusted_rate(reference: WindowTable, windows: WindowTable) -> FloatArray:
    """Return the reference rate for each of these windows; NaN where there is no trusted one."""
    known = WindowTable(windows.start_s, windows.end_s).joined(reference)
    return np.where(known["trusted"], known["hr_bpm"], np.nan)


def _from_grid_point(
    recording: Recording, waveform: Waveform, step_s: float
) -> tuple[FloatArray, float, float]:
    """Cut a waveform at its first grid point; return values, rate and start on session time."""
    fs_hz = waveform.fs_hz / (1.0 + recording.clock_drift_ppm * 1e-6)
    begins_s = float(recording.session_s(np.array([waveform.start_s]))[0])
    start_s = step_s * float(np.ceil(begins_s / step_s - 1e-6))
    skip = round((start_s - begins_s) * fs_hz)
    return waveform.values[skip:], fs_hz, start_s


def _beside(
    band: Recording, role: Role, *, start_s: float, fs_hz: float, n: int, options: Options
) -> FloatArray | None:
    """Return the role's first waveform on the light's samples, ``(n, axes)``, NaN outside."""
    if not band.of_role(role):
        return None
    values, own_hz, own_start_s = _from_grid_point(band, band.of_role(role)[0], options.step_s)
    moved = resample(values, fs_hz=own_hz, to_hz=fs_hz)
    lead = round((own_start_s - start_s) * fs_hz)
    first, last = np.clip((lead, lead + moved.shape[0]), 0, n)
    result = np.full((n, moved.shape[1]), np.nan)
    result[first:last] = moved[first - lead : last - lead]
    return result


def _per_window(rate: RateSeries, band: Recording, windows: WindowTable) -> RateSeries:
    """Average a device's readings over every window that holds the middle of at least one."""
    usable = np.isfinite(rate.hr_bpm)
    middle_s = band.session_s((rate.start_s + rate.end_s)[usable] / 2.0)
    order = np.argsort(middle_s, kind="stable")
    total = np.concatenate(([0.0], np.cumsum(rate.hr_bpm[usable][order])))
    first, last = (
        np.searchsorted(middle_s[order], edge) for edge in (windows.start_s, windows.end_s)
    )
    held = np.where(last > first, last - first, np.nan)
    return RateSeries(
        source=DEVICE if len(band.rates) == 1 else f"{DEVICE} {rate.source}",
        start_s=windows.start_s,
        end_s=windows.end_s,
        hr_bpm=(total[last] - total[first]) / held,
        confidence=np.full(len(windows), np.nan),
        reason=np.where(last > first, "", "the device gave no value"),
    )


def _score(
    band: Recording,
    rate: RateSeries,
    reference: WindowTable,
    motion: WindowTable,
    options: Options,
) -> SourceResult:
    windows = score_windows(
        reference, rate, absolute_bpm=options.absolute_bpm, relative=options.relative
    )
    scored = scored_windows(windows)
    dose = None
    if "mad_g" in motion and np.isfinite(motion["mad_g"][scored]).sum() >= MIN_WINDOWS:
        dose = dose_response(
            motion["mad_g"][scored],
            np.abs(windows["error_bpm"][scored]),
            windows["activity"][scored],
            tolerance_bpm=float(np.median(windows["tolerance_bpm"][scored])),
            step_s=options.step_s,
        )
    middle_s = (windows.start_s + windows.end_s) / 2.0
    trusted_bpm = np.where(reference["trusted"], reference["hr_bpm"], np.nan)
    events = event_responses(
        heart_rate_events(middle_s, trusted_bpm), middle_s, trusted_bpm, windows["estimate_bpm"]
    )
    return SourceResult(band.name, rate.source, windows, errors_by_activity(windows), dose, events)


def _require_overlap(
    band: Recording,
    reference: WindowTable,
    tables: tuple[WindowTable, ...],
    sources: tuple[SourceResult, ...],
) -> None:
    measured = [s.windows["estimate_bpm"] for s in sources] + [
        column for table in tables for column in table.columns.values() if column.dtype.kind == "f"
    ]
    if not any(np.isfinite(column).any() for column in measured):
        raise InputError(
            f"recording {band.name!r} and the ECG share no usable window (the ECG covers "
            f"{reference.start_s[0]:g} to {reference.end_s[-1]:g} s of the session); check "
            "clock_offset_s and the start times"
        )
