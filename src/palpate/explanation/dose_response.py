"""Dose-response: how the error of a wrist heart rate grows with the arm's motion.

The dose is a measured motion intensity per window, the response the absolute error.
Three views of the same windows, none of which assumes a shape beyond "more motion,
not less error":

* means over bins that each hold the same number of windows;
* a monotone fit by isotonic regression (Barlow et al. 1972, "Statistical Inference
  under Order Restrictions"; pool-adjacent-violators through scipy);
* the intensity at which that fit leaves tolerance, if it does within the range seen.

The *excess error* of an activity is what its windows lose beyond the fit made
without them, so an activity cannot explain itself. Only windows within the middle range of
the others' intensity are held against it: beyond, the others tell nothing.

Intervals come from the circular block bootstrap over windows in time order. Those of mean
errors are Student's of ``log(1 + mean)``: errors are skewed and never below 0. That of the
limit is where the band's two edges leave tolerance; percentiles of the resamples' own limits
held it less often.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression

from palpate.evaluation.bootstrap import (
    BLOCK_S,
    N_RESAMPLES,
    block_resamples,
    student_interval,
    usable_block,
)
from palpate.evaluation.overlap import LEAST_IN_COMMON, within_middle
from palpate.signals import BoolArray, FloatArray, IntArray, StrArray
from palpate.validation import InputError, checked_positive

N_BINS = 10
N_GRID = 100
MIN_WINDOWS = 20
MIN_PER_BIN = 8
MIN_BLOCKS_PER_SIDE = 2.0
"""Fewer would be widened without end; an activity that short says so by its count."""


UNLIKE = "it moved unlike all the others"
TOO_FEW = "too few windows"


@dataclass(frozen=True, slots=True, eq=False)
class ExcessError:
    """Mean error of one activity beyond what its intensity predicts from the others.

    All numbers are over the ``n_compared`` of its ``n_windows`` that moved as the others mostly
    do. NaN where these are too few, on either side; ``reason`` then says why.
    """

    activity: str
    n_windows: int
    n_compared: int
    mean_error_bpm: float = np.nan
    predicted_bpm: float = np.nan
    excess_bpm: float = np.nan
    low_bpm: float = np.nan
    high_bpm: float = np.nan
    reason: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class DoseResponse:
    """Absolute error against motion intensity for one heart-rate source.

    ``intensity``, ``absolute_error_bpm`` and ``activity`` are the windows used, in
    time order; ``n_dropped`` counts those without a finite value of both. ``limit``
    is the intensity at which the fit leaves ``tolerance_bpm``: NaN if never in this
    range; its upper end is NaN where the lower edge of the band never leaves.
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
    block = usable_block(dose.size, round(BLOCK_S / checked_positive(step_s, "step_s")))
    n_blocks = dose.size / block
    counts = _resample_counts(dose.size, block, n_resamples, seed)
    levels = _Levels.of(dose)
    once = np.ones_like(error)
    bins, bin_intensity = _quantile_bins(dose)
    n_bins = bin_intensity.size
    bin_mean = _bin_means(error, bins, n_bins, once)
    bin_means = np.array([_bin_means(error, bins, n_bins, weight) for weight in counts])
    bin_low, bin_high = _error_interval(bin_mean, bin_means, n_blocks)
    grid = np.linspace(dose.min(), dose.max(), N_GRID)
    fit = levels.monotone(error, once, grid)
    fits = np.array([levels.monotone(error, weight, grid) for weight in counts])
    fit_low, fit_high = _error_interval(fit, fits, n_blocks)
    limit = _leaves(grid, fit, tolerance_bpm)
    limit_low, limit_high = _limit_interval(grid, (fit_low, fit_high), tolerance_bpm, limit)
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
        bin_count=np.bincount(bins).astype(np.float64),
        grid=grid,
        fit_bpm=fit,
        fit_low_bpm=fit_low,
        fit_high_bpm=fit_high,
        limit=limit,
        limit_low=limit_low,
        limit_high=limit_high,
        excess=tuple(
            _excess(name, names == name, error, levels, counts, block=block)
            for name in activities
            if name
        ),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Levels:
    """The distinct doses in order, and which of them each window has: sorted once."""

    dose: FloatArray
    of_window: IntArray

    @classmethod
    def of(cls, dose: FloatArray) -> _Levels:
        return cls(*np.unique(dose, return_inverse=True))

    def monotone(self, error: FloatArray, weight: FloatArray, at: FloatArray) -> FloatArray:
        """Evaluate the weighted non-decreasing least-squares fit; constant beyond the ends."""
        held = np.bincount(self.of_window, weights=weight, minlength=self.dose.size)
        total = np.bincount(self.of_window, weights=weight * error, minlength=self.dose.size)
        some = held > 0
        fit = isotonic_regression(total[some] / held[some], weights=held[some])
        return np.interp(at, self.dose[some], fit.x)


def _resample_counts(n: int, block: int, n_resamples: int, seed: int) -> FloatArray:
    """Return how often each window is drawn in each resample, ``(n_resamples, n)``."""
    rows = block_resamples(n, block=block, n_resamples=n_resamples, seed=seed)
    return np.array([np.bincount(row, minlength=n) for row in rows], dtype=np.float64)


def _error_interval(
    found: FloatArray, means: FloatArray, n_blocks: float
) -> tuple[FloatArray, FloatArray]:
    """Return the interval of mean absolute errors, which are skewed and never below 0."""
    low, high = student_interval(np.log1p(found), np.log1p(means), n_blocks=n_blocks)
    return np.maximum(np.expm1(low), 0.0), np.expm1(high)


def _quantile_bins(dose: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return the bin of each window, ``(n,)``, and the median dose of each bin."""
    count = int(np.clip(dose.size // MIN_PER_BIN, 2, N_BINS))
    rank = np.argsort(np.argsort(dose, kind="stable"), kind="stable")
    bins = rank * count // dose.size
    return bins, np.array([np.median(dose[bins == b]) for b in range(count)])


def _bin_means(error: FloatArray, bins: IntArray, count: int, weight: FloatArray) -> FloatArray:
    held = np.bincount(bins, weights=weight, minlength=count)
    total = np.bincount(bins, weights=weight * error, minlength=count)
    return np.where(held > 0, total / np.where(held > 0, held, 1.0), np.nan)


def _leaves(grid: FloatArray, error: FloatArray, tolerance_bpm: float) -> float:
    """Return where the line through ``error`` first leaves tolerance; NaN if it never does."""
    over = np.flatnonzero(error > tolerance_bpm)
    if not over.size:
        return np.nan
    at = int(over[0])
    around = slice(max(at - 1, 0), at + 1)
    return float(np.interp(tolerance_bpm, error[around], grid[around]))


def _limit_interval(
    grid: FloatArray, band: tuple[FloatArray, FloatArray], tolerance_bpm: float, limit: float
) -> tuple[float, float]:
    """Return the limit's 95 % interval; its upper end is NaN where it lies beyond the range.

    From where the upper edge of the band leaves tolerance to where the lower one does.
    """
    if np.isnan(limit):
        return np.nan, np.nan
    low, high = band
    return _leaves(grid, high, tolerance_bpm), _leaves(grid, low, tolerance_bpm)


def _excess(
    name: str,
    own: BoolArray,
    error: FloatArray,
    levels: _Levels,
    counts: FloatArray,
    *,
    block: int,
) -> ExcessError:
    dose = levels.dose[levels.of_window]
    n_own, n_others = int(own.sum()), int((~own).sum())
    if min(n_own, n_others) < MIN_WINDOWS:
        return ExcessError(name, n_own, 0, reason=TOO_FEW)
    mine = own.copy()
    mine[own] = within_middle(dose[own], dose[~own])
    n_mine = int(mine.sum())
    if n_mine < LEAST_IN_COMMON * n_own:
        return ExcessError(name, n_own, n_mine, reason=UNLIKE)
    if n_mine < MIN_WINDOWS:
        return ExcessError(name, n_own, n_mine, reason=TOO_FEW)
    at = dose[mine]

    def means(weight: FloatArray) -> tuple[float, float]:
        others = levels.monotone(error, np.where(own, 0.0, weight), at)
        share = weight[mine] / weight[mine].sum()
        return float(share @ error[mine]), float(share @ others)

    seen, predicted = means(np.ones_like(error))
    drawn = np.array([means(w) for w in counts if w[mine].any() and w[~own].any()])
    blocks = np.maximum(np.array([n_mine, n_others]) / block, MIN_BLOCKS_PER_SIDE)
    low, high = student_interval(
        np.array(seen - predicted),
        drawn[:, 0] - drawn[:, 1],
        n_blocks=1.0 + _degrees_of_freedom(drawn.var(axis=0), blocks),
    )
    return ExcessError(
        activity=name,
        n_windows=n_own,
        n_compared=n_mine,
        mean_error_bpm=seen,
        predicted_bpm=predicted,
        excess_bpm=seen - predicted,
        low_bpm=float(low),
        high_bpm=float(high),
    )


def _degrees_of_freedom(variance: FloatArray, n_blocks: FloatArray) -> float:
    """Return those of a difference of two means (Satterthwaite 1946, Biometrics Bull 2:110)."""
    return float(variance.sum() ** 2 / (variance**2 / (n_blocks - 1.0)).sum())
