"""Dose-response: how the error of a wrist heart rate grows with the arm's motion.

The dose is a measured motion intensity per window, the response the absolute error.
Three views of the same windows, none of which assumes a shape beyond "more motion,
not less error":

* means over bins that each hold the same number of windows;
* a monotone fit by isotonic regression (Barlow et al. 1972, "Statistical Inference
  under Order Restrictions"; pool-adjacent-violators through scipy);
* the intensity at which that fit leaves tolerance, if it does within the range seen.

The *excess error* of an activity is what its windows lose beyond the fit made
without them, so an activity cannot explain itself.

Intervals come from the circular block bootstrap over windows in time order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression

from palpate.evaluation.bootstrap import (
    BLOCK_S,
    N_RESAMPLES,
    block_resamples,
    percentile_interval,
)
from palpate.signals import FloatArray, StrArray
from palpate.validation import InputError

N_BINS = 10
N_GRID = 100
MIN_WINDOWS = 20
MIN_PER_BIN = 8


@dataclass(frozen=True, slots=True, eq=False)
class ExcessError:
    """Mean error of one activity beyond what its intensity predicts from the others.

    ``excess_bpm`` is NaN where there are too few windows, on either side.
    """

    activity: str
    n_windows: int
    mean_error_bpm: float
    predicted_bpm: float
    excess_bpm: float
    low_bpm: float
    high_bpm: float


@dataclass(frozen=True, slots=True, eq=False)
class DoseResponse:
    """Absolute error against motion intensity for one heart-rate source.

    ``intensity``, ``absolute_error_bpm`` and ``activity`` are the windows used, in
    time order; ``n_dropped`` counts those without a finite value of both. ``limit``
    is the intensity at which the fit leaves ``tolerance_bpm``: NaN if never in this
    range, with an interval that is NaN where a resample never left it.
    """

    activities: tuple[str, ...]
    intensity: FloatArray
    absolute_error_bpm: FloatArray
    activity: StrArray
    n_dropped: int
    tolerance_bpm: float
    bin_intensity: FloatArray
    bin_mean_bpm: FloatArray
    bin_low_bpm: FloatArray
    bin_high_bpm: FloatArray
    bin_count: FloatArray
    grid: FloatArray
    fit_bpm: FloatArray
    fit_low_bpm: FloatArray
    fit_high_bpm: FloatArray
    limit: float
    limit_low: float
    limit_high: float
    excess: tuple[ExcessError, ...]


def dose_response(
    intensity: FloatArray,
    absolute_error_bpm: FloatArray,
    activity: StrArray,
    *,
    tolerance_bpm: float,
    step_s: float = 2.0,
    n_resamples: int = N_RESAMPLES,
    seed: int = 0,
) -> DoseResponse:
    """Relate absolute error to motion intensity.

    Parameters
    ----------
    intensity
        Motion per window, ``(n,)``, in time order, any unit; at least zero.
    absolute_error_bpm
        ``|estimate - reference|`` per window, ``(n,)``.
    activity
        Name per window, ``(n,)``.
    tolerance_bpm
        Error that counts as too much.
    step_s
        Seconds between windows; sets the block length of the bootstrap.

    Raises
    ------
    InputError
        If fewer than 20 windows have both an intensity and an error.
    """
    usable = np.isfinite(intensity) & np.isfinite(absolute_error_bpm)
    dose, error, names = intensity[usable], absolute_error_bpm[usable], activity[usable]
    if dose.size < MIN_WINDOWS:
        raise InputError(
            f"only {dose.size} windows have both a motion intensity and an error; relating the "
            f"two needs at least {MIN_WINDOWS}"
        )
    resamples = block_resamples(
        dose.size, block=round(BLOCK_S / step_s), n_resamples=n_resamples, seed=seed
    )
    bins, (bin_intensity, bin_mean, bin_count) = _bin(dose, error)
    bin_low, bin_high = percentile_interval(
        np.array([_bin_means(error[rows], bins[rows], bin_mean.size) for rows in resamples])
    )
    grid = np.linspace(dose.min(), dose.max(), N_GRID)
    fits = np.array([_monotone(dose[rows], error[rows], grid) for rows in resamples])
    fit = _monotone(dose, error, grid)
    fit_low, fit_high = percentile_interval(fits)
    limits = np.array([_leaves(grid, f, tolerance_bpm) for f in fits])
    limit = _leaves(grid, fit, tolerance_bpm)
    limit_low, limit_high = (
        (np.nan, np.nan)
        if np.isnan(limit)
        else np.percentile(_never_last(limits), [2.5, 97.5], method="inverted_cdf")
    )
    activities = tuple(dict.fromkeys(names.tolist()))
    return DoseResponse(
        activities=activities,
        intensity=dose,
        absolute_error_bpm=error,
        activity=names,
        n_dropped=int(intensity.size - dose.size),
        tolerance_bpm=tolerance_bpm,
        bin_intensity=bin_intensity,
        bin_mean_bpm=bin_mean,
        bin_low_bpm=bin_low,
        bin_high_bpm=bin_high,
        bin_count=bin_count,
        grid=grid,
        fit_bpm=fit,
        fit_low_bpm=fit_low,
        fit_high_bpm=fit_high,
        limit=limit,
        limit_low=float(limit_low),
        limit_high=float(limit_high) if np.isfinite(limit_high) else np.nan,
        excess=tuple(_excess(name, dose, error, names, resamples) for name in activities if name),
    )


def _bin(dose: FloatArray, error: FloatArray) -> tuple[np.ndarray, tuple[FloatArray, ...]]:
    """Return the bin of each window, and per bin the median dose, mean error and count."""
    count = int(np.clip(dose.size // MIN_PER_BIN, 2, N_BINS))
    rank = np.argsort(np.argsort(dose, kind="stable"), kind="stable")
    bins = rank * count // dose.size
    median = np.array([np.median(dose[bins == b]) for b in range(count)])
    return bins, (median, _bin_means(error, bins, count), np.bincount(bins).astype(np.float64))


def _bin_means(error: FloatArray, bins: np.ndarray, count: int) -> FloatArray:
    held = np.bincount(bins, minlength=count).astype(np.float64)
    total = np.bincount(bins, weights=error, minlength=count)
    return np.where(held > 0, total / np.maximum(held, 1.0), np.nan)


def _monotone(dose: FloatArray, error: FloatArray, at: FloatArray) -> FloatArray:
    """Evaluate the non-decreasing least-squares fit at ``at``; constant beyond the ends."""
    levels, where = np.unique(dose, return_inverse=True)
    weight = np.bincount(where).astype(np.float64)
    mean = np.bincount(where, weights=error) / weight
    return np.interp(at, levels, isotonic_regression(mean, weights=weight).x)


def _leaves(grid: FloatArray, fit: FloatArray, tolerance_bpm: float) -> float:
    over = np.flatnonzero(fit > tolerance_bpm)
    return float(grid[over[0]]) if over.size else np.nan


def _never_last(limits: FloatArray) -> FloatArray:
    """Count a resample that never leaves tolerance as beyond any intensity."""
    return np.where(np.isnan(limits), np.inf, limits)


def _excess(
    name: str, dose: FloatArray, error: FloatArray, names: StrArray, resamples: np.ndarray
) -> ExcessError:
    mine = names == name
    mean = float(error[mine].mean())
    count = int(mine.sum())
    if count < MIN_WINDOWS or dose.size - count < MIN_WINDOWS:
        return ExcessError(name, count, mean, *(np.nan,) * 4)
    predicted = float(_monotone(dose[~mine], error[~mine], dose[mine]).mean())
    drawn = []
    for rows in resamples:
        own = mine[rows]
        if own.any() and not own.all():
            others, self_ = rows[~own], rows[own]
            drawn.append(
                error[self_].mean() - _monotone(dose[others], error[others], dose[self_]).mean()
            )
    low, high = percentile_interval(np.array(drawn))
    return ExcessError(name, count, mean, predicted, mean - predicted, float(low), float(high))
