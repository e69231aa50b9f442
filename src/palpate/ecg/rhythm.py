"""Beats from rhythm and shape: the path through two detectors' marks that fits best.

Where two detectors of different principle mark the same beats, those stand. Where they
differ, the signal is noisy or the rhythm unusual, and the marks of either, with every other
place that looks like the record's own QRS complex, are candidates. A place that looks
strikingly like one and that neither marks makes a difference of its own. Dynamic
programming finds the sequence that collects most evidence at the least violence to the
rhythm, looking both ways in time, as beat trackers for music do (Ellis 2007, "Beat tracking
by dynamic programming", J New Music Res 36:51).

The evidence for a candidate is its resemblance to the median complex of its neighbourhood,
plus the detectors' votes, which weigh as much as the detectors agree around there (bSQI;
Li, Mark & Clifford 2008, Physiol Meas 29:15), the first detector's a little in any case. A
step of ``d`` seconds where the local period is ``p`` costs
``log(d / p)**2 / (2 * spread**2)`` up to a limit.

Conventions
-----------
* Times are seconds from the first sample; chosen beats are aligned on their median complex.

Deviations from Ellis 2007
--------------------------
* The period is local, from the autocorrelation of the resemblance, tracked through the
  record; the paper takes one tempo for the whole piece.
* The spread widens with the irregularity that undisputed beats show, so that in atrial
  fibrillation the rhythm has little to say, and the cost of a step is limited, so that an
  ectopic beat or a pause survives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from palpate.conditioning.statistics import MAD_TO_SD
from palpate.ecg.agreement import marked_near, shared_beats
from palpate.ecg.morphology import Resemblance, resemblance_to_beats
from palpate.ecg.qrs_energy import REFRACTORY_S
from palpate.signals import BoolArray, FloatArray, IntArray

_PERIOD_RANGE_S = (0.25, 2.0)  # 240 to 30 bpm
_PERIOD_BINS = 90  # 2.3 % apart
_PERIOD_WINDOW_S = 8.0
_PERIOD_STEP_S = 2.0
_PERIOD_BLUR_S = 0.04
_PERIOD_CHANGE_COST = 4.0  # per unit of log period and step
_CHUNK = 1024

# Own choices, on wide plateaus: halved or doubled one at a time, they move the trusted share
# of the exercise recordings in scripts/benchmark_reference.py by about 1 % at most.
_AGREEMENT_SPAN_S = 4.0
_CHANCE_AGREEMENT = 0.5
_STRIKING = 0.85  # as much like a complex as complexes are: outweighs two silent detectors
_SHAPE_GAIN = 3.0
_NO_SHAPE = 0.5
_VOTE = 1.0
_FIRST_SAYS = 0.5
_RHYTHM_SPREAD = 0.18
_SPREAD_PER_IRREGULARITY = 2.0
_IRREGULARITY_STEPS = 31
_STEP_COST_LIMIT = 1.5
_SETTLED = 10.0  # more than any detour could save


@dataclass(frozen=True, slots=True, eq=False)
class RhythmPath:
    """The chosen beats and what spoke for them, each ``(n,)``.

    ``votes`` counts the detectors that mark the beat, ``resemblance`` is the correlation
    with the local median complex, ``period_s`` the local period of the rhythm.
    ``left_out_s`` are the places that look strikingly like a complex and are none of these.
    """

    time_s: FloatArray
    votes: IntArray
    resemblance: FloatArray
    period_s: FloatArray
    left_out_s: FloatArray


def rhythm_path(
    leads: FloatArray, first_s: FloatArray, second_s: FloatArray, *, fs_hz: float
) -> RhythmPath:
    """Settle two detectors' differences over ``leads (n, k)`` by shape and rhythm.

    Parameters
    ----------
    leads
        ``(n, k)``; non-finite samples are missing and resemble nothing.
    first_s, second_s
        Sorted marks of the two detectors, seconds from the first sample. Where both mark
        a beat, the time is the first detector's.
    """
    resemblance = resemblance_to_beats(leads, first_s, fs_hz=fs_hz)
    centres_s, period_s = _local_period(resemblance)
    marks = np.sort(np.concatenate((first_s, second_s[~marked_near(second_s, first_s)])))
    unmarked = resemblance.peaks_s()
    unmarked = unmarked[~marked_near(unmarked, marks)]
    striking = unmarked[resemblance.near(unmarked) > _STRIKING]
    rivals = np.sort(np.concatenate((second_s, striking)))
    extra = unmarked[_agreement(first_s, rivals, unmarked) < 1.0]
    time_s = np.sort(np.concatenate((marks, extra)))
    if time_s.size == 0:
        return RhythmPath(time_s, np.zeros(0, dtype=np.intp), time_s, time_s, time_s)
    both = marked_near(first_s, second_s)
    votes = np.isin(time_s, marks).astype(np.intp) + np.isin(time_s, first_s[both])
    shape = resemblance.near(time_s)
    period = np.interp(time_s, centres_s, period_s)
    agreed = _agreement(first_s, rivals, time_s)
    evidence = _evidence(shape, votes, np.isin(time_s, first_s), agreed)
    spread = _rhythm_spread(first_s, both, time_s)
    chosen = _best_path(time_s, evidence, period, 0.5 / spread**2)
    left_out_s = striking[~np.isin(striking, time_s[chosen])]
    aligned_s = resemblance.aligned(time_s[chosen])
    return RhythmPath(aligned_s, votes[chosen], shape[chosen], period[chosen], left_out_s)


def _evidence(
    shape: FloatArray, votes: IntArray, by_first: BoolArray, agreed: FloatArray
) -> FloatArray:
    """What speaks for each candidate but the rhythm; 0 is undecided."""
    weight = _VOTE * np.clip((agreed - _CHANCE_AGREEMENT) / (1.0 - _CHANCE_AGREEMENT), 0.0, 1.0)
    evidence = _SHAPE_GAIN * (shape - _NO_SHAPE) + weight * (votes - 1)
    evidence += np.where(by_first, _FIRST_SAYS, -_FIRST_SAYS)
    evidence[(votes == 2) & (agreed == 1.0)] = _SETTLED
    return evidence


def _agreement(first_s: FloatArray, second_s: FloatArray, at_s: FloatArray) -> FloatArray:
    """Share of beats around each time that both detectors mark; 1 where both mark none."""
    around = shared_beats(first_s, second_s, at_s - _AGREEMENT_SPAN_S, at_s + _AGREEMENT_SPAN_S)
    return np.nan_to_num(around, nan=1.0)


def _local_period(resemblance: Resemblance) -> tuple[FloatArray, FloatArray]:
    """Return window centres in seconds and the period of the rhythm in each, both ``(m,)``.

    A period shows as a peak of the autocorrelation at itself and at its double, and none
    at its half; the most consistent sequence through the record is taken (Viterbi).
    """
    values, rate = resemblance.values, resemblance.fs_hz
    lags = np.geomspace(*_PERIOD_RANGE_S, _PERIOD_BINS) * rate
    width = round(_PERIOD_WINDOW_S * rate)
    sharp = ndimage.gaussian_filter1d(values**2, _PERIOD_BLUR_S * rate)
    padded = np.pad(sharp, (width // 2, width))
    centres = np.arange(0, max(values.size, 1), round(_PERIOD_STEP_S * rate))
    support = np.empty((centres.size, lags.size))
    place, half = np.round(lags).astype(np.intp), np.round(lags / 2.0).astype(np.intp)
    halved = lags / 2.0 >= lags[0]
    for chunk in range(0, centres.size, _CHUNK):
        rows = slice(chunk, chunk + _CHUNK)
        windows = padded[centres[rows, np.newaxis] + np.arange(width)]
        windows = windows - windows.mean(axis=1, keepdims=True)
        power = np.abs(fft.rfft(windows, 2 * width, axis=1)) ** 2
        correlation = fft.irfft(power, 2 * width, axis=1)
        correlation /= np.maximum(correlation[:, :1], np.finfo(np.float64).tiny)
        below = np.where(halved, np.maximum(correlation[:, half], 0.0), 0.0)
        support[rows] = correlation[:, place] + 0.5 * correlation[:, 2 * place] - 0.5 * below
    return centres / rate, lags[_smooth_track(support, np.log(lags))] / rate


def _smooth_track(support: FloatArray, position: FloatArray) -> IntArray:
    """Return the column per row that gathers most support for little change of position."""
    cost = _PERIOD_CHANGE_COST * np.abs(position[:, np.newaxis] - position)
    columns = np.arange(position.size)
    came_from = np.zeros(support.shape, dtype=np.intp)
    gathered = support[0].copy()
    for row in range(1, support.shape[0]):
        reach = gathered - cost
        came_from[row] = np.argmax(reach, axis=1)
        gathered = support[row] + reach[columns, came_from[row]]
    track = np.empty(support.shape[0], dtype=np.intp)
    track[-1] = np.argmax(gathered)
    for row in range(support.shape[0] - 1, 0, -1):
        track[row - 1] = came_from[row, track[row]]
    return track


def _rhythm_spread(first_s: FloatArray, both: BoolArray, at_s: FloatArray) -> FloatArray:
    """Spread of log steps around the period, from beats that both detectors mark."""
    undisputed = both[:-2] & both[1:-1] & both[2:]
    change = np.abs(np.diff(np.log(np.maximum(np.diff(first_s), 1e-3))))[undisputed]
    if change.size == 0:
        return np.full(at_s.shape, _RHYTHM_SPREAD)
    irregularity = MAD_TO_SD * ndimage.median_filter(change, _IRREGULARITY_STEPS, mode="nearest")
    local = np.interp(at_s, first_s[1:-1][undisputed], irregularity)
    return np.maximum(_RHYTHM_SPREAD, _SPREAD_PER_IRREGULARITY * local)


def _best_path(
    time_s: FloatArray, evidence: FloatArray, period_s: FloatArray, stiffness: FloatArray
) -> IntArray:
    """Return the candidates of the sequence with most evidence less step costs."""
    reach_s = period_s * np.exp(np.sqrt(_STEP_COST_LIMIT / stiffness))
    near = np.searchsorted(time_s, time_s - reach_s)
    last = np.searchsorted(time_s, time_s - REFRACTORY_S, side="right")
    gathered = evidence.copy()
    before = np.full(time_s.size, -1, dtype=np.intp)
    leader = np.full(time_s.size + 1, -1, dtype=np.intp)  # best end of path before each one
    for i in range(time_s.size):
        low, high = near[i], last[i]
        # Every step from before `low` costs the limit, so only the leader there matters.
        options = [(gathered[leader[low]] - _STEP_COST_LIMIT, leader[low])] if low > 0 else []
        if high > low:
            steps = np.log((time_s[i] - time_s[low:high]) / period_s[i])
            worth = gathered[low:high] - np.minimum(stiffness[i] * steps**2, _STEP_COST_LIMIT)
            best = int(np.argmax(worth))
            options.append((worth[best], low + best))
        worth_best, index = max(options, default=(0.0, -1))
        if worth_best > 0.0:  # else the path begins here
            gathered[i] += worth_best
            before[i] = index
        ahead = leader[i]
        leader[i + 1] = i if ahead < 0 or gathered[i] >= gathered[ahead] else ahead
    path = [int(leader[-1])]
    while before[path[-1]] >= 0:
        path.append(int(before[path[-1]]))
    return np.array(path[::-1], dtype=np.intp)
