"""Jumps of the light's level: a lost contact, a changed grip, a re-driven LED.

A jump is a change of level that the signal's own swing does not explain, neither before nor
after it. The light is cut into quarters of a second. Across each quarter the mean level of the
second before is compared with that of the second after; if they differ by more than ``MIN_STEP``
times the larger swing of the two seconds, it is a jump. The swing of a second is the range of
its four quarters' medians, or the usual range inside a quarter if that is larger, as when a whole
pulse fits into one. On a ramp, levels differ by 5/3 of the swing, so a ramp is no jump.

Own rule; it compares the signal with itself only, so gain and offset do not matter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from palpate.conditioning.statistics import ratio
from palpate.signals import FloatArray, IntArray

BLOCK_S = 0.25
SIDE_BLOCKS = 4
"""Blocks on each side: one second, which holds most of a pulse at 40 bpm and more."""
MIN_STEP = 2.5
"""In multiples of the larger swing beside it (own choice)."""
NEGLIGIBLE = 1e-6
"""Swings below this share of the record's range are rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Jumps of one channel, in order of time.

    ``sample`` first sample of the new level ``(k,)``; ``size`` change of level in the
    channel's unit; ``swings`` its magnitude in multiples of the swing beside it.
    """

    sample: IntArray
    size: FloatArray
    swings: FloatArray


def find_steps(values: FloatArray, *, fs_hz: float) -> Steps:
    """Find the jumps in ``values (n,)``, finite."""
    block = max(round(BLOCK_S * fs_hz), 1)
    n_blocks = values.size // block
    if n_blocks < 2 * SIDE_BLOCKS + 1:
        return Steps(np.empty(0, dtype=np.intp), np.empty(0), np.empty(0))
    blocks = values[: n_blocks * block].reshape(n_blocks, block)
    level = np.median(blocks, axis=1)
    sides = sliding_window_view(level, SIDE_BLOCKS)
    inside = np.median(sliding_window_view(np.ptp(blocks, axis=1), SIDE_BLOCKS), axis=1)
    mean, swing = sides.mean(axis=1), np.maximum(np.ptp(sides, axis=1), inside)
    gap = SIDE_BLOCKS + 1
    size = mean[gap:] - mean[:-gap]
    floor = NEGLIGIBLE * float(np.ptp(level))
    swings = ratio(np.abs(size), np.maximum(np.maximum(swing[gap:], swing[:-gap]), floor))
    chosen = _highest_of_each(np.nan_to_num(swings))
    sample = np.array(
        [_edge(values, (c + SIDE_BLOCKS) * block, block) for c in chosen], dtype=np.intp
    )
    return Steps(sample, size[chosen], swings[chosen])


def remove_steps(values: FloatArray, steps: Steps, *, fs_hz: float) -> FloatArray:
    """Return ``values`` on one level, with a straight line across each jump."""
    if steps.sample.size == 0:
        return values
    offset = np.zeros(values.size)
    np.add.at(offset, steps.sample, steps.size)
    level = values - np.cumsum(offset)
    reach = max(round(BLOCK_S * fs_hz / 2), 1)
    for sample in steps.sample:
        left, right = max(sample - reach, 0), min(sample + reach, values.size - 1)
        level[left : right + 1] = np.linspace(level[left], level[right], right - left + 1)
    return level


def _highest_of_each(swings: FloatArray) -> IntArray:
    """Return the positions of jumps that are the highest within the second around them."""
    padded = np.pad(swings, SIDE_BLOCKS)
    around = sliding_window_view(padded, 2 * SIDE_BLOCKS + 1)
    highest = around.argmax(axis=1) == SIDE_BLOCKS
    return np.flatnonzero(highest & (swings > MIN_STEP))


def _edge(values: FloatArray, first: int, block: int) -> int:
    """Return the sample after the steepest change in the block and its neighbours."""
    left, right = max(first - block, 0), min(first + 2 * block, values.size)
    return left + 1 + int(np.argmax(np.abs(np.diff(values[left:right]))))
