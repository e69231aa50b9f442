"""Hand-arm weighted vibration.

Source
------
The weighting Wh of ISO 5349-1 in its realisable form: the band-limiting filter and the
acceleration-to-velocity transition of ISO 8041, evaluated on the frequency axis. It
agrees with ISO 5349-1:2001 Table A.2 within 0.35 % from 6.3 to 1250 Hz (tested).

Deviations from the standard
----------------------------
* ISO 5349-1 measures at the grip in 8 to 1000 Hz. A wrist sensor sits behind soft tissue
  and samples slower, so what it gives is an *index*, band-limited to
  ``usable_band_hz``, and never a daily exposure A(8).
* The weighting is applied to the spectrum of the whole record, not by a digital filter:
  exact at every rate, where a bilinear filter would warp near the Nyquist frequency.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from palpate.conditioning import bridge_gaps
from palpate.signals import FloatArray
from palpate.validation import checked_columns, checked_rate

BAND_LOW_HZ = 10**0.8
BAND_HIGH_HZ = 10**3.1
BAND_Q = 1.0 / np.sqrt(2.0)
TRANSITION_HZ = 100.0 / (2.0 * np.pi)
TRANSITION_Q = 0.64
USABLE_SHARE_OF_NYQUIST = 0.9
"""Above, anti-alias filters take over (own choice)."""
JOIN_S = 1.0
"""A straight line this long joins the record's end to its start, so that the circular
convolution sees no jump."""
FULL_BAND_HZ = (8.0, 1000.0)
"""Octave bands that ISO 5349-1 assesses."""


def wh_response(freq_hz: FloatArray) -> NDArray[np.complex128]:
    """Return the complex weighting Wh at ``freq_hz``, same shape; 0 at 0 Hz."""
    s = 2j * np.pi * np.asarray(freq_hz, dtype=np.float64)
    low, high, turn = (2.0 * np.pi * f for f in (BAND_LOW_HZ, BAND_HIGH_HZ, TRANSITION_HZ))
    highpass = s**2 / (s**2 + low * s / BAND_Q + low**2)
    lowpass = high**2 / (s**2 + high * s / BAND_Q + high**2)
    transition = (s + turn) * turn / (s**2 + turn * s / TRANSITION_Q + turn**2)
    return np.asarray(highpass * lowpass * transition)


def hand_arm_weighted(acc_mps2: FloatArray, *, fs_hz: float) -> FloatArray:
    """Return ``acc_mps2 (n, axes)`` weighted by Wh, same shape, m/s2.

    Non-finite samples are bridged by straight lines, which carry next to no vibration.
    """
    fs_hz = checked_rate(fs_hz)
    filled, _ = bridge_gaps(checked_columns(acc_mps2, "acc_mps2"))
    n = filled.shape[0]
    if n == 0:
        return np.array(filled)
    size = fft.next_fast_len(n + round(JOIN_S * fs_hz), real=True)
    response = wh_response(fft.rfftfreq(size, 1.0 / fs_hz))
    weighted = np.empty(filled.shape)
    for column, axis in enumerate(filled.T):  # one axis at a time: a day's spectrum is large
        joined = np.concatenate((axis, np.linspace(axis[-1], axis[0], size - n)))
        weighted[:, column] = fft.irfft(fft.rfft(joined) * response, size)[:n]
    return weighted


def usable_band_hz(fs_hz: float) -> tuple[float, float]:
    """Return the part of 8..1000 Hz that this sampling rate can carry; empty below about 18 Hz."""
    high = min(FULL_BAND_HZ[1], USABLE_SHARE_OF_NYQUIST * fs_hz / 2.0)
    return FULL_BAND_HZ[0], max(high, FULL_BAND_HZ[0])


def vibration_label(fs_hz: float) -> str:
    """Say what the index is at this sampling rate, for tables and figures."""
    low, high = usable_band_hz(fs_hz)
    if high <= low:
        return f"hand-arm weighted vibration: not measurable at {fs_hz:g} Hz"
    if high >= FULL_BAND_HZ[1]:
        return "hand-arm weighted vibration, 8 to 1000 Hz, at the wrist"
    return f"hand-arm weighted vibration, band-limited to {low:g} to {high:.3g} Hz, at the wrist"
