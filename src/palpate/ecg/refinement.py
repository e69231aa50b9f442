"""When, between two samples, an R peak is.

At 100 to 250 Hz the sampling interval itself is what limits RR intervals: rounding to 4 ms
adds 1.6 ms to their spread (two uniform errors of 4/sqrt(12) ms). Band-limited interpolation
to 1 kHz and a parabola through the summit recover it (Merri et al. 1990, IEEE Trans Biomed
Eng 37:99 on what sampling costs).

Conventions
-----------
* Times are seconds from sample 0.
* A mark moves by at most one sample interval or 6 ms, whichever is longer, and only to a
  summit of its own polarity; a mark that is on no summit stays where it is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage, signal

from palpate.conditioning import bridge_gaps, vertex_shift
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_columns, checked_rate

_FINE_HZ = 1000.0
_HALF_S = 0.06
_REACH_S = 0.006
_SMOOTH_S = 0.008  # twice; hides mains and rounding, keeps the peak where it is


def refine_peaks(ecg: ArrayLike, peaks: ArrayLike, *, fs_hz: float) -> FloatArray:
    """Return peak times to a fraction of a sample.

    Parameters
    ----------
    ecg
        ``(n,)`` or ``(n, leads)``, of which the first shows the peaks.
    peaks
        ``(beats,)`` sample indices, sorted, as ``detect_qrs`` gives them.

    Returns
    -------
    FloatArray
        ``(beats,)`` seconds from sample 0, sorted.

    Raises
    ------
    InputError
        If a peak lies outside the ECG.
    """
    lead = bridge_gaps(checked_columns(ecg, "ecg")[:, 0])[0]
    fs_hz = checked_rate(fs_hz)
    at = np.asarray(peaks)
    if at.size == 0:
        return np.zeros(0)
    if at.dtype.kind not in "iu" or at.ndim != 1:
        raise InputError("peaks must be whole sample indices (beats,), not times")
    if at.min() < 0 or at.max() >= lead.size:
        raise InputError(f"a peak lies outside the ECG of {lead.size} samples")
    fine = max(1, int(np.ceil(_FINE_HZ / fs_hz)))
    half = max(4, round(_HALF_S * fs_hz))
    index = np.clip(at[:, np.newaxis] + np.arange(-half, half + 1), 0, lead.size - 1)
    windows = lead[index]
    windows = windows - np.median(windows, axis=1, keepdims=True)
    upright = windows * np.sign(windows[:, half : half + 1])
    curve = signal.resample_poly(upright, fine, 1, axis=1, padtype="line")
    for _ in range(2):
        curve = ndimage.uniform_filter1d(curve, round(_SMOOTH_S * fine * fs_hz) | 1, axis=1)
    reach = max(fine, round(_REACH_S * fine * fs_hz))
    vertex = _vertex(curve[:, half * fine - reach : half * fine + reach + 1])
    moved = np.where(np.isnan(vertex), 0.0, vertex - reach)
    return np.asarray((at + moved / fine) / fs_hz)


def _vertex(curve: FloatArray) -> FloatArray:
    """Return the place of each row's highest summit, in columns; NaN where it is at the rim."""
    rows, last = np.arange(curve.shape[0]), curve.shape[1] - 1
    top = curve.argmax(axis=1)
    inner = np.clip(top, 1, last - 1)
    shift = vertex_shift(*(curve[rows, inner + d] for d in (-1, 0, 1)))
    return np.where(inner == top, inner + shift, np.nan)
