"""Non-finite samples: where they are, and how to bridge them so that filters can run."""

from __future__ import annotations

import numpy as np

from palpate.signals import BoolArray, FloatArray, IntArray


def runs(mask: BoolArray) -> tuple[IntArray, IntArray]:
    """Return ``[start, end)`` sample indices of every run of True in ``mask (n,)``."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return edges[0::2], edges[1::2]


def bridge_gaps(values: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Fill non-finite samples by straight lines so that linear filters can run.

    Parameters
    ----------
    values
        ``(n,)`` or ``(n, k)``; not changed.

    Returns
    -------
    filled
        Same shape; linear between the neighbours, constant at the ends, 0 where a
        column holds nothing finite.
    missing
        ``(n,)`` or ``(n, k)`` True where a sample was filled. What is computed from
        these samples is not a measurement: mask it again afterwards.
    """
    missing = ~np.isfinite(values)
    if not missing.any():
        return values, missing
    filled = np.where(missing, 0.0, values)
    columns = filled.reshape(values.shape[0], -1)
    gaps = missing.reshape(values.shape[0], -1)
    index = np.arange(values.shape[0])
    for column, gap in zip(columns.T, gaps.T, strict=True):
        if gap.any() and not gap.all():
            column[gap] = np.interp(index[gap], index[~gap], column[~gap])
    return filled, missing
