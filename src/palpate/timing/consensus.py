"""The line of lag against time that a recording's segments agree on, held against chance.

Every segment of the recording gives a curve of evidence over all lags. Curves are added
along straight lines ``lag = offset + drift * time``; the best line wins. Unrelated
recordings also have a best line, so the sum is held against what chance gives: every
curve is shifted by its own random amount, which keeps each curve as it is and destroys
what they agree on. The largest sums of such draws follow an extreme-value law (Gumbel),
fitted by its moments, and the p-value multiplies with the number of drifts tried.

A pause of the device makes the lag jump. The segments are therefore split where two lines
explain them better than one, as long as each part stands the test by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from palpate.signals import BoolArray, FloatArray
from palpate.timing.curves import Curves, evidence

DRAWS = 40
"""Random draws for the chance level; a Gumbel law has two moments to fit (own choice)."""
SIGNIFICANT = 1e-5
"""A line this unlikely by chance is believed. Chance means unrelated recordings; two that
follow one plan of activities share a little more, hence the strictness (own choice)."""
MIN_SEGMENTS = 4
"""A consensus needs voters (own choice)."""
AMBIGUOUS = 0.75
"""A runner-up with this share of the winner's height above chance is as good (own choice)."""
MAX_RIVALS = 5
"""Alternatives to list; a periodic signal has one per period."""
DECIDED = 4.0
"""Standard errors by which segments must prefer the winner to a rival of about its height;
a few rivals are looked at, so more than the usual two or three (own choice)."""
_TAKEN = -1e9
_GUMBEL_MEAN = 0.5772156649
_SEED = 1  # fixed, so that the same recordings always get the same verdict


@dataclass(frozen=True, slots=True)
class Line:
    """The best line through segments ``[first, end)``.

    ``lag`` in samples at the mean of the segments' centres, ``slope`` in samples per
    sample, ``p_value`` by chance; ``decided`` and ``rivals`` as from `rivals_of`.
    """

    first: int
    end: int
    lag: float
    slope: float
    p_value: float
    decided: float
    rivals: tuple[float, ...]


def best_lines(curves: Curves, *, max_drift: float, same: int) -> list[Line]:
    """Return the lines that the segments agree on, in time order.

    Parameters
    ----------
    max_drift
        Largest drift to try, samples per sample.
    same
        Two parts whose lags differ by no more samples belong together.
    """
    strength = evidence(curves.values)
    rows = strength.shape[0]
    if rows < MIN_SEGMENTS or strength.shape[1] == 0:
        return []
    parts = _parts(strength, curves, max(same // curves.pooled, 1))
    return [_line(strength[a:b], curves, (a, b), max_drift) for a, b in parts]


def _line(strength: FloatArray, curves: Curves, part: tuple[int, int], max_drift: float) -> Line:
    centre = curves.first[part[0] : part[1]].astype(np.float64)
    centre = (centre - centre.mean()) / curves.pooled
    slopes = slopes_to_try(centre, max_drift)
    rows, slope, place = best_shear(strength, centre, slopes)
    chance = chance_of(strength, np.isfinite(curves.values[part[0] : part[1]]))
    decided, rivals = rivals_of(rows, place, base=chance.mean)
    return Line(
        *part,
        lag=curves.lag_of(place),
        slope=slope,
        p_value=chance.p_value(float(rows[:, place].sum()), tries=len(slopes)),
        decided=decided,
        rivals=tuple(curves.lag_of(column) for column in rivals),
    )


def slopes_to_try(centre: FloatArray, max_drift: float) -> FloatArray:
    """Return drifts up to ``max_drift``, so dense that no segment moves by over half a column."""
    reach = float(np.abs(centre).max())
    steps = int(np.ceil(max_drift * reach / 0.5)) if reach > 0 else 0
    return np.linspace(-max_drift, max_drift, 2 * steps + 1) if steps else np.zeros(1)


def best_shear(
    strength: FloatArray, centre: FloatArray, slopes: FloatArray
) -> tuple[FloatArray, float, int]:
    """Return the rows sheared by the slope with the highest sum, that slope, and the column."""
    lags = strength.shape[1]
    best, height = 0.0, -np.inf
    for slope in slopes:
        total = np.zeros(lags)
        for row, (to, taken) in zip(strength, _moves(slope * centre, lags), strict=True):
            total[to] += row[taken]
        if total.max() > height:
            best, height = float(slope), float(total.max())
    rows = np.zeros_like(strength)
    for target, row, (to, taken) in zip(rows, strength, _moves(best * centre, lags), strict=True):
        target[to] = row[taken]
    return rows, best, int(np.argmax(rows.sum(axis=0)))


def _moves(shift: FloatArray, lags: int) -> list[tuple[slice, slice]]:
    """Return per row where it goes and what of it, when it moves left by ``shift`` columns."""
    columns = np.clip(np.round(shift), -lags, lags).astype(np.intp).tolist()
    return [
        (slice(max(-by, 0), lags - max(by, 0)), slice(max(by, 0), lags - max(-by, 0)))
        for by in columns
    ]


@dataclass(frozen=True, slots=True)
class Chance:
    """The largest sum that unrelated curves reach: mean and standard deviation."""

    mean: float
    spread: float

    def p_value(self, height: float, *, tries: int) -> float:
        """Return how likely chance reaches ``height`` in ``tries`` looks (Gumbel law)."""
        scale = self.spread * np.sqrt(6.0) / np.pi
        reduced = (height - self.mean) / scale + _GUMBEL_MEAN
        return min(1.0, float(-np.expm1(-np.exp(-reduced))) * tries)


def chance_of(strength: FloatArray, valid: BoolArray) -> Chance:
    """Draw the largest sum of curves ``(k, lags)``, each shifted at random where ``valid``."""
    rng = np.random.default_rng(_SEED)
    spans = []
    for row, good in zip(strength, valid, strict=True):
        where = np.flatnonzero(good)
        if where.size:
            spans.append((int(where[0]), row[where[0] : where[-1] + 1]))
    largest = np.empty(DRAWS)
    for draw in range(DRAWS):
        total = np.zeros(strength.shape[1])
        for start, row in spans:
            cut = int(rng.integers(row.size))
            total[start : start + row.size - cut] += row[cut:]
            total[start + row.size - cut : start + row.size] += row[:cut]
        largest[draw] = total.max()
    tiny = np.finfo(np.float64).tiny
    return Chance(float(largest.mean()), max(float(largest.std(ddof=1)), tiny))


def rivals_of(rows: FloatArray, place: int, *, base: float) -> tuple[float, list[int]]:
    """Look for places that the segments like about as well as the winner.

    Parameters
    ----------
    rows
        Evidence ``(k, lags)`` with the drift taken out, so that a lag is a column.
    place
        The winner's column.
    base
        What a column sums to by chance.

    Returns
    -------
    decided
        0..1: how decided the segments are between the winner and its nearest rival; 1
        from `DECIDED` standard errors of their paired differences on, or without rival.
    rivals
        Columns that reach `AMBIGUOUS` of the winner's height above ``base`` and that the
        segments are not decided against.
    """
    total = rows.sum(axis=0)
    margin = float(total[place]) - base
    if margin <= 0:
        return 0.0, []
    share = (total - base) / margin
    decided, rivals, column = 1.0, [], place
    for _ in range(MAX_RIVALS):
        low, high = _foot(share, column)
        share[low:high] = _TAKEN
        column = int(np.argmax(share))
        if share[column] < AMBIGUOUS:
            break
        ahead = rows[:, place] - rows[:, column]
        error = float(ahead.std(ddof=1)) / np.sqrt(ahead.size)
        score = float(ahead.mean()) / max(error, np.finfo(np.float64).tiny)
        decided = min(decided, max(score, 0.0) / DECIDED)
        if score < DECIDED:
            rivals.append(column)
    return decided, rivals


def _foot(share: FloatArray, place: int) -> tuple[int, int]:
    """Return ``[low, high)`` around a peak: to the first trough below half its height."""
    half = 0.5 * float(share[place])
    edges = []
    for side in (share[place::-1], share[place:]):
        rises = np.flatnonzero((side[:-1] < half) & (side[1:] > side[:-1]))
        edges.append(int(rises[0]) + 1 if rises.size else side.size)
    return place - edges[0] + 1, place + edges[1]


def _parts(strength: FloatArray, curves: Curves, same: int) -> list[tuple[int, int]]:
    """Split the segments where two lags explain them better than one."""
    soft = ndimage.maximum_filter1d(strength, 2 * same + 1, axis=1)
    running = np.concatenate((np.zeros((1, soft.shape[1])), np.cumsum(soft, axis=0)))
    done: list[tuple[int, int]] = []
    todo = [(0, soft.shape[0])]
    while todo:
        a, b = todo.pop()
        cut = _cut(running, a, b)
        if cut is None or not _both_stand(strength, curves, running, (a, cut, b), same):
            done.append((a, b))
        else:
            todo += [(a, cut), (cut, b)]
    return sorted(done)


def _cut(running: FloatArray, a: int, b: int) -> int | None:
    cuts = range(a + MIN_SEGMENTS, b - MIN_SEGMENTS + 1)
    if len(cuts) == 0:
        return None
    gain = [float((running[c] - running[a]).max() + (running[b] - running[c]).max()) for c in cuts]
    return cuts[int(np.argmax(gain))]


def _both_stand(
    strength: FloatArray,
    curves: Curves,
    running: FloatArray,
    edges: tuple[int, int, int],
    same: int,
) -> bool:
    a, cut, b = edges
    left = int(np.argmax(running[cut] - running[a]))
    right = int(np.argmax(running[b] - running[cut]))
    if abs(left - right) <= 4 * same:
        return False
    return all(
        _line(strength[i:j], curves, (i, j), 0.0).p_value < SIGNIFICANT
        for i, j in ((a, cut), (cut, b))
    )
