"""The sequence of candidates that best explains evidence and rhythm together.

Dynamic programming finds the subset of candidates with the largest sum of evidence and
rhythm terms, looking both ways in time, as beat trackers for music do (Ellis 2007, "Beat
tracking by dynamic programming", J New Music Res 36:51). All terms are log-likelihood
ratios: 0 is undecided, above 0 speaks for a beat.

A step of ``d`` seconds where the local interval is ``p`` earns
``log((1 - e) exp(-|x| / s) + e exp(-|x| / w))`` with ``x = log(d / p)``: intervals are
near the local one with the local spread ``s``, or, with probability ``e``, anything at all
(ectopic beats, pauses).

Deviations from Ellis 2007
--------------------------
* Interval and spread are local and come from beats that need no deciding, so that rhythm
  carries through noise and has little to say in atrial fibrillation.
* The score has a heavy tail, and counts for less the clearer the ECG is.
* A small candidate soon after a larger one is probably its T wave, and soon before one its
  P wave.
"""

from __future__ import annotations

from dataclasses import dataclass
from operator import add

import numpy as np
from scipy import ndimage

from palpate.ecg.qrs_energy import REFRACTORY_S
from palpate.signals import BoolArray, FloatArray, IntArray

_REACH = 5  # how many candidates back a step may come from
_IRREGULAR = 0.1  # e: one interval in ten follows no rhythm
_WIDE = 0.5  # w: a factor of 1.6 either way is common among irregular intervals
_SPREAD = (0.1, 0.4)  # s: sinus arrhythmia ... atrial fibrillation
_INTERVALS = 21  # of about 15 s; the median ignores up to ten odd ones
_DEVIATIONS = 31
_MIN_INTERVALS = 5
_MEDIAN_TO_SCALE = 1.44  # scale of a Laplace distribution over its median deviation, 1/ln 2
_START_RR_S = 0.8  # 75 bpm where no rhythm is known
_T_WAVE_S = 0.36  # T waves come this soon, P waves sooner
_UNEQUAL_RATIO = 1.5  # a beat this much larger than its close neighbour casts doubt on it
_UNEQUAL_DOUBT = (3.0, 1.5)  # per e-fold, and the most e-folds
_NEVER = -1e6
_CHUNK = 4096


@dataclass(frozen=True, slots=True, eq=False)
class Rhythm:
    """Local beat-to-beat interval in seconds and its relative spread, per candidate."""

    rr_s: FloatArray
    spread: FloatArray


def local_rhythm(candidate_s: FloatArray, beats: IntArray, certain: BoolArray) -> Rhythm:
    """Return the rhythm around every candidate, from intervals between certain beats.

    Parameters
    ----------
    candidate_s
        ``(n,)`` seconds.
    beats
        Which candidates seem to be beats, ``(b,)`` indices.
    certain
        ``(b,)`` whether each of them needs no deciding.
    """
    time_s = candidate_s[beats]
    sure = certain[1:] & certain[:-1]
    if np.count_nonzero(sure) < _MIN_INTERVALS:
        sure = np.ones_like(sure)
    rr_s = np.diff(time_s)[sure]
    if rr_s.size < _MIN_INTERVALS:
        flat = np.ones(candidate_s.size)
        return Rhythm(_START_RR_S * flat, _SPREAD[1] * flat)
    middle_s = (0.5 * (time_s[1:] + time_s[:-1]))[sure]
    local_s = ndimage.median_filter(rr_s, _INTERVALS)
    deviation = ndimage.median_filter(np.abs(np.log(rr_s / local_s)), _DEVIATIONS)
    return Rhythm(
        np.interp(candidate_s, middle_s, local_s),
        np.clip(np.interp(candidate_s, middle_s, _MEDIAN_TO_SCALE * deviation), *_SPREAD),
    )


def best_path(
    candidate_s: FloatArray,
    evidence: FloatArray,
    strength: FloatArray,
    rhythm: Rhythm,
    *,
    rhythm_weight: FloatArray,
    settled: BoolArray,
) -> IntArray:
    """Return the indices of the candidates that are beats, sorted.

    All arguments are per candidate ``(n,)``; ``evidence`` is the log-likelihood ratio of a
    beat by itself, ``rhythm_weight`` says how far to follow the rhythm, and a ``settled``
    candidate is never left out, which spares looking past it.
    """
    n, passed = candidate_s.size, np.flatnonzero(settled)
    first, last = (int(passed[0]), int(passed[-1])) if passed.size else (n, 0)
    reach = _reach(settled)
    previous: dict[int, int] = {}
    total = [0.0] * n  # of a path since it last passed a settled candidate
    undecided = np.flatnonzero(~settled | (reach != 1) | (np.arange(n) <= first))
    for start in range(0, undecided.size, _CHUNK):
        rows = undecided[start : start + _CHUNK]
        steps = _step_scores(candidate_s, strength, rhythm, rhythm_weight, rows).ravel().tolist()
        known = evidence[rows].tolist(), reach[rows].tolist(), (~settled[rows]).tolist()
        ends = range(_REACH, len(steps) + 1, _REACH)  # of each row's steps
        for i, end, gain, back, open_ in zip(rows.tolist(), ends, *known, strict=True):
            scores = list(map(add, total[i - back : i], steps[end - back : end]))
            best = max(scores, default=0.0)
            if i <= first and i == back and best <= 0.0:
                best = 0.0  # the path may start here
            else:
                previous[i] = i - back + scores.index(best)
            total[i] = best + gain if open_ else 0.0
    return _traced(settled, previous, total, max(last, n - _REACH))


def _reach(settled: BoolArray) -> IntArray:
    """Return per candidate how many of those before it a step may come from."""
    index = np.arange(settled.size)
    last = np.maximum.accumulate(np.where(settled, index, -1))
    before = np.concatenate(([-1], last[:-1]))
    since = np.where(before >= 0, index - before, index)
    return np.minimum(since, _REACH)


def _step_scores(
    candidate_s: FloatArray,
    strength: FloatArray,
    rhythm: Rhythm,
    rhythm_weight: FloatArray,
    rows: IntArray,
) -> FloatArray:
    """Return the rhythm term from each of the ``_REACH`` candidates before, ``(rows, reach)``."""
    before = rows[:, np.newaxis] - np.arange(_REACH, 0, -1)
    before = np.maximum(before, 0)
    step_s = candidate_s[rows, np.newaxis] - candidate_s[before]
    off = np.abs(np.log(np.maximum(step_s, 1e-3) / rhythm.rr_s[rows, np.newaxis]))
    regular = (1.0 - _IRREGULAR) * np.exp(-off / rhythm.spread[rows, np.newaxis])
    score = np.log(regular + _IRREGULAR * np.exp(-off / _WIDE))
    score *= rhythm_weight[rows, np.newaxis]
    unequal = np.abs(np.log(strength[before] / strength[rows, np.newaxis]))
    doubt, most = _UNEQUAL_DOUBT
    excess = np.clip(unequal - np.log(_UNEQUAL_RATIO), 0.0, most)
    score -= np.where(step_s < _T_WAVE_S, doubt * excess, 0.0)
    score[step_s < REFRACTORY_S] = _NEVER
    return np.asarray(score)


def _traced(
    settled: BoolArray, previous: dict[int, int], total: list[float], first: int
) -> IntArray:
    """Return the path that ends with the largest total from ``first`` on.

    Every settled candidate is on it; ``previous`` holds the step to all others and to those
    that do not follow a settled one.
    """
    passed = settled.copy()
    if total:
        passed[max(range(max(first, 0), len(total)), key=total.__getitem__)] = True
    for at, before in reversed(previous.items()):
        if passed[at]:
            passed[before] = True
    return np.flatnonzero(passed)
