"""A straight line of lag against time that outliers do not bend.

Weighted least squares with Tukey's biweight, whose scale is the residuals' median absolute
deviation, and a Gaussian prior on the drift: zero with a standard deviation of
`DRIFT_PRIOR_PPM`, so that lags too few or too close to tell give no drift rather than a
wild one. Intervals are the posterior's, with Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from palpate.conditioning.statistics import MAD_TO_SD
from palpate.signals import BoolArray, FloatArray

DRIFT_PRIOR_PPM = 200.0
"""Crystals keep tens of ppm, cheap oscillators hundreds (common practice, no source)."""
BIWEIGHT = 4.685
"""Tukey's constant for 95 % efficiency on Gaussian errors."""
ROUNDS = 20


@dataclass(frozen=True, slots=True, eq=False)
class RobustLine:
    """``lag = offset + drift * time`` with half-widths of the 95 % intervals.

    ``agreeing (n,)`` tells the lags that took part from the outliers.
    """

    offset_s: float
    drift: float
    offset_half_s: float
    drift_half: float
    agreeing: BoolArray


def robust_line(
    time_s: FloatArray, lag_s: FloatArray, weight: FloatArray, *, least_spread_s: float
) -> RobustLine:
    """Fit lags ``(n,)`` at times ``(n,)``; no lag is taken as surer than ``least_spread_s``."""
    weight = weight / weight.mean()
    design = np.column_stack((np.ones(time_s.size), time_s - time_s.mean()))
    spread = max(robust_spread(lag_s), least_spread_s)
    keep = np.ones(time_s.size)
    for _ in range(ROUNDS):
        found, covariance = _posterior(design, lag_s, weight * keep, spread)
        residual = lag_s - design @ found
        spread = max(MAD_TO_SD * float(np.median(np.abs(residual))), least_spread_s)
        keep = np.square(np.clip(1.0 - np.square(residual / (BIWEIGHT * spread)), 0.0, 1.0))
    agreeing = np.abs(residual) < BIWEIGHT * spread
    freedom = max(int(np.count_nonzero(agreeing)) - 2, 1)
    quantile = float(stats.t.ppf(0.975, freedom))
    lever = np.array([1.0, -time_s.mean()])
    return RobustLine(
        offset_s=float(lever @ found),
        drift=float(found[1]),
        offset_half_s=quantile * float(np.sqrt(lever @ covariance @ lever)),
        drift_half=quantile * float(np.sqrt(covariance[1, 1])),
        agreeing=np.asarray(agreeing),
    )


def robust_spread(values: FloatArray) -> float:
    """Return a standard deviation that outliers hardly move: 1.4826 times the MAD."""
    return MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))


def _posterior(
    design: FloatArray, lag_s: FloatArray, weight: FloatArray, spread: float
) -> tuple[FloatArray, FloatArray]:
    """Return the posterior mean ``(2,)`` and covariance of the line given the spread."""
    precision = (design.T * weight) @ design / spread**2
    precision[1, 1] += (DRIFT_PRIOR_PPM * 1e-6) ** -2
    covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
    mean = covariance @ ((design.T * weight) @ lag_s) / spread**2
    return np.asarray(mean), covariance
