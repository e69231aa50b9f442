"""Pair reference beats with detected beats, one to one, in seconds.

Task
----
Given two sorted lists of times, decide which detection stands for which reference beat.

Policy
------
*Optimal one-to-one*: as many pairs as possible; among those, the least total distance;
a distance equal to the tolerance still counts. Respected implementations disagree on
small inputs, so the rule is written down here and tested case by case. For tables that
are to be compared with published ones use the sequential rule of
:mod:`palpate.evaluation.ec57` instead.

Method
------
On a line, two crossing pairs can always be uncrossed without adding distance or
breaking the tolerance, so the best matching keeps the order and dynamic programming over
a band finds it: for each reference beat only the detections within the tolerance are
looked at. The cost is linear in the number of beats plus the number of candidate pairs.

Conventions
-----------
Reference first; error = estimate − reference; a statistic without a denominator is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from palpate.signals import FloatArray, IntArray
from palpate.validation import InputError, checked_times

EC57_WINDOW_S = 0.15
# Times are sample numbers divided by a rate: a distance of exactly the tolerance may
# come out a few ulp above it. A nanosecond is far below any ECG's sampling interval.
_ROUNDING_S = 1e-9
# Longer tolerances than this mean that sample numbers were given for seconds.
_LARGEST_TOLERANCE_S = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class BeatMatch:
    """Which detection stands for which reference beat.

    Parameters
    ----------
    reference_index, estimate_index
        ``(n_matched,)`` positions in the two inputs, both increasing.
    error_s
        ``(n_matched,)`` estimate − reference, seconds.
    missed_index
        Reference beats without a detection.
    extra_index
        Detections without a reference beat.
    """

    reference_index: IntArray
    estimate_index: IntArray
    error_s: FloatArray
    missed_index: IntArray
    extra_index: IntArray

    @property
    def n_true_positive(self) -> int:
        """How many pairs there are."""
        return int(self.reference_index.size)

    @property
    def n_false_negative(self) -> int:
        """How many reference beats were missed."""
        return int(self.missed_index.size)

    @property
    def n_false_positive(self) -> int:
        """How many detections are extra."""
        return int(self.extra_index.size)

    @property
    def sensitivity(self) -> float:
        """TP / (TP + FN), 0..1; NaN without a reference beat."""
        return _share(self.n_true_positive, self.n_true_positive + self.n_false_negative)

    @property
    def positive_predictivity(self) -> float:
        """TP / (TP + FP), 0..1; NaN without a detection."""
        return _share(self.n_true_positive, self.n_true_positive + self.n_false_positive)

    @property
    def f1(self) -> float:
        """2 TP / (2 TP + FN + FP), 0..1; NaN if both inputs are empty."""
        twice = 2 * self.n_true_positive
        return _share(twice, twice + self.n_false_negative + self.n_false_positive)


def match_beats(
    reference_s: ArrayLike, estimate_s: ArrayLike, *, tolerance_s: float = EC57_WINDOW_S
) -> BeatMatch:
    """Match beats one to one: most pairs first, then the least total distance.

    Parameters
    ----------
    reference_s, estimate_s
        ``(n,)`` and ``(m,)`` seconds, each sorted; equal times are allowed.
    tolerance_s
        Largest distance of a pair, inclusive. 0.15 s is the window of ANSI/AAMI EC57.

    Returns
    -------
    BeatMatch
        Of equally good matchings, one in which the earlier beat or detection is paired.

    Raises
    ------
    InputError
        If times are not finite or not sorted, or the tolerance is not a number of
        seconds from 0 to 60.
    """
    reference = checked_times(reference_s, "reference_s")
    estimate = checked_times(estimate_s, "estimate_s")
    tolerance = float(tolerance_s)
    if not 0.0 <= tolerance <= _LARGEST_TOLERANCE_S:
        raise InputError(
            f"tolerance_s is {tolerance_s!r}; it is in seconds, from 0 to "
            f"{_LARGEST_TOLERANCE_S:g} (did you give it in samples or milliseconds?)"
        )
    reach = tolerance + _ROUNDING_S
    low = np.searchsorted(estimate, reference - reach, side="left")
    high = np.searchsorted(estimate, reference + reach, side="right")
    pairs = _best_pairs(reference, estimate, low, high)
    left, right = pairs[:, 0], pairs[:, 1]
    return BeatMatch(
        reference_index=left,
        estimate_index=right,
        error_s=estimate[right] - reference[left],
        missed_index=np.setdiff1d(np.arange(reference.size), left, assume_unique=True),
        extra_index=np.setdiff1d(np.arange(estimate.size), right, assume_unique=True),
    )


# How the best matching of one cell came about.
_SKIP_REFERENCE, _SKIP_ESTIMATE, _PAIR = range(3)


def _best_pairs(
    reference: FloatArray, estimate: FloatArray, low: IntArray, high: IntArray
) -> IntArray:
    """Return the best order-keeping pairs ``(n, 2)``; beat i may pair with low[i]..high[i]-1.

    Row i holds, for j = low[i]..high[i], the best (pairs, −distance) that the first i+1
    reference beats and the first j detections can reach. Beyond high[i] it stays the
    same, and no later row looks below low[i], because low and high never decrease.
    """
    detections, lows = estimate.tolist(), low.tolist()
    choices: list[list[int]] = []
    above, above_low = [(0, 0.0)], 0
    for beat, first, last in zip(reference.tolist(), lows, high.tolist(), strict=True):
        top = len(above) - 1
        best = above[min(first - above_low, top)]
        row, choice = [best], [_SKIP_REFERENCE]
        for j in range(first, last):
            count, distance = above[min(j - above_low, top)]
            pair = (count + 1, distance - abs(detections[j] - beat))
            without = above[min(j + 1 - above_low, top)]
            if pair > without and pair > best:
                best, made_by = pair, _PAIR
            elif best >= without:
                made_by = _SKIP_ESTIMATE
            else:
                best, made_by = without, _SKIP_REFERENCE
            row.append(best)
            choice.append(made_by)
        choices.append(choice)
        above, above_low = row, first
    return _traced_back(choices, lows, estimate.size)


def _traced_back(choices: list[list[int]], lows: list[int], n_estimates: int) -> IntArray:
    pairs = []
    j = n_estimates
    for i in range(len(choices) - 1, -1, -1):
        choice, first = choices[i], lows[i]
        j = min(j, first + len(choice) - 1)
        while choice[j - first] == _SKIP_ESTIMATE:
            j -= 1
        if choice[j - first] == _PAIR:
            j -= 1
            pairs.append((i, j))
    return np.array(pairs[::-1], dtype=np.intp).reshape(-1, 2)


def _share(part: int, whole: int) -> float:
    return part / whole if whole else float("nan")
