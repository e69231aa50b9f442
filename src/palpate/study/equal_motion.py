"""Whether two sides moved alike enough to be compared at all."""

from __future__ import annotations

import numpy as np

from palpate.evaluation.overlap import LEAST_IN_COMMON, within_middle
from palpate.signals import FloatArray


def motion_in_common(first_g: FloatArray, second_g: FloatArray) -> bool:
    """Return whether two sides moved enough alike that their errors can be compared at all."""
    return all(
        np.mean(within_middle(one, other)) >= LEAST_IN_COMMON
        for one, other in ((first_g, second_g), (second_g, first_g))
    )
