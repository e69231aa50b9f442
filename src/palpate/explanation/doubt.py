"""How likely a window is out of tolerance, told without the reference.

A logistic regression on six numbers that need only the band's own light and motion and
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
``burstiness``
    How unevenly the arm moves: what comes in bursts disturbs the light in ways that no
    steady path from the accelerometer predicts.

What is missing counts as average, so a device's own series, which has no confidence, is
judged by the other five. ``MODELS`` holds one model per estimator and one for any other
source, fitted to open treadmill and wrist recordings by ``scripts/benchmark_doubt.py``,
which also prints how well recordings are judged that were left out of the fit. It is a
ranking first: the probability is that of such recordings, and says little of unlike sensors.

The fit is penalised maximum likelihood (le Cessie & van Houwelingen 1992, Appl Stat 41:191)
on standardised features. Each feature may only speak the way that its reason says (`SIGNS`): one
that would turn round in an estimator's recordings is left out of its model.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy import optimize, special, stats

from palpate.conditioning.statistics import moving_mean
from palpate.evaluation.agreement import tolerance_bpm
from palpate.signals import BoolArray, FloatArray, WindowTable
from palpate.validation import InputError

FEATURES = (
    "disagreement",
    "line_db",
    "line_lost_db",
    "light_entropy",
    "log_confidence",
    "burstiness",
)
SIGNS = (1, -1, 1, 1, -1, 1)
"""Whether more of each raises doubt or lowers it."""
MEMORY_S = 10.0
FARTHEST = 4.0
LEAST_CONFIDENCE = 1e-3
RIDGE = 100.0
"""Beside thousands of overlapping windows; 5 to 100 serve alike."""
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
    motion: WindowTable,
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
    motion
        As from ``motion_windows``; without columns where the band has no accelerometer.

    Returns
    -------
    FloatArray
        NaN where there is no estimate.
    """
    features = doubt_features(
        windows, second_bpm=second_bpm, at_estimate=at_estimate, light=light, motion=motion
    )
    probability = MODELS.get(source, MODELS[ANY_SOURCE]).probability(features)
    return np.where(np.isfinite(windows["estimate_bpm"]), probability, np.nan)


def doubt_features(
    windows: WindowTable,
    *,
    second_bpm: FloatArray,
    at_estimate: WindowTable,
    light: WindowTable,
    motion: WindowTable,
) -> FloatArray:
    """Return the `FEATURES` ``(n, 6)``, NaN where they cannot be measured; see `doubt`."""
    grid = WindowTable(windows.start_s, windows.end_s)
    line, light, motion = (grid.joined(table) for table in (at_estimate, light, motion))
    estimate = windows["estimate_bpm"]
    apart = np.abs(estimate - second_bpm) / tolerance_bpm(estimate)
    kept_db = line["oracle_snr_cancelled_db"]
    single = (
        np.minimum(apart, FARTHEST),
        kept_db,
        line["oracle_snr_db"] - kept_db,
        light["spectral_entropy"],
        np.log(np.maximum(windows["confidence"], LEAST_CONFIDENCE)),
        motion["burstiness"] if "burstiness" in motion else np.full(len(grid), np.nan),
    )
    depth = windows.count_in(MEMORY_S)
    return np.column_stack([moving_mean(values, depth) for values in single])


def fit_doubt(
    features: FloatArray,
    outside: BoolArray,
    *,
    signs: Sequence[int] = SIGNS,
    ridge: float = RIDGE,
) -> DoubtModel:
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

    def misfit(weights: FloatArray) -> tuple[float, FloatArray]:
        logit, pull = design @ weights, penalty @ weights
        likelihood = logit[outside].sum() - np.logaddexp(0.0, logit).sum()
        slope = design.T @ (outside - special.expit(logit))
        return float(0.5 * weights @ pull - likelihood), pull - slope

    bounds = [(0.0, None) if sign > 0 else (None, 0.0) for sign in signs] + [(None, None)]
    found = optimize.minimize(
        misfit,
        np.zeros(design.shape[1]),
        jac=True,
        method="L-BFGS-B",
        bounds=bounds,
        options={"ftol": 0.0, "gtol": 1e-6},
    )
    return DoubtModel(
        tuple(found.x[:-1].tolist()),
        float(found.x[-1]),
        tuple(centre.tolist()),
        tuple(spread.tolist()),
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


MODELS: Mapping[str, DoubtModel] = MappingProxyType(
    {
        ANY_SOURCE: DoubtModel(
            coefficients=(1.135, -0.747, 0.990, 0.301, -0.549, 0.189),
            intercept=-2.511,
            centre=(0.974, 8.878, -0.137, 0.706, -0.711, 0.184),
            spread=(1.280, 6.498, 5.806, 0.112, 0.703, 0.155),
        ),
        "conventional": DoubtModel(
            coefficients=(1.474, -0.878, 0.744, 0.143, -0.170, 0.000),
            intercept=-0.196,
            centre=(1.554, 6.839, 4.289, 0.706, -0.708, 0.184),
            spread=(1.508, 6.635, 6.414, 0.112, 0.319, 0.155),
        ),
        "adaptive": DoubtModel(
            coefficients=(1.419, -0.586, 0.152, 0.289, -0.206, 0.196),
            intercept=-2.176,
            centre=(0.809, 9.269, -1.498, 0.706, -0.750, 0.184),
            spread=(1.163, 6.297, 4.711, 0.112, 0.405, 0.155),
        ),
        "robust": DoubtModel(
            coefficients=(0.544, -0.184, 0.367, 0.510, -0.809, 0.408),
            intercept=-3.667,
            centre=(0.795, 9.748, -1.669, 0.706, -0.510, 0.184),
            spread=(1.148, 6.278, 4.778, 0.112, 0.766, 0.155),
        ),
        "robust_online": DoubtModel(
            coefficients=(0.402, -0.605, 0.123, 0.588, -1.086, 0.288),
            intercept=-3.097,
            centre=(0.735, 9.658, -1.669, 0.706, -0.876, 0.184),
            spread=(1.073, 6.333, 4.746, 0.112, 1.028, 0.155),
        ),
    }
)
"""By source, as ``scripts/benchmark_doubt.py`` prints them."""
