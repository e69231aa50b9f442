"""Whether two sides moved alike enough to be compared at all."""

from __future__ import annotations

import numpy as np

from palpate.signals import FloatArray

MIDDLE_PERCENT = (5.0, 95.0)
LEAST_IN_COMMON = 0.5
"""Of each side's windows so many must lie in the middle of the other's motion (own choice)."""


def motion_in_common(first_g: FloatArray, second_g: FloatArray) -> bool:
    """Return whether two sides moved enough alike that their errors can be compared at all."""
    return all(
        np.mean((one >= low) & (one <= high)) >= LEAST_IN_COMMON
        for one, other in ((first_g, second_g), (second_g, first_g))
        for low, high in [np.percentile(other, MIDDLE_PERCENT)]
    )
