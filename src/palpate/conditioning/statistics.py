"""Statistics of every window, or of neighbours, at a cost that overlap does not multiply."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from palpate.signals import BoolArray, FloatArray, IntArray

MAX_MISSING_SHARE = 0.25
"""A window that misses more of its samples is undefined: its measures would describe the
straight lines that bridge its gaps (own choice)."""
MAD_TO_SD = 1.4826
"""Standard deviation of Gaussian noise over its median absolute deviation."""


def window_means(values: FloatArray | BoolArray, first: IntArray, width: int) -> FloatArray:
    """Return the mean of the finite samples of each window, ``(n_windows, ...)``.

    Parameters
    ----------
    values
        ``(n,)`` or ``(n, k)``; a boolean array gives shares of True.
    first, width
        As from ``window_samples``.

    Returns
    -------
    FloatArray
        NaN where a window holds no finite sample. The cost grows with the logarithm of
        ``width``, and hardly with how much the windows overlap.
    """
    finite = np.isfinite(values)
    if finite.all():
        return _window_sums(values, first, width) / width
    sums = _window_sums(np.where(finite, values, 0.0), first, width)
    counts = _window_sums(finite, first, width)
    return ratio(sums, counts)


def moving_mean(values: FloatArray, count: int) -> FloatArray:
    """Return the mean of the finite values among ``count`` neighbours of each, ``(n,)``.

    NaN where there is none. Beyond the ends there are none either.
    """
    finite = np.isfinite(values)
    total = ndimage.uniform_filter1d(np.where(finite, values, 0.0), count, mode="constant")
    known = ndimage.uniform_filter1d(finite.astype(np.float64), count, mode="constant")
    known[known < 0.5 / count] = 0.0  # running sums leave rounding errors
    return ratio(total, known)


def ratio(
    numerator: FloatArray, denominator: FloatArray, *, undefined: float = np.nan
) -> FloatArray:
    """Divide where the denominator is above zero; ``undefined`` elsewhere.

    The shapes must broadcast to one another.
    """
    shape = np.broadcast_shapes(numerator.shape, denominator.shape)
    result = np.full(shape, undefined)
    np.divide(numerator, denominator, out=result, where=np.broadcast_to(denominator > 0, shape))
    return result


def _window_sums(values: NDArray[np.generic], first: IntArray, width: int) -> FloatArray:
    """Return the sum of the ``width`` samples from each of ``first`` on, ``(n_windows, ...)``.

    Sums of 1, 2, 4 ... neighbours are built on each other, and each window is put together from
    them. A difference of running sums would be quicker, but it rounds to a share of all that came
    before: after one absurd sample nothing would be left of the others.
    """
    total = np.zeros((first.size, *values.shape[1:]))
    sums, span, at = np.asarray(values, dtype=np.float64), 1, first
    while span <= width:
        if width & span:
            total += sums[at]
            at = at + span
        sums = sums[:-span] + sums[span:]
        span *= 2
    return total
