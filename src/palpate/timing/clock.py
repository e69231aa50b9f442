"""Find how one recording's clock relates to another's, from any feature that both carry.

Two views of each recording are compared. The *coarse* view is slow and tells moments apart
(how much was moved, how the heart rate went): it searches every lag, finds pauses, and
decides whether the recordings are related at all. The *fine* view is sharp and sets lag
and drift near what the coarse one found. See `consensus` and `refinement`.

What is refused
---------------
* fewer than `MIN_SEGMENTS` coarse segments, or none with anything to compare;
* a best line that chance explains (p at or above `SIGNIFICANT`); where the fine view can
  tell neighbouring lags apart, it is that view which must pass, and the coarse one only
  has to point (`CANDIDATE`);
* a runner-up about as good, as periodic signals have: the verdict is *ambiguous* and the
  other lags are listed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.timing.consensus import MIN_SEGMENTS, SIGNIFICANT, Line, best_lines
from palpate.timing.curves import Curves, correlation_curves
from palpate.timing.pauses import sharpened
from palpate.timing.records import ClockFit, Trace, Verdict, unknown
from palpate.timing.refinement import Refined, RoughLine, refine
from palpate.validation import InputError

MAX_DRIFT_PPM = 500.0
MAX_COARSE_SEGMENTS = 48
"""More voters than this cost time and add nothing to the verdict (own choice)."""
MAX_DRIFT_STEPS = 16
"""Drifts to try on either side; enough for half a sample each over an hour at 4 Hz."""
WANTED_SEGMENTS = 8
CANDIDATE = 0.2
"""A coarse line no likelier by chance is looked at where a sharp fine view must then stand
the strict test by itself (own choice)."""
LISTED = 4
"""Alternatives that a reason spells out."""


@dataclass(frozen=True, slots=True)
class Views:
    """The coarse and the fine feature of one recording."""

    coarse: Trace
    fine: Trace


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """How to compare one kind of feature.

    Parameters
    ----------
    coarse_segment_s, fine_segment_s
        Lengths of the stretches that are correlated.
    sharp
        Whether the fine view can tell lags within ``reach_s`` apart, and so must be more
        than chance by itself.
    least_segment_s
        Shortest coarse stretch; a short recording takes shorter ones, to have
        `WANTED_SEGMENTS` of them.
    reach_s
        How far the fine view looks around the coarse lag; two parts of a recording
        whose coarse lags differ by no more are one piece.
    """

    coarse_segment_s: float
    least_segment_s: float
    fine_segment_s: float
    reach_s: float
    sharp: bool


def fit_clock(
    reference: Views,
    recording: Views,
    *,
    method: str,
    rules: Rules,
    max_offset_s: float | None = None,
    max_drift_ppm: float = MAX_DRIFT_PPM,
) -> ClockFit:
    """Fit the clock of ``recording`` to that of ``reference``.

    Parameters
    ----------
    reference, recording
        Views whose coarse traces share a rate, and whose fine traces do.
    method
        What is compared, for the record.
    max_offset_s
        Largest ``|reference_s - recording_s|`` to consider; any if left out.
    max_drift_ppm
        Largest drift to consider.

    Returns
    -------
    ClockFit
        Refusals are verdicts with a reason, not errors.
    """
    if reference.coarse.fs_hz != recording.coarse.fs_hz:
        raise InputError("coarse views must share a rate; resample one of them")
    if reference.fine.fs_hz != recording.fine.fs_hz:
        raise InputError("fine views must share a rate; resample one of them")
    curves = _coarse_curves(
        reference.coarse,
        recording.coarse,
        rules,
        max_offset_s=max_offset_s,
        max_drift=max_drift_ppm * 1e-6,
    )
    needed_s = MIN_SEGMENTS * rules.least_segment_s
    if curves is None:
        return unknown(method, f"the recordings share too little; {needed_s:.0f} s are needed")
    voters = int(np.count_nonzero(np.isfinite(curves.values).any(axis=1)))
    if voters < MIN_SEGMENTS:
        return unknown(
            method, f"{voters} segments hold anything to compare; {MIN_SEGMENTS} are needed"
        )
    pair = _Pair(reference, recording, rules, curves)
    same = max(round(rules.reach_s * recording.coarse.fs_hz), 1)
    lines = best_lines(curves, max_drift=max_drift_ppm * 1e-6, same=same)
    believed = [
        line for line in lines if line.p_value < (CANDIDATE if rules.sharp else SIGNIFICANT)
    ]
    if not believed:
        p_value = min(line.p_value for line in lines)
        needed = CANDIDATE if rules.sharp else SIGNIFICANT
        return unknown(
            method,
            f"they share too little to be sure (p = {p_value:.2g}; below {needed:g} is needed)",
        )
    return _fitted(pair, believed, method)


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Two recordings, how to compare them, and the coarse curves."""

    reference: Views
    recording: Views
    rules: Rules
    curves: Curves

    def lag_s(self, lag: float) -> float:
        """Take a lag in coarse samples to seconds."""
        coarse = self.recording.coarse
        return lag / coarse.fs_hz + self.reference.coarse.start_s - coarse.start_s

    def span_s(self, line: Line) -> tuple[float, float]:
        """Return the recording seconds of a line's segments; lines meet between segments."""
        coarse, first = self.recording.coarse, self.curves.first
        end = first + self.curves.width
        low, high = 0.0, float(coarse.values.size)
        if line.first > 0:
            low = (end[line.first - 1] + first[line.first]) / 2.0
        if line.end < first.size:
            high = (end[line.end - 1] + first[line.end]) / 2.0
        return coarse.start_s + low / coarse.fs_hz, coarse.start_s + high / coarse.fs_hz

    def rough(self, line: Line) -> RoughLine:
        """Return what the coarse view knows of a line."""
        coarse = self.recording.coarse
        centre = self.curves.first[line.first : line.end] + self.curves.width / 2.0
        length_s = float(np.ptp(centre)) / coarse.fs_hz
        blur_s = (self.curves.pooled - 1) / coarse.fs_hz
        return RoughLine(
            at_s=coarse.start_s + float(centre.mean()) / coarse.fs_hz,
            lag_s=self.lag_s(line.lag),
            drift=line.slope,
            lag_reach_s=self.rules.reach_s + 1.5 * blur_s,
            drift_reach=(self.rules.reach_s + 3.0 * blur_s) / max(length_s, 1.0),
        )


def _coarse_curves(
    reference: Trace,
    recording: Trace,
    rules: Rules,
    *,
    max_offset_s: float | None,
    max_drift: float,
) -> Curves | None:
    """Correlate the coarse segments; None where either recording is too short.

    Lags are pooled over long recordings, so that a drift can be searched in few steps.
    """
    fs_hz = recording.fs_hz
    shorter_s = min(reference.duration_s, recording.duration_s)
    segment_s = np.clip(shorter_s / WANTED_SEGMENTS, rules.least_segment_s, rules.coarse_segment_s)
    width = round(float(segment_s) * fs_hz)
    count = min(recording.values.size // width, MAX_COARSE_SEGMENTS)
    if count < MIN_SEGMENTS or reference.values.size < MIN_SEGMENTS * width:
        return None
    first = np.linspace(0, recording.values.size - width, count).astype(np.intp)
    lags = (-int(first[-1]), reference.values.size - width)
    if max_offset_s is not None:
        shift = (recording.start_s - reference.start_s) * fs_hz
        reach = max_offset_s * fs_hz
        lags = max(lags[0], int(np.ceil(shift - reach))), min(lags[1], int(np.floor(shift + reach)))
    if lags[1] < lags[0]:
        return None
    moved = max_drift * recording.values.size / 2.0
    pooled = max(int(np.ceil(moved / (0.5 * MAX_DRIFT_STEPS))), 1)
    return correlation_curves(
        reference.values, recording.values, first=first, width=width, lags=lags, pooled=pooled
    )


def _fitted(pair: _Pair, lines: list[Line], method: str) -> ClockFit:
    """Refine believed lines and put the verdict together."""
    refined: list[Refined] = []
    alternatives: list[float] = []
    decided, p_value = 1.0, 0.0
    for line in lines:
        found = refine(
            pair.reference.fine,
            pair.recording.fine,
            pair.rough(line),
            pair.span_s(line),
            segment_s=pair.rules.fine_segment_s,
        )
        if found is None or (pair.rules.sharp and found.p_value >= SIGNIFICANT):
            continue
        refined.append(found)
        decided = min(decided, line.decided, found.decided)
        p_value = max(p_value, found.p_value if pair.rules.sharp else line.p_value)
        if line.rivals:
            alternatives += [pair.lag_s(lag) for lag in (line.lag, *line.rivals)]
        if found.rivals_s:
            alternatives += [found.piece.middle_lag_s, *found.rivals_s]
    if not refined:
        return unknown(method, "they may go together, but nothing sets the lag sharply")
    pieces = sharpened(
        pair.reference.fine,
        pair.recording.fine,
        [found.piece for found in refined],
        around_s=pair.rules.coarse_segment_s,
    )
    confidence = (1.0 - p_value) * decided
    verdict, reason = Verdict.KNOWN, ""
    if alternatives:
        listed = ", ".join(f"{lag:.2f}" for lag in alternatives[:LISTED])
        verdict, reason = Verdict.AMBIGUOUS, f"several lags fit about as well ({listed} s)"
    return ClockFit(method, verdict, reason, confidence, tuple(pieces), tuple(alternatives))
