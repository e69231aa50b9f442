"""Samples that no longer measure: held at a converter's rail, or frozen at one value.

A clipped stretch touches the largest or the smallest value of its record for several
samples in a row; a frozen stretch repeats one value anywhere in the range. Both rules
compare samples with each other only, so gain and offset do not matter.
"""

from __future__ import annotations

import numpy as np

from palpate.conditioning.gaps import runs
from palpate.signals import BoolArray, FloatArray

MIN_RAIL_RUN = 3
"""Samples in a row at an extreme; a lone extreme is a peak (own choice)."""
MIN_RANGE_STEPS = 32
"""A record of fewer quantisation steps is a quiet sensor, not a clipped one (own choice)."""
SAME = 1e-9
"""Samples closer than this share of the record's range are equal: float rounding only."""


def at_rail(values: FloatArray) -> BoolArray:
    """Return where ``values (n,)`` sits at its record's extremes, ``(n,)``.

    Non-finite samples are not at a rail; a record that spans fewer than
    ``MIN_RANGE_STEPS`` of its own quantisation steps has none.
    """
    finite = values[np.isfinite(values)]
    none = np.zeros(values.shape, dtype=np.bool_)
    if finite.size < MIN_RAIL_RUN:
        return none
    low, high = float(finite.min()), float(finite.max())
    steps = np.abs(np.diff(finite))
    steps = steps[steps > SAME * (high - low)]
    if steps.size == 0 or high - low < MIN_RANGE_STEPS * float(steps.min()):
        return none
    margin = SAME * (high - low)
    long_top = _long_runs(values >= high - margin, MIN_RAIL_RUN)
    return long_top | _long_runs(values <= low + margin, MIN_RAIL_RUN)


def frozen(values: FloatArray, *, min_run: int) -> BoolArray:
    """Return where ``values (n,)`` repeats one value for ``min_run`` samples or more, ``(n,)``.

    Non-finite samples are not frozen; they are missing.
    """
    if values.size < 2:
        return np.zeros(values.shape, dtype=np.bool_)
    finite = np.isfinite(values)
    span = float(np.ptp(values[finite])) if finite.any() else 0.0
    with np.errstate(invalid="ignore"):
        same = np.abs(np.diff(values)) <= SAME * span
    held = _long_runs(same, max(min_run - 1, 1))
    return np.concatenate((held, [False])) | np.concatenate(([False], held))


def _long_runs(mask: BoolArray, min_run: int) -> BoolArray:
    first, end = runs(mask)
    keep = end - first >= min_run
    edges = np.zeros(mask.size + 1, dtype=np.int8)
    edges[first[keep]] = 1
    edges[end[keep]] = -1
    return np.cumsum(edges[:-1]).astype(np.bool_)
