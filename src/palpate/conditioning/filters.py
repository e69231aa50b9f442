"""Zero-phase Butterworth filters as second-order sections that survive gaps and short input."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import signal

from palpate.conditioning.gaps import bridge_gaps
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_rate, checked_samples

Kind = Literal["lowpass", "highpass", "bandpass"]


def zero_phase(
    values: ArrayLike,
    *,
    fs_hz: float,
    low_hz: float | None = None,
    high_hz: float | None = None,
    order: int = 2,
    keep_gaps: bool = True,
) -> FloatArray:
    """Filter forward and backward along axis 0, so nothing is shifted in time.

    Parameters
    ----------
    values
        ``(n,)`` or ``(n, k)``; non-finite samples are bridged by straight lines first.
    low_hz, high_hz
        -6 dB edges of the pass band (each direction contributes 3 dB); leave one out
        for a low-pass or high-pass. A ``high_hz`` from the Nyquist frequency on (less 0.2 %)
        counts as left out.
    order
        Order of the Butterworth prototype in one direction.
    keep_gaps
        Put NaN back where the input was not finite.

    Returns
    -------
    FloatArray
        Same shape as ``values``.

    Raises
    ------
    InputError
        If no edge is left, an edge is not between 0 and the Nyquist frequency, the edges are
        not in order, or these are no samples.
    """
    values = checked_samples(values, "values")
    fs_hz = checked_rate(fs_hz)
    if high_hz is not None and high_hz >= 0.499 * fs_hz:
        high_hz = None
    sections = butterworth(fs_hz, low_hz, high_hz, order)
    filled, missing = bridge_gaps(values)
    if filled.shape[0] < 2:
        return np.array(values, dtype=np.float64)
    slowest_hz = min(edge for edge in (low_hz, high_hz) if edge is not None)
    pad = min(filled.shape[0] - 1, round(3.0 * fs_hz / max(slowest_hz, 0.05)))
    result = np.asarray(signal.sosfiltfilt(sections, filled, axis=0, padlen=pad), dtype=np.float64)
    if keep_gaps:
        result[missing] = np.nan
    return result


@lru_cache(maxsize=64)
def butterworth(
    fs_hz: float, low_hz: float | None, high_hz: float | None, order: int
) -> FloatArray:
    """Return second-order sections of a Butterworth filter with these edges."""
    if low_hz is None and high_hz is None:
        raise InputError(f"no filter edge lies below the Nyquist frequency of {fs_hz / 2:g} Hz")
    for edge_hz in (low_hz, high_hz):
        if edge_hz is not None and not 0 < edge_hz < fs_hz / 2:
            raise InputError(
                f"a filter edge of {edge_hz:g} Hz cannot be at {fs_hz:g} samples per second; it "
                f"must lie above 0 and below {fs_hz / 2:g} Hz"
            )
    if low_hz is not None and high_hz is not None:
        if low_hz >= high_hz:
            raise InputError(f"the pass band {low_hz:g} to {high_hz:g} Hz is not in order")
        edges: float | list[float] = [low_hz, high_hz]
        kind: Kind = "bandpass"
    elif low_hz is not None:
        edges, kind = low_hz, "highpass"
    else:
        assert high_hz is not None  # noqa: S101 - the first branch has ruled this out
        edges, kind = high_hz, "lowpass"
    return np.asarray(signal.butter(order, edges, kind, fs=fs_hz, output="sos"))
