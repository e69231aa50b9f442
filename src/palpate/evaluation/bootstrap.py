"""Resampling that respects dependence: overlapping windows come in blocks.

Windows that overlap, and errors that last, are not independent draws; whole blocks
of neighbouring windows are drawn instead, on a circle so that every window is as
likely as any other (circular block bootstrap, Politis & Romano 1992, in "Exploring
the Limits of Bootstrap", Wiley).
"""

from __future__ import annotations

import numpy as np

from palpate.signals import FloatArray, IntArray
from palpate.validation import InputError

BLOCK_S = 60.0  # several times a window and an error episode; common practice, no source
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
    block = max(1, min(block, n // MIN_BLOCKS))
    count = -(-n // block)
    starts = np.random.default_rng(seed).integers(0, n, size=(n_resamples, count))
    rows = (starts[:, :, np.newaxis] + np.arange(block)) % n
    return rows.reshape(n_resamples, -1)[:, :n].astype(np.intp)


def percentile_interval(
    statistics: FloatArray, *, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Return the central interval of bootstrap statistics ``(n_resamples, ...)``, NaN ignored."""
    tail = 100.0 * (1.0 - level) / 2.0
    undefined = np.isnan(statistics).all(axis=0)
    low, high = np.nanpercentile(np.where(undefined, 0.0, statistics), [tail, 100.0 - tail], axis=0)
    return np.where(undefined, np.nan, low), np.where(undefined, np.nan, high)
