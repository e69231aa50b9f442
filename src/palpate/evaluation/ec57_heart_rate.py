"""Heart-rate error as ANSI/AAMI EC38 and EC57 state it.

Every measurement of the device in the test period is paired with the reference
measurement nearest in time (of two equally near the later). The root mean square of the
differences is given as it is, and as a percentage of the mean of the paired reference
values. How the reference rates were made must be disclosed with the result.

Source: the reference program ``mxm`` of the WFDB software, version 10.7.0.

Deviation
---------
The program's count of measurements includes the learning period, which its sums leave
out; the count here does not, so that a mean is a mean.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from palpate.evaluation.ec57 import LEARNING_S
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_signal, checked_times


@dataclass(frozen=True, slots=True)
class HeartRateError:
    """Root mean square error over ``n`` measurements; NaN without any.

    The percentage is NaN where the mean of the reference is 0.
    """

    n: int
    rms_bpm: float
    normalised_rms_pct: float
    mean_reference_bpm: float


def heart_rate_error(
    reference_s: ArrayLike,
    reference_bpm: ArrayLike,
    estimate_s: ArrayLike,
    estimate_bpm: ArrayLike,
    *,
    learning_s: float = LEARNING_S,
) -> HeartRateError:
    """Return the error of measurements ``(m,)`` against reference measurements ``(n,)``.

    A measurement that is not finite is none, on either side.

    Raises
    ------
    InputError
        If times are not sorted, a side's times and rates differ in number, or there is
        no reference.
    """
    reference_at, reference = _measurements(reference_s, reference_bpm, "reference")
    at, estimate = _measurements(estimate_s, estimate_bpm, "estimate")
    if reference.size == 0:
        raise InputError("there is no reference measurement to compare with")
    at, estimate = at[at >= learning_s], estimate[at >= learning_s]
    after = np.searchsorted(reference_at, at).clip(max=reference.size - 1)
    before = np.maximum(after - 1, 0)
    later_is_nearer = np.abs(reference_at[after] - at) <= np.abs(at - reference_at[before])
    paired = reference[np.where(later_is_nearer, after, before)]
    if paired.size == 0:
        return HeartRateError(0, float("nan"), float("nan"), float("nan"))
    rms = float(np.sqrt(np.mean((estimate - paired) ** 2)))
    mean = float(paired.mean())
    share_pct = 100.0 * rms / mean if mean else float("nan")
    return HeartRateError(paired.size, rms, share_pct, mean)


def _measurements(times: ArrayLike, rates: ArrayLike, side: str) -> tuple[FloatArray, FloatArray]:
    at = checked_times(times, f"the series of {side} times")
    rate = checked_signal(rates, f"the {side} rates")
    if at.shape != rate.shape:
        raise InputError(f"the {side} has {at.size} times but {rate.size} rates")
    measured = np.isfinite(rate)
    return at[measured], rate[measured]
