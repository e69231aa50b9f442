"""Share out what several things achieve together, fairly and exactly (Shapley 1953).

Each player is credited with what it adds to the players before it, averaged over every
order in which they may come ("A value for n-person games", Contributions to the Theory of
Games II:307). The shares sum to what all achieve together. For regressors and explained
variance this is the measure of Lindeman, Merenda & Gold 1980, in the closed form of
Grömping 2007, Am Stat 61:139.

A set's value may be anything that can be subtracted and averaged; nothing is assumed of
it, so shares may be negative.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations
from math import factorial

import numpy as np

from palpate.signals import FloatArray
from palpate.validation import InputError

MOST_PLAYERS = 10
"""Their 1024 sets are what can still be computed one by one."""


def subsets(players: Sequence[str]) -> Iterator[frozenset[str]]:
    """Yield every set of players, small ones first, each size in the order of ``players``."""
    if len(set(players)) != len(players) or len(players) > MOST_PLAYERS:
        raise InputError(f"players must be at most {MOST_PLAYERS} different names")
    for size in range(len(players) + 1):
        yield from map(frozenset, combinations(players, size))


def shapley_weights(players: Sequence[str]) -> FloatArray:
    """Return ``(k, 2**k)``: shares are these weights times the values in `subsets` order."""
    count = len(players)
    weights = np.zeros((count, 2**count))
    for column, members in enumerate(subsets(players)):
        for row, player in enumerate(players):
            if player in members:
                weights[row, column] = _orders(len(members) - 1, count)
            else:
                weights[row, column] = -_orders(len(members), count)
    return weights


def _orders(before: int, count: int) -> float:
    """Return the share of all orders in which just a given set of ``before`` comes first."""
    return factorial(before) * factorial(count - before - 1) / factorial(count)
