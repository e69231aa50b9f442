"""Samples that no longer measure: held at a converter's rail, or frozen at one value.

A clipped stretch lies at the largest or the smallest value of its record for several
samples in a row, give or take a converter's jitter, and leaves it with a corner, where a
rounded peak leaves like a parabola. A frozen stretch repeats one value anywhere in the
range. Both rules compare samples with each other only, so gain and offset do not matter.
"""

from __future__ import annotations

import numpy as np

from palpate.conditioning.gaps import runs
from palpate.signals import BoolArray, FloatArray, IntArray

MIN_RAIL_RUN = 3
"""Samples in a row at an extreme; a lone extreme is a peak (own choice)."""
RAIL_JITTER = 1e-3
"""Share of the record's range within which samples lie at the same rail: four steps of a
12-bit converter (own choice)."""
CORNER_DEPTH = 64.0
"""How far, in jitters, the signal must be from the rail one run length after it left it. The
rounded top of a parabola, which lies within a jitter of its highest value for just such a run, is
9 jitters down by then (own choice, wide enough for pulses that a jump of level makes small)."""
MIN_RANGE_STEPS = 32
"""A record of fewer quantisation steps is a quiet sensor, not a clipped one (own choice)."""
SAME = 1e-9
"""Samples closer than this share of the record's range are equal: float rounding only."""
USUAL = (0.01, 0.99)
"""Quantiles whose distance is that range where samples may be frozen: one absurd sample must
not make all others look alike."""


def at_rail(values: FloatArray) -> BoolArray:
    """Return where ``values (n,)`` sits at its record's extremes, ``(n,)``.

    Non-finite samples are not at a rail; a record that spans fewer than
    ``MIN_RANGE_STEPS`` of its own quantisation steps has none.
    """
    finite = values[np.isfinite(values)]
    if finite.size < MIN_RAIL_RUN:
        return np.zeros(values.shape, dtype=np.bool_)
    low, high = float(finite.min()), float(finite.max())
    steps = np.abs(np.diff(finite))
    steps = steps[steps > SAME * (high - low)]
    if steps.size == 0 or high - low < MIN_RANGE_STEPS * float(steps.min()):
        return np.zeros(values.shape, dtype=np.bool_)
    jitter = RAIL_JITTER * (high - low)
    return _cornered(high - values, jitter) | _cornered(values - low, jitter)


def _cornered(depth: FloatArray, jitter: float) -> BoolArray:
    """Return the runs of ``depth`` from a rail within ``jitter`` that end in a corner."""
    first, end = runs(depth <= jitter)
    length = end - first
    before, after = np.maximum(first - length, 0), np.minimum(end - 1 + length, depth.size - 1)
    corner = np.fmax(depth[before], depth[after]) > CORNER_DEPTH * jitter
    return _filled(depth.size, first, end, (length >= MIN_RAIL_RUN) & corner)


def frozen(values: FloatArray, *, min_run: int) -> BoolArray:
    """Return where ``values (n,)`` repeats one value for ``min_run`` samples or more, ``(n,)``.

    Non-finite samples are not frozen; they are missing.
    """
    if values.size < 2:
        return np.zeros(values.shape, dtype=np.bool_)
    finite = np.isfinite(values)
    span = float(np.ptp(np.quantile(values[finite], USUAL))) if finite.any() else 0.0
    with np.errstate(invalid="ignore"):
        same = np.abs(np.diff(values)) <= SAME * span
    first, end = runs(same)
    held = _filled(same.size, first, end, end - first >= max(min_run - 1, 1))
    return np.concatenate((held, [False])) | np.concatenate(([False], held))


def _filled(size: int, first: IntArray, end: IntArray, keep: BoolArray) -> BoolArray:
    edges = np.zeros(size + 1, dtype=np.int8)
    edges[first[keep]] = 1
    edges[end[keep]] -= 1
    return np.cumsum(edges[:-1]).astype(np.bool_)
