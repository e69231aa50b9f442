"""Line up a session's clocks: what each recording shares with the reference, and what it says.

The reference is the first recording with an ECG, else the first with anything to compare;
its clock is taken as the session sheet states it. Every other recording is first placed as
the sheet or its start time says, and then related to the reference (see
`palpate.timing.relating`), or, where the two share too little, to a recording that is
already lined up. A device's own heart rate is then described on the clock that was found,
or on the stated one where none was. A reading belongs to its stamp, as it does where
windows take it (`palpate.grid.readings_per_window`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from palpate.ecg import reference_beats
from palpate.ppg import detect_pulses
from palpate.signals import (
    Activity,
    FloatArray,
    RateSeries,
    Recording,
    Role,
    Session,
)
from palpate.timing import (
    Acceleration,
    ClockFit,
    ClockPiece,
    Coverage,
    Evidence,
    Latency,
    Verdict,
    best,
    coverage,
    latency,
    rate_of_beats,
    relate,
)
from palpate.timing.clock import MAX_DRIFT_PPM
from palpate.timing.heart_rates import METHOD as HEART_RATE
from palpate.validation import InputError, about

NEAR_S = 60.0
"""Clocks set by hand or by a phone are within a minute (common practice, no source)."""


@dataclass(frozen=True, slots=True, eq=False)
class DeviceRate:
    """A device's own heart rate: its latency, overall and per activity, and its coverage.

    ``latency`` is None where there is no beat reference or no clock.
    """

    source: str
    coverage: Coverage
    latency: Latency | None
    by_activity: dict[str, Latency]


@dataclass(frozen=True, slots=True, eq=False)
class Alignment:
    """One recording's clock against the session's.

    ``fits`` holds every way that was tried against recording ``against``, the sharpest
    first; ``clock`` is the one to use, None where the two share nothing.
    """

    recording: Recording
    against: str
    clock: ClockFit | None
    fits: tuple[ClockFit, ...]
    rates: tuple[DeviceRate, ...]

    @property
    def known(self) -> bool:
        """Whether the data say how this clock runs."""
        return self.clock is not None and self.clock.verdict is Verdict.KNOWN

    @property
    def delay_in_clock(self) -> bool:
        """Whether the device's own delay cannot be told from the clock in use."""
        by_rate = self.clock is not None and self.clock.method == HEART_RATE
        return self.known and by_rate and not self.recording.clock_known

    def session_s(self, recording_s: FloatArray) -> FloatArray:
        """Take recording seconds to session seconds by the best clock there is.

        A stated clock is preferred to one from heart rates, which takes delay for clock. The
        clock that was found runs on before what it was found from, and after; within a pause
        it is NaN.
        """
        by_rate = self.clock is not None and self.clock.method == HEART_RATE
        prefer_stated = by_rate and self.recording.clock_known
        if self.clock is None or not self.known or prefer_stated:
            return self.recording.session_s(recording_s)
        first, last = self.clock.pieces[0], self.clock.pieces[-1]
        return np.select(
            [recording_s < first.start_s, recording_s >= last.end_s],
            [first.to_reference(recording_s), last.to_reference(recording_s)],
            self.clock.reference_s(recording_s),
        )


@dataclass(frozen=True, slots=True, eq=False)
class SessionAlignment:
    """The reference recording's name, and an `Alignment` for every other recording."""

    reference: str
    alignments: tuple[Alignment, ...]


def align_session(
    session: Session,
    *,
    max_offset_s: float | None = None,
    max_drift_ppm: float = MAX_DRIFT_PPM,
) -> SessionAlignment:
    """Find every recording's clock and describe the devices' own heart rates.

    Parameters
    ----------
    session
        At least two recordings.
    max_offset_s
        Largest correction of a recording's placement to consider, s; any if left out.
    max_drift_ppm
        Largest drift to consider.

    Raises
    ------
    InputError
        If there are fewer than two recordings, or none has anything to compare.
    """
    if len(session.recordings) < 2:
        raise InputError(
            f"session {session.title!r} has one recording; lining up clocks takes two or more"
        )
    evidence = [_evidence_by_name(recording) for recording in session.recordings]
    first = _reference_of(session, evidence)
    reference = _on_session_clock(evidence[first], session.recordings[first])
    lined_up = [(session.recordings[first].name, reference)]
    alignments = []
    for recording, own in zip(session.recordings, evidence, strict=True):
        if recording is session.recordings[first]:
            continue
        placed = _on_session_clock(own, recording)
        against, fits = _related(placed, lined_up, max_offset_s, max_drift_ppm)
        fits = tuple(_from_recording_seconds(fit, recording) for fit in fits)
        found = Alignment(recording, against, best(fits), fits, ())
        rates = tuple(
            _described(rate, found, reference.beat_s, session.activities)
            for rate in recording.rates
        )
        alignments.append(replace(found, rates=rates))
        clock = found.clock
        if clock is not None and found.known and len(clock.pieces) == 1:
            set_right = replace(
                recording, clock_offset_s=clock.offset_s, clock_drift_ppm=clock.drift_ppm
            )
            lined_up.append((recording.name, _on_session_clock(own, set_right)))
    return SessionAlignment(session.recordings[first].name, tuple(alignments))


def evidence_of(recording: Recording) -> Evidence:
    """Return what a recording can be compared by, in recording seconds."""
    acc, ecg, light = (recording.of_role(role) for role in (Role.ACC, Role.ECG, Role.PPG))
    moved = beat_s = pulse_s = turned_pulse_s = None
    if acc:
        moved = Acceleration(acc[0].values, acc[0].fs_hz, acc[0].start_s)
    if ecg:
        beat_s = reference_beats(ecg[0].values, fs_hz=ecg[0].fs_hz, start_s=ecg[0].start_s)
    if light:
        values, fs_hz, start_s = light[0].values[:, 0], light[0].fs_hz, light[0].start_s
        pulse_s = start_s + detect_pulses(values, fs_hz=fs_hz)
        turned_pulse_s = start_s + detect_pulses(-values, fs_hz=fs_hz)
    rate = recording.rates[0] if recording.rates else None
    return Evidence(
        acceleration=moved,
        beat_s=beat_s,
        pulse_s=pulse_s,
        turned_pulse_s=turned_pulse_s,
        rate_s=None if rate is None else rate.start_s,
        rate_bpm=None if rate is None else rate.hr_bpm,
    )


def _evidence_by_name(recording: Recording) -> Evidence:
    with about("recording", recording.name):
        return evidence_of(recording)


def _reference_of(session: Session, evidence: list[Evidence]) -> int:
    for place, own in enumerate(evidence):
        if own.beat_s is not None:
            return place
    for place, own in enumerate(evidence):
        if own.acceleration is not None or own.rates() is not None:
            return place
    raise InputError(
        f"session {session.title!r} has no ECG, acceleration or heart rate to line clocks up by"
    )


def _on_session_clock(own: Evidence, recording: Recording) -> Evidence:
    """Return the evidence in session seconds by the recording's clock."""

    def in_session(recording_s: FloatArray | None) -> FloatArray | None:
        return None if recording_s is None else recording.session_s(recording_s)

    pace = 1.0 + recording.clock_drift_ppm * 1e-6
    moved = own.acceleration
    if moved is not None:
        start_s = moved.start_s * pace + recording.clock_offset_s
        moved = Acceleration(moved.values, moved.fs_hz / pace, start_s)
    return Evidence(
        acceleration=moved,
        beat_s=in_session(own.beat_s),
        pulse_s=in_session(own.pulse_s),
        turned_pulse_s=in_session(own.turned_pulse_s),
        rate_s=in_session(own.rate_s),
        rate_bpm=own.rate_bpm,
    )


def _from_recording_seconds(fit: ClockFit, recording: Recording) -> ClockFit:
    """Turn a correction of the placement into the whole clock of a recording."""
    placed_s, placed = recording.clock_offset_s, recording.clock_drift_ppm * 1e-6

    def whole(piece: ClockPiece) -> ClockPiece:
        moved_s = placed_s * (1.0 + piece.drift)
        low_s, high_s = piece.offset_interval_s
        low_ppm, high_ppm = piece.drift_interval_ppm
        return replace(
            piece,
            start_s=(piece.start_s - placed_s) / (1.0 + placed),
            end_s=(piece.end_s - placed_s) / (1.0 + placed),
            offset_s=piece.offset_s + moved_s,
            offset_interval_s=(low_s + moved_s, high_s + moved_s),
            drift_ppm=_joined_ppm(piece.drift_ppm, recording),
            drift_interval_ppm=(_joined_ppm(low_ppm, recording), _joined_ppm(high_ppm, recording)),
        )

    return replace(
        fit,
        pieces=tuple(whole(piece) for piece in fit.pieces),
        alternatives_s=tuple(lag + placed_s for lag in fit.alternatives_s),
    )


def _joined_ppm(drift_ppm: float, recording: Recording) -> float:
    """Return the drift of one clock run by another."""
    pace = (1.0 + drift_ppm * 1e-6) * (1.0 + recording.clock_drift_ppm * 1e-6)
    return (pace - 1.0) * 1e6


def _related(
    own: Evidence,
    lined_up: list[tuple[str, Evidence]],
    max_offset_s: float | None,
    max_drift_ppm: float,
) -> tuple[str, tuple[ClockFit, ...]]:
    """Relate to the reference, or to the first other recording that knows the clock.

    Fewer lags leave chance less room: what all lags do not tell, those near the placement
    may.
    """
    tried: list[tuple[str, tuple[ClockFit, ...]]] = []
    near_s = NEAR_S if max_offset_s is None else min(max_offset_s, NEAR_S)
    for (name, other), within_s in product(lined_up, (max_offset_s, near_s)):
        fits = relate(other, own, max_offset_s=within_s, max_drift_ppm=max_drift_ppm)
        if any(fit.verdict is Verdict.KNOWN and fit.method != HEART_RATE for fit in fits):
            return name, fits
        tried.append((name, fits))
    return max(tried, key=_says)


def _says(tried: tuple[str, tuple[ClockFit, ...]]) -> int:
    """Order attempts by what they say: nothing shared, something, or a clock."""
    return max((1 + (fit.verdict is Verdict.KNOWN) for fit in tried[1]), default=0)


def _described(
    rate: RateSeries,
    found: Alignment,
    beat_s: FloatArray | None,
    activities: tuple[Activity, ...],
) -> DeviceRate:
    """Describe a device's heart rate on the session's clock."""
    at_s = found.session_s(rate.start_s)
    order = np.argsort(at_s, kind="stable")[: np.count_nonzero(np.isfinite(at_s))]
    at_s, hr_bpm = at_s[order], rate.hr_bpm[order]
    reference = None if beat_s is None else rate_of_beats(beat_s)
    start_s, end_s = found.session_s(np.array(found.recording.span_s)).tolist()
    told = coverage(
        at_s,
        hr_bpm,
        start_s=start_s,
        end_s=end_s,
        reference_time_s=None if reference is None else reference[0],
        reference_bpm=None if reference is None else reference[1],
    )
    if reference is None or not (found.known or found.recording.clock_known):
        return DeviceRate(rate.source, told, None, {})
    by_activity = {
        activity.name: latency(
            *reference,
            at_s,
            hr_bpm,
            where=(at_s >= activity.start_s) & (at_s < activity.end_s),
        )
        for activity in activities
    }
    return DeviceRate(rate.source, told, latency(*reference, at_s, hr_bpm), by_activity)
