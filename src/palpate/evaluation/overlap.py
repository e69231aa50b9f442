"""Whether errors at one amount of motion can be held against errors at another.

A curve of error against motion says nothing of motion it has not seen: two sides are compared
only where one moved as the other mostly did, and only if enough of it did.
"""

from __future__ import annotations

import numpy as np

from palpate.signals import BoolArray, FloatArray

MIDDLE_PERCENT = (5.0, 95.0)
LEAST_IN_COMMON = 0.5
"""Of a side's windows so many must lie in the middle of the other's motion (own choice)."""


def within_middle(motion: FloatArray, of_others: FloatArray) -> BoolArray:
    """Return which of ``motion (n,)`` lie in the middle nine tenths of ``of_others (m,)``."""
    low, high = np.percentile(of_others, MIDDLE_PERCENT)
    return np.asarray((motion >= low) & (motion <= high))
