"""How likely a window is out of tolerance, told without the reference.

A logistic regression on five numbers that need only the band's own light and motion and
what was made of them, each a mean over `MEMORY_S`:

``disagreement``
    Distance from a second opinion in tolerances, up to `FARTHEST`. The second opinion is
    the robust estimate from the same light; the adaptive one where the source is robust.
``line_db``
    How far the light's line at the estimate stands over the rest once what the
    accelerometer predicts is taken out (``oracle_snr_cancelled_db`` at the estimate).
``line_lost_db``
    How much of that line goes with it.
``light_entropy``
    Spread of the light's power in the pulse band: 0 one line, 1 flat.
``log_confidence``
    Logarithm of the source's own confidence, at least `LEAST_CONFIDENCE`.

What is missing counts as average, so a device's own series, which has no confidence, is
judged by the other four. ``MODELS`` holds one model per estimator and one for any other
source, fitted to open treadmill and wrist recordings by ``scripts/benchmark_doubt.py``,
which also prints how well recordings are judged that were left out of the fit. It is a
ranking first: the probability is that of such recordings, and says little of unlike sensors.

The fit is penalised maximum likelihood (le Cessie & van Houwelingen 1992, Appl Stat 41:191)
on standardised features by Newton's method.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy import ndimage, special, stats

from palpate.conditioning.statistics import ratio
from palpate.evaluation.agreement import tolerance_bpm
from palpate.signals import BoolArray, FloatArray, WindowTable
from palpate.validation import InputError

FEATURES = ("disagreement", "line_db", "line_lost_db", "light_entropy", "log_confidence")
MEMORY_S = 10.0
FARTHEST = 4.0
LEAST_CONFIDENCE = 1e-3
RIDGE = 100.0
"""Beside thousands of overlapping windows; 5 to 100 serve alike."""
MAX_STEPS = 100
SECOND_OPINION, OTHER_OPINION = "robust", "adaptive"
ANY_SOURCE = "any source"


@dataclass(frozen=True, slots=True)
class DoubtModel:
    """Coefficients of the standardised `FEATURES`, and how they are standardised."""

    coefficients: tuple[float, ...]
    intercept: float
    centre: tuple[float, ...]
    spread: tuple[float, ...]

    def probability(self, features: FloatArray) -> FloatArray:
        """Return the probability ``(n,)`` of being out of tolerance; missing is average."""
        standard = np.nan_to_num((features - self.centre) / self.spread)
        return np.asarray(special.expit(standard @ np.array(self.coefficients) + self.intercept))


def second_opinion(source: str) -> str:
    """Return the estimator whose rates a source is held against."""
    return OTHER_OPINION if source.startswith(SECOND_OPINION) else SECOND_OPINION


def doubt(
    windows: WindowTable,
    *,
    source: str,
    second_bpm: FloatArray,
    at_estimate: WindowTable,
    light: WindowTable,
) -> FloatArray:
    """Return per window the probability ``(n,)`` that the estimate is out of tolerance.

    Parameters
    ----------
    windows
        With the columns ``estimate_bpm`` and ``confidence`` (NaN where the source has none).
    source
        The source's name; what is no estimator of ours is judged by the model for any.
    second_bpm
        Rates of the `second_opinion` in the same windows ``(n,)``.
    at_estimate
        ``oracle_windows`` at the source's estimates in place of the reference.
    light
        As from ``ppg_windows``.

    Returns
    -------
    FloatArray
        NaN where there is no estimate.
    """
    features = doubt_features(windows, second_bpm=second_bpm, at_estimate=at_estimate, light=light)
    probability = MODELS.get(source, MODELS[ANY_SOURCE]).probability(features)
    return np.where(np.isfinite(windows["estimate_bpm"]), probability, np.nan)


def doubt_features(
    windows: WindowTable, *, second_bpm: FloatArray, at_estimate: WindowTable, light: WindowTable
) -> FloatArray:
    """Return the `FEATURES` ``(n, 5)``, NaN where they cannot be measured; see `doubt`."""
    grid = WindowTable(windows.start_s, windows.end_s)
    line, light = grid.joined(at_estimate), grid.joined(light)
    estimate = windows["estimate_bpm"]
    apart = np.abs(estimate - second_bpm) / tolerance_bpm(estimate)
    kept_db = line["oracle_snr_cancelled_db"]
    single = (
        np.minimum(apart, FARTHEST),
        kept_db,
        line["oracle_snr_db"] - kept_db,
        light["spectral_entropy"],
        np.log(np.maximum(windows["confidence"], LEAST_CONFIDENCE)),
    )
    step_s = float(np.median(np.diff(windows.start_s))) if len(windows) > 1 else MEMORY_S
    depth = max(1, round(MEMORY_S / step_s))
    return np.column_stack([_mean_around(values, depth) for values in single])


def fit_doubt(features: FloatArray, outside: BoolArray, *, ridge: float = RIDGE) -> DoubtModel:
    """Fit the probability of ``outside (n,)`` to ``features (n, k)``.

    Raises
    ------
    InputError
        If all windows are inside, or all outside.
    """
    if outside.all() or not outside.any():
        raise InputError("the windows must hold some within tolerance and some outside it")
    centre, spread = np.nanmean(features, axis=0), np.nanstd(features, axis=0)
    spread = np.where(spread > 0.0, spread, 1.0)
    standard = np.nan_to_num((features - centre) / spread)
    design = np.column_stack([standard, np.ones(outside.size)])
    penalty = ridge * np.eye(design.shape[1])
    penalty[-1, -1] = 0.0
    weights = np.zeros(design.shape[1])
    for _ in range(MAX_STEPS):
        p = special.expit(design @ weights)
        slope = design.T @ (outside - p) - penalty @ weights
        step = np.linalg.solve((design.T * (p * (1.0 - p))) @ design + penalty, slope)
        weights += step
        if np.abs(step).max() < 1e-8:
            break
    coefficients = tuple(weights[:-1].tolist())
    return DoubtModel(
        coefficients, float(weights[-1]), tuple(centre.tolist()), tuple(spread.tolist())
    )


def area_under_roc(outside: BoolArray, score: FloatArray) -> float:
    """Return the chance that a window outside scores above one inside, ties counting half.

    NaN where either kind is missing (Hanley & McNeil 1982, Radiology 143:29).
    """
    n_outside, n_inside = int(outside.sum()), int((~outside).sum())
    if n_outside == 0 or n_inside == 0:
        return float("nan")
    ranks = stats.rankdata(score)[outside].sum()
    return float((ranks - n_outside * (n_outside + 1) / 2.0) / (n_outside * n_inside))


def _mean_around(values: FloatArray, depth: int) -> FloatArray:
    """Return the mean of the known among ``depth`` neighbours; NaN where there is none."""
    known = np.isfinite(values)
    sums = ndimage.uniform_filter1d(np.where(known, values, 0.0), depth, mode="constant")
    counts = ndimage.uniform_filter1d(known.astype(np.float64), depth, mode="constant")
    counts[counts < 0.5 / depth] = 0.0  # running sums leave rounding errors
    return ratio(sums, counts)


MODELS: Mapping[str, DoubtModel] = MappingProxyType(
    {
        ANY_SOURCE: DoubtModel(
            coefficients=(0.969, -0.752, 0.876, 0.386, -0.553),
            intercept=-2.213,
            centre=(0.996, 8.682, -0.174, 0.710, -0.728),
            spread=(1.274, 6.559, 5.795, 0.113, 0.728),
        ),
        "conventional": DoubtModel(
            coefficients=(1.422, -0.829, 0.706, 0.111, -0.177),
            intercept=-0.090,
            centre=(1.582, 6.645, 4.289, 0.710, -0.724),
            spread=(1.504, 6.617, 6.452, 0.113, 0.329),
        ),
        "adaptive": DoubtModel(
            coefficients=(1.281, -0.553, 0.192, 0.444, -0.267),
            intercept=-1.987,
            centre=(0.821, 9.069, -1.483, 0.710, -0.767),
            spread=(1.146, 6.353, 4.674, 0.113, 0.409),
        ),
        "robust": DoubtModel(
            coefficients=(0.216, -0.328, 0.059, 0.708, -0.919),
            intercept=-3.244,
            centre=(0.806, 9.544, -1.694, 0.710, -0.556),
            spread=(1.127, 6.392, 4.764, 0.113, 0.882),
        ),
        "robust_online": DoubtModel(
            coefficients=(0.310, -0.676, 0.012, 0.692, -0.955),
            intercept=-2.732,
            centre=(0.774, 9.471, -1.807, 0.710, -0.867),
            spread=(1.091, 6.436, 4.643, 0.113, 1.008),
        ),
    }
)
"""By source, as ``scripts/benchmark_doubt.py`` prints them."""
