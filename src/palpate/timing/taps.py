"""Clock from a deliberate tap pattern: both devices struck together a few times.

A tap is a burst of jerk that stands far out of the half minute around it. Taps no more
than `MAX_SPACING_S` apart form a group, and a group of `MIN_TAPS` to `MAX_TAPS` is a
pattern. Every pattern of one recording is laid on every pattern of the other; what counts
is how many taps meet one to one within `MEET_S`.

* Two patterns go together if every tap of the smaller one meets a tap of the other; from
  `MAY_MISS_FROM` taps on, one may fail to.
* If as many meet at more than one lag, as with evenly spaced taps of which one was
  missed, the verdict is *ambiguous*.
* Patterns whose lags agree are pooled, and the lag with most taps wins. Chance is judged as
  if spontaneous jolts were spaced at random between `MIN_SPACING_S` and `MAX_SPACING_S`:
  how likely is it that so many meet as closely as they did, anywhere?

A second pattern later in the recording gives the drift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

from palpate.conditioning import bridge_gaps, zero_phase
from palpate.signals import FloatArray
from palpate.timing.clock import MAX_DRIFT_PPM
from palpate.timing.lines import robust_line
from palpate.timing.records import ClockFit, Verdict, unknown
from palpate.timing.refinement import piece_of
from palpate.validation import InputError, checked_columns, checked_rate

METHOD = "taps"
MIN_RATE_HZ = 20.0
JERK_HZ = 5.0
"""Taps have their power above this, most deliberate movement below (own choice)."""
AROUND_S = 30.0
STANDS_OUT = 12.0
"""A tap's jerk over the median of the half minute around it; footfalls reach about half of
that (own choice)."""
TAP_WIDTH_S = 0.06
MIN_SPACING_S = 0.15
MAX_SPACING_S = 1.5
MIN_TAPS, MAX_TAPS = 3, 20
MAY_MISS_FROM = 5
MEET_S = 0.03
SIGNIFICANT = 1e-4
SHARED_ERROR_S = 0.002


@dataclass(frozen=True, slots=True, eq=False)
class _Meeting:
    """The taps of two patterns that met, and the other lags at which as many do."""

    reference_s: FloatArray
    recording_s: FloatArray
    rivals_s: tuple[float, ...]

    @property
    def lag_s(self) -> float:
        return float(np.median(self.reference_s - self.recording_s))


def align_taps(
    reference: FloatArray,
    recording: FloatArray,
    *,
    reference_fs_hz: float,
    fs_hz: float,
    reference_start_s: float = 0.0,
    start_s: float = 0.0,
    max_drift_ppm: float = MAX_DRIFT_PPM,
) -> ClockFit:
    """Fit the clock of one accelerometer to another's by tap patterns.

    Parameters
    ----------
    reference, recording
        ``(n, axes)`` and ``(m, axes)`` in any unit.
    reference_fs_hz, fs_hz
        Rates; at least `MIN_RATE_HZ`.
    reference_start_s, start_s
        Second of the first sample, each on its own clock.
    """
    theirs = patterns(find_taps(reference, fs_hz=reference_fs_hz, start_s=reference_start_s))
    ours = patterns(find_taps(recording, fs_hz=fs_hz, start_s=start_s))
    if not theirs or not ours:
        where = "the reference" if not theirs else "the recording"
        return unknown(METHOD, f"{where} holds no group of {MIN_TAPS} to {MAX_TAPS} taps")
    meetings = [m for a in theirs for b in ours if (m := _meeting(a, b)) is not None]
    if not meetings:
        return unknown(METHOD, "no two tap patterns go together")
    groups = _agreeing(meetings, max_drift_ppm * 1e-6)
    end_s = start_s + len(recording) / fs_hz
    return _judged(groups, len(theirs) * len(ours), (start_s, end_s))


def find_taps(acc: FloatArray, *, fs_hz: float, start_s: float = 0.0) -> FloatArray:
    """Return the second of every tap, ``(taps,)``: the centre of its burst of jerk."""
    values = checked_columns(acc, "acc")
    if checked_rate(fs_hz) < MIN_RATE_HZ:
        raise InputError(f"taps need an accelerometer of {MIN_RATE_HZ:g} Hz, not {fs_hz:g} Hz")
    if values.shape[0] == 0:
        return np.empty(0)
    filled, _ = bridge_gaps(values)
    sharp = zero_phase(filled, fs_hz=fs_hz, low_hz=JERK_HZ, order=2)
    power = np.square(sharp).sum(axis=1)
    width = max(round(TAP_WIDTH_S * fs_hz), 1)
    # No running sums: after one absurd sample they would hold nothing but its rounding.
    level = np.sqrt(ndimage.correlate1d(power, np.full(width, 1.0 / width)))
    usual = _usual(level, fs_hz)
    peaks, _ = signal.find_peaks(level, distance=max(round(MIN_SPACING_S * fs_hz), 1))
    peaks = peaks[level[peaks] > STANDS_OUT * usual[peaks]]
    reach = max(round(TAP_WIDTH_S * fs_hz), 2)
    index = np.clip(peaks[:, np.newaxis] + np.arange(-reach, reach + 1), 0, power.size - 1)
    centre = (index * power[index]).sum(axis=1) / power[index].sum(axis=1)
    return start_s + np.asarray(centre, dtype=np.float64) / fs_hz


def patterns(tap_s: FloatArray) -> list[FloatArray]:
    """Return the groups of taps that make a pattern."""
    cuts = np.flatnonzero(np.diff(tap_s) > MAX_SPACING_S) + 1
    return [group for group in np.split(tap_s, cuts) if MIN_TAPS <= group.size <= MAX_TAPS]


def _usual(level: FloatArray, fs_hz: float) -> FloatArray:
    """Return the median level of the half minute around each sample."""
    width = max(round(AROUND_S * fs_hz), 1)
    step = max(round(fs_hz), 1)
    centres = np.arange(0, level.size, step)
    medians = [
        float(np.median(level[max(at - width // 2, 0) : at + width // 2 + 1])) for at in centres
    ]
    least = np.finfo(np.float64).tiny
    return np.maximum(np.interp(np.arange(level.size), centres, medians), least)


def _meeting(reference_s: FloatArray, recording_s: FloatArray) -> _Meeting | None:
    """Lay one pattern on another at every pair of taps; None if too few of them meet."""
    pairs = [
        _met(reference_s, recording_s, float(at_s - own_s))
        for at_s in reference_s
        for own_s in recording_s
    ]
    most = max(own_s.size for _, own_s in pairs)
    smaller = min(reference_s.size, recording_s.size)
    if most < smaller - (smaller >= MAY_MISS_FROM):
        return None
    found = [pair for pair in pairs if pair[1].size == most]
    lags = [float(np.median(a - b)) for a, b in found]
    spread = [float(np.abs(a - b - lag).mean()) for (a, b), lag in zip(found, lags, strict=True)]
    best = int(np.argmin(spread))
    others = sorted({round(lag, 2) for lag in lags if abs(lag - lags[best]) > 2.0 * MEET_S})
    return _Meeting(*found[best], tuple(others))


def _met(a_s: FloatArray, b_s: FloatArray, lag_s: float) -> tuple[FloatArray, FloatArray]:
    """Return the taps of both that meet within `MEET_S` of the median lag near ``lag_s``."""
    nearest = np.abs(a_s[:, np.newaxis] - b_s - lag_s).argmin(axis=1)
    gap = a_s - b_s[nearest]
    near = np.abs(gap - lag_s) <= 2.0 * MEET_S
    if near.any():
        near &= np.abs(gap - np.median(gap[near])) <= MEET_S
    return a_s[near], b_s[nearest[near]]


def _agreeing(meetings: list[_Meeting], max_drift: float) -> list[list[_Meeting]]:
    """Return sets of meetings whose lags agree, the one with most taps first."""
    sets = []
    for one in meetings:
        near = [
            other
            for other in meetings
            if abs(other.lag_s - one.lag_s)
            <= MEET_S + max_drift * abs(other.recording_s[0] - one.recording_s[0])
        ]
        sets.append(near)
    return sorted(sets, key=_taps, reverse=True)


def _taps(meetings: list[_Meeting]) -> int:
    return sum(meeting.recording_s.size for meeting in meetings)


def _by_chance(meetings: list[_Meeting], pairs: int) -> float:
    """Return how likely it is that jolts spaced at random meet so closely at some lag.

    In each meeting one pair of taps sets the lag. Each further tap meets by chance with the share
    of the possible spacings that lie within twice the distance, to either side, at which the
    taps did meet. There are ``pairs`` pairs of patterns, and about the square of the count of
    taps as many lags to try in them (Bonferroni).
    """
    off_s = [
        np.abs(meeting.reference_s - meeting.recording_s - meeting.lag_s) for meeting in meetings
    ]
    closest_s = max(float(np.sqrt(np.mean(np.square(np.concatenate(off_s))))), SHARED_ERROR_S)
    meet = min(4.0 * closest_s / (MAX_SPACING_S - MIN_SPACING_S), 1.0)
    count = _taps(meetings)
    return float(min(1.0, pairs * count**2 * meet ** (count - len(meetings))))


def _judged(groups: list[list[_Meeting]], pairs: int, span_s: tuple[float, float]) -> ClockFit:
    best = groups[0]
    reference_s, recording_s = (
        np.concatenate([getattr(m, name) for m in best]) for name in ("reference_s", "recording_s")
    )
    lag_s = reference_s - recording_s
    p_value = _by_chance(best, pairs)
    if p_value >= SIGNIFICANT:
        return unknown(
            METHOD, f"{recording_s.size} taps met, which chance explains (p = {p_value:.2g})"
        )
    line = robust_line(recording_s, lag_s, np.ones(lag_s.size), least_spread_s=SHARED_ERROR_S)
    piece = piece_of(
        line, span_s, correlation=float("nan"), segments=lag_s.size, shared_error_s=SHARED_ERROR_S
    )
    rivals = [lag for meeting in best for lag in meeting.rivals_s]
    first = {id(meeting) for meeting in best}
    rivals += [
        m.lag_s
        for group in groups
        if _taps(group) == _taps(best)
        for m in group
        if id(m) not in first
    ]
    if rivals:
        listed = ", ".join(f"{lag:.2f}" for lag in (piece.middle_lag_s, *rivals[:3]))
        return ClockFit(
            METHOD,
            Verdict.AMBIGUOUS,
            f"the taps fit at several lags ({listed} s)",
            0.5 * (1.0 - p_value),
            (piece,),
            (piece.middle_lag_s, *rivals),
        )
    return ClockFit(METHOD, Verdict.KNOWN, "", 1.0 - p_value, (piece,))
