"""Limits of agreement between two methods, for single and for repeated pairs.

Conventions
-----------
Reference first; difference = estimate − reference. Limits are bias ∓ z · SD with the
normal quantile z (1.96 for 95 %), not with 2. NaN where there are too few pairs.

Sources
-------
Bland & Altman 1986, Lancet i:307 (single pairs). Bland & Altman 2007, J Biopharm Stat
17:571 (linked pairs of a true value that varies: variance components by analysis of
variance). Zou 2013, Stat Methods Med Res 22:630 (the same with the mean of subject
means, and MOVER intervals of the limits).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from palpate.signals import FloatArray
from palpate.validation import InputError, checked_choice, checked_signal

METHODS = ("zou2013", "bland_altman2007")


class Interval(NamedTuple):
    """A confidence interval."""

    low: float
    high: float


_UNDEFINED = Interval(float("nan"), float("nan"))


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Bias, SD of the difference, limits of agreement and their confidence intervals.

    ``var_between`` and ``var_within`` are the variance components of the difference
    between and within subjects; NaN for single pairs.
    """

    n_pairs: int
    n_subjects: int
    bias: float
    sd: float
    low: float
    high: float
    bias_interval: Interval
    low_interval: Interval
    high_interval: Interval
    var_between: float
    var_within: float


def limits_of_agreement(
    reference: ArrayLike, estimate: ArrayLike, *, coverage: float = 0.95, confidence: float = 0.95
) -> LimitsOfAgreement:
    """Return the limits of agreement of independent pairs ``(n,)``.

    Intervals as in Bland & Altman 1986: Student's t with standard errors SD/√n of the
    bias and √(3/n)·SD of a limit.
    """
    difference = _differences(reference, estimate)
    n = difference.size
    bias = float(difference.mean()) if n else float("nan")
    sd = float(difference.std(ddof=1)) if n > 1 else float("nan")
    reach = _z(coverage) * sd
    t = float(stats.t.ppf(0.5 + confidence / 2.0, n - 1)) if n > 1 else float("nan")
    of_bias, of_limit = (t * sd * np.sqrt(share / max(n, 1)) for share in (1.0, 3.0))
    return LimitsOfAgreement(
        n_pairs=n,
        n_subjects=n,
        bias=bias,
        sd=sd,
        low=bias - reach,
        high=bias + reach,
        bias_interval=_around(bias, of_bias),
        low_interval=_around(bias - reach, of_limit),
        high_interval=_around(bias + reach, of_limit),
        var_between=float("nan"),
        var_within=float("nan"),
    )


def repeated_limits_of_agreement(
    reference: ArrayLike,
    estimate: ArrayLike,
    subject: ArrayLike,
    *,
    method: str = "zou2013",
    coverage: float = 0.95,
    confidence: float = 0.95,
) -> LimitsOfAgreement:
    """Return the limits of agreement of repeated pairs within subjects (or sessions).

    Parameters
    ----------
    reference, estimate
        ``(n,)`` linked pairs; the true value may change from pair to pair.
    subject
        ``(n,)`` labels of any kind that can be sorted.
    method
        ``"zou2013"``: bias is the mean of subject means, with MOVER intervals.
        ``"bland_altman2007"``: bias is the mean of all pairs and the between-subject
        variance is the analysis-of-variance estimate, cut at 0; intervals are NaN, since
        the paper gives none.

    Raises
    ------
    InputError
        With fewer than two subjects, or if no subject has two pairs.
    """
    checked_choice(method, METHODS, "method")
    difference = _differences(reference, estimate)
    parts = _components(difference, np.asarray(subject))
    if method == "bland_altman2007":
        bias = float(difference.mean())
        between = max((parts.between_square - parts.within) / parts.typical_count, 0.0)
        sd, spread = float(np.sqrt(between + parts.within)), None
    else:
        bias = float(parts.mean.mean())
        between = float(parts.mean.var(ddof=1)) - parts.inverse_count * parts.within
        sd, spread = _mover(parts, confidence)
    reach = _z(coverage) * sd
    bias_interval, low_interval, high_interval = _mover_intervals(
        parts, bias, sd, spread, z=_z(coverage), z_confidence=_z(confidence)
    )
    return LimitsOfAgreement(
        n_pairs=difference.size,
        n_subjects=parts.mean.size,
        bias=bias,
        sd=sd,
        low=bias - reach,
        high=bias + reach,
        bias_interval=bias_interval,
        low_interval=low_interval,
        high_interval=high_interval,
        var_between=between,
        var_within=parts.within,
    )


class _Components(NamedTuple):
    """One-way analysis of variance of the differences by subject."""

    mean: FloatArray  # of each subject's differences
    within: float  # mean square within subjects
    within_df: int
    between_square: float  # mean square between subjects
    typical_count: float  # pairs per subject that the between mean square stands for
    inverse_count: float  # mean of 1 / pairs


def _components(difference: FloatArray, subject: NDArray[np.generic]) -> _Components:
    if subject.shape != difference.shape:
        raise InputError(f"there are {difference.size} pairs but {subject.size} subject labels")
    _, member, count = np.unique(subject, return_inverse=True, return_counts=True)
    n, total = count.size, difference.size
    if n < 2 or total == n:
        raise InputError(
            "limits for repeated pairs need two subjects or more, and one with two pairs or more"
        )
    mean = np.bincount(member, difference) / count
    return _Components(
        mean=mean,
        within=float(np.sum((difference - mean[member]) ** 2) / (total - n)),
        within_df=total - n,
        between_square=float(np.sum(count * (mean - difference.mean()) ** 2) / (n - 1)),
        typical_count=float((total**2 - np.sum(count**2)) / ((n - 1) * total)),
        inverse_count=float(np.mean(1.0 / count)),
    )


def _mover(parts: _Components, confidence: float) -> tuple[float, Interval]:
    """Return the SD of a single difference, and the interval of its variance."""
    shares = np.array([parts.mean.var(ddof=1), (1.0 - parts.inverse_count) * parts.within])
    df = np.array([parts.mean.size - 1, parts.within_df])
    tail = (1.0 - confidence) / 2.0
    down = shares * (1.0 - df / stats.chi2.ppf(1.0 - tail, df))
    up = shares * (df / stats.chi2.ppf(tail, df) - 1.0)
    total = float(shares.sum())
    low, high = total - np.hypot(*down), total + np.hypot(*up)
    return float(np.sqrt(total)), Interval(float(low), float(high))


def _mover_intervals(
    parts: _Components,
    bias: float,
    sd: float,
    spread: Interval | None,
    *,
    z: float,
    z_confidence: float,
) -> tuple[Interval, Interval, Interval]:
    if spread is None:
        return _UNDEFINED, _UNDEFINED, _UNDEFINED
    of_bias = z_confidence * float(np.sqrt(parts.mean.var(ddof=1) / parts.mean.size))
    inward = float(np.hypot(of_bias, z * (sd - np.sqrt(spread.low))))
    outward = float(np.hypot(of_bias, z * (np.sqrt(spread.high) - sd)))
    low, high = bias - z * sd, bias + z * sd
    return (
        _around(bias, of_bias),
        Interval(low - outward, low + inward),
        Interval(high - inward, high + outward),
    )


def _differences(reference: ArrayLike, estimate: ArrayLike) -> FloatArray:
    first = checked_signal(reference, "the reference")
    second = checked_signal(estimate, "the estimate")
    if first.shape != second.shape:
        raise InputError(f"there are {first.size} references but {second.size} estimates")
    difference = second - first
    if not np.isfinite(difference).all():
        raise InputError("a pair is not finite; leave such pairs out first, and count them")
    return difference


def _around(centre: float, half: float) -> Interval:
    return Interval(float(centre - half), float(centre + half))


def _z(level: float) -> float:
    return float(stats.norm.ppf(0.5 + level / 2.0))
