"""Concordance and intraclass correlation: whether two methods give the same number.

Conventions
-----------
Pairs or rows must be finite; undefined results are NaN.

Sources
-------
Lin 1989, Biometrics 45:255, with the variance as corrected in Lin 2000, Biometrics
56:324. Intraclass correlation: Shrout & Fleiss 1979, Psychol Bull 86:420; intervals:
McGraw & Wong 1996, Psychol Methods 1:30.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from palpate.validation import InputError, checked_signal

_NO_SPREAD = 1e-60  # fourth powers of less vanish, and of what is divided by it overflow
_MIN_PAIRS = 3  # the variance of the coefficient divides by n − 2


@dataclass(frozen=True, slots=True)
class Concordance:
    """Lin's concordance correlation and what it is made of.

    ``ccc`` = ``pearson_r`` × ``bias_correction``; ``ccc_low`` and ``ccc_high`` bound it.
    ``scale_shift`` is SD(estimate) / SD(reference); ``location_shift`` is the mean error
    over the geometric mean of the two SDs. All SDs divide by n.
    """

    ccc: float
    ccc_low: float
    ccc_high: float
    pearson_r: float
    bias_correction: float
    scale_shift: float
    location_shift: float


def concordance(
    reference: ArrayLike, estimate: ArrayLike, *, confidence: float = 0.95
) -> Concordance:
    """Return Lin's concordance correlation of ``(n,)`` pairs with its interval.

    The interval is Lin's, through the inverse hyperbolic tangent, and takes the pairs
    for independent.
    """
    x, y = (checked_signal(side, "a side of the pairs") for side in (reference, estimate))
    nan = float("nan")
    if x.size < 2 or x.size != y.size or np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
        return Concordance(nan, nan, nan, nan, nan, nan, nan)
    sd_x, sd_y = float(x.std()), float(y.std())
    if min(sd_x, sd_y) < _NO_SPREAD:
        return Concordance(nan, nan, nan, nan, nan, nan, nan)
    shift = float(y.mean() - x.mean())
    covariance = float(np.mean((x - x.mean()) * (y - y.mean())))
    ccc = 2.0 * covariance / (sd_x**2 + sd_y**2 + shift**2)
    r = float(np.clip(covariance / (sd_x * sd_y), -1.0, 1.0))
    location = shift / np.sqrt(sd_x * sd_y)
    low, high = _lin_interval(ccc, r, location, x.size, confidence)
    return Concordance(
        ccc=ccc,
        ccc_low=low,
        ccc_high=high,
        pearson_r=r,
        bias_correction=ccc / r if r else nan,
        scale_shift=sd_y / sd_x,
        location_shift=float(location),
    )


def _lin_interval(
    ccc: float, r: float, location: float, n: int, confidence: float
) -> tuple[float, float]:
    if n < _MIN_PAIRS or r == 0.0 or abs(ccc) >= 1.0:
        return float("nan"), float("nan")
    squared = ccc**2
    variance = (
        (1.0 - r**2) * squared * (1.0 - squared) / r**2
        + 2.0 * ccc**3 * (1.0 - ccc) * location**2 / r
        - ccc**4 * location**4 / (2.0 * r**2)
    ) / (n - 2)
    half = stats.norm.ppf(0.5 + confidence / 2.0) * np.sqrt(max(variance, 0.0)) / (1.0 - squared)
    low, high = np.tanh(np.arctanh(ccc) + np.array([-half, half]))
    return float(low), float(high)


@dataclass(frozen=True, slots=True)
class IntraclassCorrelation:
    """One coefficient in Shrout & Fleiss's notation, its F test and its interval."""

    form: str
    icc: float
    low: float
    high: float
    f: float
    df1: int
    df2: int
    p: float


def intraclass_correlations(
    scores: ArrayLike, *, confidence: float = 0.95
) -> dict[str, IntraclassCorrelation]:
    """Return the six coefficients of ``scores (targets, raters)``, keyed ``"ICC(1,1)"`` etc.

    Forms 1: each target has other raters; 2: raters are a random sample; 3: the raters
    are the only ones of interest. ``(·,1)`` is for one rater, ``(·,k)`` for the mean.
    Two methods on the same windows are form 2 if absolute agreement matters.

    Raises
    ------
    InputError
        If there are fewer than two targets or raters, or a score is not finite.
    """
    table = np.asarray(scores, dtype=np.float64)
    if table.ndim != 2 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise InputError(
            f"scores have shape {table.shape}; they must be finite, (targets, raters), 2 of "
            "each at least"
        )
    n, k = table.shape
    within = float(np.mean(np.var(table, axis=1, ddof=1)))
    raters = float(n * np.var(table.mean(axis=0), ddof=1))
    squares = _MeanSquares(
        targets=float(k * np.var(table.mean(axis=1), ddof=1)),
        within=within,
        raters=raters,
        error=(n * within - raters) / (n - 1),
        n=n,
        k=k,
    )
    singles = (form(squares, confidence) for form in (_one_way, _two_way_random, _two_way_fixed))
    return {form.form: form for one in singles for form in (one, _of_the_mean(one, k))}


class _MeanSquares(NamedTuple):
    """Two-way analysis of variance of ``n`` targets by ``k`` raters."""

    targets: float
    within: float
    raters: float
    error: float
    n: int
    k: int


def _one_way(of: _MeanSquares, confidence: float) -> IntraclassCorrelation:
    df1, df2 = of.n - 1, of.n * (of.k - 1)
    return _from_f("ICC(1,1)", of, of.within, (df1, df2), confidence)


def _two_way_fixed(of: _MeanSquares, confidence: float) -> IntraclassCorrelation:
    df1, df2 = of.n - 1, (of.n - 1) * (of.k - 1)
    return _from_f("ICC(3,1)", of, of.error, (df1, df2), confidence)


def _from_f(
    form: str, of: _MeanSquares, noise: float, df: tuple[int, int], confidence: float
) -> IntraclassCorrelation:
    """Return the coefficient whose interval follows from its F ratio alone."""
    f = _ratio(of.targets, noise)
    icc = _ratio(of.targets - noise, of.targets + (of.k - 1) * noise)
    tail = 0.5 + confidence / 2.0
    low = f / float(stats.f.ppf(tail, *df))
    high = f * float(stats.f.ppf(tail, *reversed(df)))
    low, high = ((bound - 1.0) / (bound + of.k - 1.0) for bound in (low, high))
    return IntraclassCorrelation(form, icc, low, high, f, *df, float(stats.f.sf(f, *df)))


def _two_way_random(of: _MeanSquares, confidence: float) -> IntraclassCorrelation:
    n, k = of.n, of.k
    disagreement = k * (of.raters - of.error) / n
    icc = _ratio(of.targets - of.error, of.targets + (k - 1) * of.error + disagreement)
    a = k * icc * _ratio(of.raters, of.error)
    b = n * (1.0 + (k - 1) * icc) - k * icc
    # Satterthwaite's degrees of freedom of the denominator.
    df = (k - 1) * (n - 1) * (a + b) ** 2 / ((n - 1) * a**2 + b**2)
    tail = 0.5 + confidence / 2.0
    upper, lower = float(stats.f.ppf(tail, n - 1, df)), float(stats.f.ppf(tail, df, n - 1))
    rest = k * of.raters + (k * n - k - n) * of.error
    low = n * (of.targets - upper * of.error) / (upper * rest + n * of.targets)
    high = n * (lower * of.targets - of.error) / (rest + n * lower * of.targets)
    f, df1, df2 = _ratio(of.targets, of.error), n - 1, (n - 1) * (k - 1)
    p = float(stats.f.sf(f, df1, df2))
    return IntraclassCorrelation("ICC(2,1)", icc, low, high, f, df1, df2, p)


def _of_the_mean(one: IntraclassCorrelation, k: int) -> IntraclassCorrelation:
    """Step up from one rater to the mean of k by Spearman and Brown's formula."""
    icc, low, high = (k * value / (1.0 + (k - 1) * value) for value in (one.icc, one.low, one.high))
    form = one.form.replace(",1)", ",k)")
    return IntraclassCorrelation(form, icc, low, high, one.f, one.df1, one.df2, one.p)


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")
