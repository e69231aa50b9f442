"""How far a sum over windows that go together may be off, from the sums of blocks of neighbours.

All blocks count, overlapping and on a circle (Künsch 1989, Ann Stat 17:1217; Meketon &
Schmeiser 1984, Proc Winter Simulation Conf:226). `long_variance_of_sum` first takes out what a
window tells of the next, since blocks that are not long beside the memory of the windows say
too little (prewhitening: Andrews & Monahan 1992, Econometrica 60:953).
"""

from __future__ import annotations

import numpy as np

from palpate.signals import FloatArray

MOST_MEMORY = 0.97
"""Correlation of neighbours beyond which a few minutes say nothing (Andrews & Monahan 1992)."""


def variance_of_sum(values: FloatArray, block: int) -> FloatArray:
    """Return the variance of the sum of ``values (n, ...)`` of mean 0; 0 for a single block."""
    n = values.shape[0]
    if n <= block:
        return np.zeros(values.shape[1:])
    around = np.concatenate([np.zeros((1, *values.shape[1:])), values, values[:block]])
    sums = np.cumsum(around, axis=0)
    of_blocks = sums[block : block + n] - sums[:n]
    n_blocks = n / block
    return np.asarray((of_blocks**2).mean(axis=0) * n_blocks**2 / (n_blocks - 1.0))


def long_variance_of_sum(values: FloatArray, block: int) -> FloatArray:
    """Return the same for ``values (n, ...)`` whose memory may be long beside a block."""
    power = (values**2).sum(axis=0)
    memory = (values[1:] * values[:-1]).sum(axis=0) / np.where(power > 0.0, power, 1.0)
    memory = np.clip(memory, -MOST_MEMORY, MOST_MEMORY)
    news = values[1:] - memory * values[:-1]
    news -= news.mean(axis=0)
    return np.asarray(variance_of_sum(news, block) / (1.0 - memory) ** 2)


def block_freedom(n_blocks: float) -> float:
    """Return the degrees of freedom of either: overlapping blocks tell half as much again."""
    return 1.5 * n_blocks - 1.0
