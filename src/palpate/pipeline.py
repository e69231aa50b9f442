"""Join the stages: a session in, per-window evidence and errors out.

Everything meets on one grid of windows in session seconds: window ``k`` is
``[k * step_s, k * step_s + window_s)``, for every whole window inside the ECG; the
module ``grid`` says how a recording gets there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from palpate.conditioning.statistics import MAX_MISSING_SHARE
from palpate.counterfactuals import (
    Counterfactuals,
    device_counterfactuals,
    light_counterfactuals,
)
from palpate.ecg import BeatReference, beat_reference
from palpate.evaluation.scoring import (
    errors_by_activity,
    score_windows,
    scored_windows,
    trusted_rate,
)
from palpate.explanation import (
    LightClock,
    OracleLight,
    WristSignals,
    causes_of,
    examine_band,
    oracle_split,
)
from palpate.explanation.budget import ErrorBudget
from palpate.explanation.dose_response import MIN_WINDOWS, DoseResponse, dose_response
from palpate.explanation.doubt import doubt, second_opinion
from palpate.explanation.events import EventResponse, event_responses, heart_rate_events
from palpate.explanation.variance import ErrorVariance, error_features, error_variance
from palpate.grid import (
    from_grid_point,
    readings_per_window,
    update_note,
    wrist_motion,
    wrist_signals,
)
from palpate.heartrate import METHODS, estimate
from palpate.motion import check_unit, vibration_label
from palpate.ppg import ppg_windows
from palpate.results import BandResult, Options, SessionResult, SourceResult, is_device
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
from palpate.validation import InputError, about

Progress = Callable[[Iterable[Recording]], Iterable[Recording]]


@dataclass(frozen=True, slots=True, eq=False)
class _Examined:
    """A band before its errors are explained: what was measured, and its scored sources."""

    recording: Recording
    motion: WindowTable
    light: WindowTable
    signals: WristSignals | None
    rates: dict[str, RateSeries]
    scored: dict[str, WindowTable]
    opinions: dict[str, FloatArray]
    vibration: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Heart:
    """The reference on the session's windows: what is found once and serves every source."""

    windows: WindowTable
    beat_time_s: FloatArray
    trusted_bpm: FloatArray
    step_s: float

    @classmethod
    def of(cls, reference: BeatReference, windows: WindowTable, step_s: float) -> _Heart:
        trusted_bpm = trusted_rate(windows)
        return cls(windows, reference.beats.time_s, trusted_bpm, step_s)


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
    values, fs_hz, start_s = from_grid_point(chest, ecg, options.step_s)
    span = {"start_s": start_s, "window_s": options.window_s, "step_s": options.step_s}
    with about("recording", chest.name):
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
    examined = [_examined_by_name(band, windows, options) for band in progress(bands)]
    heart = _Heart.of(reference, windows, options.step_s)
    results = tuple(_explained(one, examined, heart) for one in examined)
    return SessionResult(session, options, chest, reference, windows, results)


def _ecg_of(session: Session) -> tuple[Recording, Waveform]:
    for recording in session.recordings:
        for waveform in recording.of_role(Role.ECG):
            return recording, waveform
    raise InputError(
        f"session {session.title!r} has no channel with role 'ecg'; the beat reference needs one"
    )


def _examined_by_name(band: Recording, reference: WindowTable, options: Options) -> _Examined:
    """Examine a band; what is wrong with it is said with its name."""
    with about("recording", band.name):
        return _examine(band, reference, options)


def _examine(band: Recording, reference: WindowTable, options: Options) -> _Examined:
    motion = light = WindowTable(reference.start_s, reference.end_s)
    rates = [readings_per_window(rate, band, reference) for rate in band.rates]
    grid = {"window_s": options.window_s, "step_s": options.step_s}
    moved, signals = wrist_motion(band, **grid), wrist_signals(band, **grid)
    updates = (
        update_note(rate, band, found, step_s=options.step_s)
        for rate, found in zip(band.rates, rates, strict=True)
    )
    notes, vibration = [note for note in updates if note], ""
    if moved is not None:
        motion, sensor = motion.joined(moved), band.of_role(Role.ACC)[0]
        notes += _gravity_note(sensor) + _unread_note(band)
        vibration = vibration_label(sensor.fs_hz)
    if signals is not None:
        ppg, acc, span = signals.ppg, signals.acc, signals.span
        seen = ppg_windows(ppg, **span)
        light = light.joined(seen)
        rates += [estimate(ppg, acc, method=method, **span) for method in options.methods]
        notes += _unmeasured_note(seen, moved)
    scored = {
        rate.source: score_windows(
            reference, rate, absolute_bpm=options.absolute_bpm, relative=options.relative
        )
        for rate in rates
    }
    by_source = {rate.source: rate for rate in rates}
    opinions = _second_opinions(signals, scored, reference)
    _require_overlap(band, reference, [motion, light, *scored.values()])
    return _Examined(
        band, motion, light, signals, by_source, scored, opinions, vibration, tuple(notes)
    )


def _gravity_note(acc: Waveform) -> list[str]:
    """Say what gravity tells about the accelerometer, if that is doubtful."""
    told = check_unit(acc.values, fs_hz=acc.fs_hz, unit=acc.unit).finding
    return [f"{told[0].upper()}{told[1:]}."] if told else []


def _unread_note(band: Recording) -> list[str]:
    """Say which accelerometers beside the first are not read."""
    first, *others = (f"{waveform.name!r}" for waveform in band.of_role(Role.ACC))
    if not others:
        return []
    return [
        f"Motion is measured on {first} alone; {', '.join(others)} is not read. The axes of one "
        "sensor belong into one channel of the sheet."
    ]


def _unmeasured_note(light: WindowTable, moved: WindowTable | None) -> list[str]:
    """Say in how many windows of light nothing measures motion."""
    if moved is None:
        return [
            "There is no accelerometer; what is estimated rests on the light alone and is less "
            "sure."
        ]
    missing = WindowTable(light.start_s, light.end_s).joined(moved)["missing_share"]
    n_unmeasured = np.count_nonzero(~(missing <= MAX_MISSING_SHARE))
    if n_unmeasured == 0:
        return []
    return [
        f"The accelerometer is missing in {n_unmeasured} of {len(light)} windows with light; what "
        "is estimated there rests on the light alone and is less sure."
    ]


def _second_opinions(
    signals: WristSignals | None, scored: dict[str, WindowTable], reference: WindowTable
) -> dict[str, FloatArray]:
    """Return on the grid the rates that each source is held against, by estimator."""
    if signals is None:
        return {}
    grid = WindowTable(reference.start_s, reference.end_s)
    opinions = {}
    for method in {second_opinion(source) for source in scored}:
        if method in scored:
            opinions[method] = scored[method]["estimate_bpm"]
        else:
            rate = estimate(signals.ppg, signals.acc, method=method, **signals.span)
            found = WindowTable(rate.start_s, rate.end_s, {"hr_bpm": rate.hr_bpm})
            opinions[method] = grid.joined(found)["hr_bpm"]
    return opinions


def _doubt(
    source: str, scored: WindowTable, own: _Examined, light: OracleLight | None
) -> FloatArray:
    if light is None:
        return np.full(len(scored), np.nan)
    return doubt(
        scored,
        source=source,
        second_bpm=own.opinions[second_opinion(source)],
        at_estimate=light.at(light.windows.joined(scored)["estimate_bpm"]),
        light=own.light,
        motion=own.motion,
    )


def _explained(own: _Examined, everyone: Sequence[_Examined], heart: _Heart) -> BandResult:
    """Relate the errors of one band's sources to what happened to its light."""
    beats_s = heart.beat_time_s
    evidence = examine_band(heart.windows, [own.motion, own.light], beats_s, own.signals)
    sources = []
    for source, scored in own.scored.items():
        others = [
            table["estimate_bpm"]
            for other in everyone
            for table in other.scored.values()
            if table is not scored
        ]
        causes = causes_of(scored, evidence, heart.windows, beats_s, others_bpm=others)
        repaired = _repaired(source, own, heart, evidence.clock)
        believed_bpm = np.where(causes.ecg_wrong, np.nan, heart.trusted_bpm)
        sources.append(
            SourceResult(
                band=own.recording.name,
                source=source,
                windows=scored.with_columns(doubt=_doubt(source, scored, own, evidence.light)),
                by_activity=errors_by_activity(scored),
                dose=_dose(scored, own.motion, heart.step_s),
                events=_events(scored, believed_bpm),
                causes=causes,
                split=(
                    oracle_split(scored, evidence.oracle, causes.ecg_wrong) if own.signals else None
                ),
                budget=_budget(repaired),
                untried=repaired.untried if repaired else {},
                variance=_variance(scored, own, evidence.oracle, heart),
            )
        )
    return BandResult(
        own.recording,
        own.motion,
        own.light,
        evidence.oracle,
        tuple(sources),
        vibration=own.vibration,
        notes=own.notes,
    )


def _events(scored: WindowTable, believed_bpm: FloatArray) -> tuple[EventResponse, ...]:
    """Say what became of every rise and fall of the heart rate that the ECG is believed to show."""
    events = heart_rate_events(scored.middle_s, believed_bpm)
    return event_responses(events, scored.middle_s, believed_bpm, scored["estimate_bpm"])


def _dose(scored: WindowTable, motion: WindowTable, step_s: float) -> DoseResponse | None:
    used = scored_windows(scored)
    if "mad_g" not in motion or np.isfinite(motion["mad_g"][used]).sum() < MIN_WINDOWS:
        return None
    return dose_response(
        motion["mad_g"][used],
        np.abs(scored["error_bpm"][used]),
        scored["activity"][used],
        tolerance_bpm=float(np.median(scored["tolerance_bpm"][used])),
        step_s=step_s,
    )


def _variance(
    scored: WindowTable, own: _Examined, oracle: WindowTable, heart: _Heart
) -> ErrorVariance | None:
    error = np.where(scored_windows(scored), np.abs(scored["error_bpm"]), np.nan)
    features = error_features(own.motion, own.light, oracle, heart.trusted_bpm)
    try:
        return error_variance(error, features, scored["activity"], step_s=heart.step_s)
    except InputError:
        return None


def _repaired(
    source: str, own: _Examined, heart: _Heart, clock: LightClock
) -> Counterfactuals | None:
    """Run a source again under every set of repairs; None where none applies."""
    signals, estimate_bpm = own.signals, own.rates[source].hr_bpm
    if source in METHODS and signals is not None:
        return light_counterfactuals(
            heart.windows,
            signals.ppg,
            signals.acc,
            method=source,
            clock=clock,
            estimate_bpm=estimate_bpm,
            **signals.span,
        )
    if is_device(source):
        return device_counterfactuals(heart.windows, estimate_bpm, clock, step_s=heart.step_s)
    return None


def _budget(repaired: Counterfactuals | None) -> ErrorBudget | None:
    """Share the error out among repairs; None where too few windows can be repaired."""
    try:
        return repaired.budget() if repaired else None
    except InputError:
        return None


def _require_overlap(
    band: Recording, reference: WindowTable, tables: Sequence[WindowTable]
) -> None:
    measured = [
        column
        for table in tables
        for name, column in table.columns.items()
        if column.dtype.kind == "f" and name not in ("reference_bpm", "tolerance_bpm")
    ]
    if not any(np.isfinite(column).any() for column in measured):
        raise InputError(
            f"recording {band.name!r} and the ECG share no usable window (the ECG covers "
            f"{reference.start_s[0]:g} to {reference.end_s[-1]:g} s of the session); check "
            "clock_offset_s and the start times"
        )
