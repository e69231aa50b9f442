"""Intervals for a share of so many draws, which need not be whole.

Two, since their errors differ: `clopper_pearson` holds every share at least as often as it says,
most shares more often; `uniform_prior` holds shares as often as it says if all are as likely,
some more often and some less.
"""

from __future__ import annotations

from scipy import stats


def clopper_pearson(share: float, draws: float, level: float) -> tuple[float, float]:
    """Return the interval of Clopper & Pearson (1934, Biometrika 26:404)."""
    tail, hits = 0.5 * (1.0 - level), share * draws
    low = stats.beta.ppf(tail, hits, draws - hits + 1.0) if share > 0.0 else 0.0
    high = stats.beta.ppf(1.0 - tail, hits + 1.0, draws - hits) if share < 1.0 else 1.0
    return float(low), float(high)


def uniform_prior(share: float, draws: float, level: float) -> tuple[float, float]:
    """Return the interval of a uniform prior, up to the end where no draw dissents."""
    tail, yes, no = 0.5 * (1.0 - level), share * draws + 1.0, (1.0 - share) * draws + 1.0
    low = stats.beta.ppf(tail, yes, no) if share > 0.0 else 0.0
    high = stats.beta.ppf(1.0 - tail, yes, no) if share < 1.0 else 1.0
    return float(low), float(high)
