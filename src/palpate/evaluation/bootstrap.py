"""Resampling that respects dependence: overlapping windows come in blocks.

Windows that overlap, and errors that last, are not independent draws; whole blocks
of neighbouring windows are drawn instead, on a circle so that every window is as
likely as any other (circular block bootstrap, Politis & Romano 1992, in "Exploring
the Limits of Bootstrap", Wiley).

Percentile intervals of few blocks are too narrow: the spread among B blocks is that of B,
not B - 1, and normal quantiles stand where Student's belong. The interval is widened by
both (the factors of Hesterberg 2015, Am Stat 69:371, 'expanded percentile').

Deviation: he reads the bootstrap distribution further out; here its central interval is
widened about its middle, since four to ten blocks have no such distant quantiles (measured
coverage of a mean: 96 % against 91 % with four blocks).

Where bootstrap and estimate are biased alike, as a monotone fit at its ends, percentiles
carry the bias twice. There Student's interval about the estimate serves, of the bootstrap's
standard error (Efron & Tibshirani 1993, "An Introduction to the Bootstrap", ch. 12.4).
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from palpate.signals import FloatArray, IntArray
from palpate.validation import InputError

BLOCK_S = 120.0
"""An error episode lasts some 20 s; blocks of six times as much keep the loss of spread at
their edges small (own choice, by the coverage that the tests measure)."""
N_RESAMPLES = 500
MIN_BLOCKS = 4


def block_resamples(
    n: int, *, block: int, n_resamples: int = N_RESAMPLES, seed: int = 0
) -> IntArray:
    """Return row numbers ``(n_resamples, n)``; each row is made of blocks of neighbours.

    Parameters
    ----------
    n
        How many windows there are, in time order.
    block
        Windows per block; cut down so that at least four blocks fit.
    """
    if n < 1:
        raise InputError("there is nothing to resample: no window is left")
    block = usable_block(n, block)
    count = -(-n // block)
    starts = np.random.default_rng(seed).integers(0, n, size=(n_resamples, count))
    rows = (starts[:, :, np.newaxis] + np.arange(block)) % n
    return rows.reshape(n_resamples, -1)[:, :n].astype(np.intp)


def usable_block(n: int, block: int) -> int:
    """Return ``block``, cut down so that at least four fit into ``n`` windows."""
    return max(1, min(block, n // MIN_BLOCKS))


def percentile_interval(
    statistics: FloatArray, *, level: float = 0.95, n_blocks: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the central interval of bootstrap statistics ``(n_resamples, ...)``, NaN ignored.

    Parameters
    ----------
    n_blocks
        How many independent pieces each resample was drawn from, ``n / usable_block(n,
        block)`` for blocks of windows: the interval is widened for so few. The plain
        percentile interval, right for many, if left out.
    """
    tail = 50.0 * (1.0 - level)
    undefined = np.isnan(statistics).all(axis=0)
    known = np.where(undefined, 0.0, statistics)
    low, high = np.nanpercentile(known, [tail, 100.0 - tail], axis=0)
    if n_blocks is not None:
        middle, half = 0.5 * (low + high), 0.5 * (high - low) * _widening(level, n_blocks)
        low, high = middle - half, middle + half
    return np.where(undefined, np.nan, low), np.where(undefined, np.nan, high)


def student_interval(
    found: FloatArray, statistics: FloatArray, *, n_blocks: float, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Return Student's interval about ``found (...)`` from bootstrap ``(n_resamples, ...)``.

    Parameters
    ----------
    n_blocks
        As for `percentile_interval`.
    """
    undefined = np.isnan(statistics).all(axis=0)
    error = np.nanstd(np.where(undefined, 0.0, statistics), axis=0)
    reach = stats.norm.ppf(0.5 * (1.0 + level)) * _widening(level, n_blocks) * error
    reach = np.where(undefined, np.nan, reach)
    return found - reach, found + reach


def _widening(level: float, n_blocks: float) -> float:
    """Return ``sqrt(B / (B - 1)) t / z``, Student's t of B - 1 degrees of freedom."""
    if not n_blocks > 1:
        raise InputError(f"n_blocks is {n_blocks:g}; an interval needs more than one block")
    upper = 0.5 * (1.0 + level)
    quantiles = stats.t.ppf(upper, n_blocks - 1.0) / stats.norm.ppf(upper)
    return float(np.sqrt(n_blocks / (n_blocks - 1.0)) * quantiles)
