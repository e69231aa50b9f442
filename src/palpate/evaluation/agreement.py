"""How far an estimated heart rate is from its reference: the errors, summed up.

Conventions
-----------
Reference first; error = estimate − reference. Pairs of which either side is not finite
are left out and counted. What cannot be computed is NaN (the spread of one pair, the
correlation of a constant).

Sources
-------
Limits of agreement: Bland & Altman 1986, Lancet i:307. Concordance: Lin 1989,
Biometrics 45:255. The tolerance, the larger of 5 bpm and 10 % of the reference, has the
form that ANSI/AAMI EC13 gives heart-rate meters (form and figures from memory; the
standard's text was not at hand).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from palpate.evaluation.bland_altman import limits_of_agreement
from palpate.evaluation.concordance import concordance
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_signal


@dataclass(frozen=True, slots=True)
class ErrorSummary:
    """Errors of ``n`` pairs; NaN where undefined.

    Parameters
    ----------
    n
        Pairs with a finite reference and estimate.
    n_undefined
        Pairs left out because either is not finite.
    bias_bpm
        Mean error.
    mae_bpm, rmse_bpm
        Mean absolute and root mean square error.
    mape_pct
        Mean of 100 · |error| / reference, percent; pairs with a reference of 0, or so near
        that no number holds the ratio, are undefined and make it so.
    sd_bpm
        Standard deviation of the error (n − 1).
    loa_low_bpm, loa_high_bpm
        95 % limits of agreement, bias ∓ 1.96 SD. They take the pairs for independent;
        for overlapping windows they describe the sample, they do not bound a population.
    pearson_r, ccc
        Pearson's correlation and Lin's concordance of reference and estimate.
    share_within
        Share of pairs whose absolute error is at most the tolerance, 0..1.
    """

    n: int
    n_undefined: int
    bias_bpm: float
    mae_bpm: float
    rmse_bpm: float
    mape_pct: float
    sd_bpm: float
    loa_low_bpm: float
    loa_high_bpm: float
    pearson_r: float
    ccc: float
    share_within: float


def error_summary(
    reference_bpm: ArrayLike, estimate_bpm: ArrayLike, *, tolerance: ArrayLike | None = None
) -> ErrorSummary:
    """Sum up the error of paired heart rates.

    Parameters
    ----------
    reference_bpm, estimate_bpm
        ``(n,)`` each.
    tolerance
        ``(n,)`` or one number, bpm; :func:`tolerance_bpm` of the reference by default.

    Raises
    ------
    InputError
        If the two are not of one length.
    """
    reference, estimate = _paired(reference_bpm, estimate_bpm)
    allowed = tolerance_bpm(reference) if tolerance is None else np.asarray(tolerance, np.float64)
    defined = np.isfinite(reference) & np.isfinite(estimate)
    allowed = np.broadcast_to(allowed, reference.shape)[defined]
    reference, estimate = reference[defined], estimate[defined]
    error = estimate - reference
    limits = limits_of_agreement(reference, estimate)
    agreement = concordance(reference, estimate)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        percent = 100.0 * np.abs(error) / reference
    percent[np.isinf(percent)] = np.nan
    return ErrorSummary(
        n=int(error.size),
        n_undefined=int(defined.size - error.size),
        bias_bpm=limits.bias,
        mae_bpm=_mean(np.abs(error)),
        rmse_bpm=float(np.sqrt(_mean(error**2))),
        mape_pct=_mean(percent),
        sd_bpm=limits.sd,
        loa_low_bpm=limits.low,
        loa_high_bpm=limits.high,
        pearson_r=agreement.pearson_r,
        ccc=agreement.ccc,
        share_within=_mean(np.abs(error) <= allowed),
    )


def tolerance_bpm(
    reference_bpm: ArrayLike, *, absolute_bpm: float = 5.0, relative: float = 0.10
) -> FloatArray:
    """Return the larger of ``absolute_bpm`` and ``relative`` × reference, bpm, same shape."""
    if not (absolute_bpm >= 0 and relative >= 0):
        raise InputError("absolute_bpm and relative must be 0 or more")
    reference = np.asarray(reference_bpm, dtype=np.float64)
    return np.asarray(np.maximum(absolute_bpm, relative * reference), dtype=np.float64)


def _paired(reference_bpm: ArrayLike, estimate_bpm: ArrayLike) -> tuple[FloatArray, FloatArray]:
    reference = checked_signal(reference_bpm, "reference_bpm")
    estimate = checked_signal(estimate_bpm, "estimate_bpm")
    if reference.shape != estimate.shape:
        raise InputError(
            f"there are {reference.size} reference and {estimate.size} estimated heart rates; "
            "pair them first"
        )
    return reference, estimate


def _mean(values: ArrayLike) -> float:
    array = np.asarray(values, dtype=np.float64)
    return float(array.mean()) if array.size else float("nan")
