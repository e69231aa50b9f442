"""Error against motion in words: at which motion intensity a source leaves tolerance, if at all.

The fit may not fall as motion grows, so where the error does, the bins are told beside it.
"""

from __future__ import annotations

import math

import numpy as np

from palpate.explanation.dose_response import DoseResponse

HARDLY_BPM, HARDLY = 2.0, 0.2  # a rise of less is called hardly any (own choice)


def motion_sentence(dose: DoseResponse) -> str:
    """Say at which motion intensity the mean absolute error leaves tolerance, if it does."""
    tolerance = f"the tolerance of {dose.tolerance_bpm:.0f} bpm"
    outside = dose.bin_mean_bpm > dose.tolerance_bpm
    if math.isnan(dose.limit) and not outside.any():
        fails = bool((dose.absolute_error_bpm > dose.tolerance_bpm).any())
        but = ", so intensity alone does not say where it fails" if fails else ""
        return f"Mean absolute error stays within tolerance at every motion intensity seen{but}."
    if math.isnan(dose.limit):
        return (
            f"Mean absolute error is outside {tolerance} at some motion intensities, but not from "
            f"one on: {_where_largest(dose)}."
        )
    if dose.limit <= dose.grid[0]:
        return _outside_throughout(dose, tolerance, everywhere=bool(outside.all()))
    return (
        f"Mean absolute error leaves {tolerance} at a motion intensity of "
        f"{dose.limit * 1e3:.0f} mg (95 % interval {_limit_interval(dose)}){_exceptions(dose)}."
    )


def _limit_interval(dose: DoseResponse) -> str:
    if dose.limit_low <= dose.grid[0] and math.isnan(dose.limit_high):
        return "the whole range seen"
    low, high = (
        "beyond the range seen" if math.isnan(edge) else f"{edge * 1e3:.0f}"
        for edge in (dose.limit_low, dose.limit_high)
    )
    return f"{low} to {high}"


def _exceptions(dose: DoseResponse) -> str:
    """Say which bins are clearly on the wrong side of the limit: a monotone fit hides them."""
    below = (dose.bin_intensity < dose.limit_low) & (dose.bin_low_bpm > dose.tolerance_bpm)
    above = (dose.bin_intensity > dose.limit) & (dose.bin_high_bpm < dose.tolerance_bpm)
    worst = np.argmax(np.where(below, dose.bin_mean_bpm, -np.inf))
    best = np.argmin(np.where(above, dose.bin_mean_bpm, np.inf))
    told = [f"it is also {_bin(dose, worst)}"] if below.any() else []
    told += [f"it is only {_bin(dose, best)}"] if above.any() else []
    return f", but {' and '.join(told)}" if told else ""


def _outside_throughout(dose: DoseResponse, tolerance: str, *, everywhere: bool) -> str:
    """Say whether error that is too large from the least motion on grows with motion."""
    first, last = np.interp(dose.bin_intensity[[0, -1]], dose.grid, dose.fit_bpm)
    if last - first >= max(HARDLY_BPM, HARDLY * first):
        return (
            f"Mean absolute error is outside {tolerance} from the least motion on and grows with "
            f"motion, from {first:.0f} to {last:.0f} bpm{_exceptions(dose)}."
        )
    if everywhere:
        return (
            f"Mean absolute error is outside {tolerance} at every motion intensity seen and hardly "
            "grows with it, so intensity does not explain it."
        )
    return f"Mean absolute error does not grow with motion intensity: {_where_largest(dose)}."


def _where_largest(dose: DoseResponse) -> str:
    return f"it is largest with {_bin(dose, np.argmax(dose.bin_mean_bpm))}"


def _bin(dose: DoseResponse, place: np.intp) -> str:
    return f"{dose.bin_mean_bpm[place]:.1f} bpm around {dose.bin_intensity[place] * 1e3:.0f} mg"
