"""Clock from acceleration against acceleration: two devices on one body.

Only the magnitude is used, so neither orientation nor unit nor gain matters.

* Coarse view: the logarithm of how much was moved (root mean square above 0.5 Hz within
  about a second). Moments of effort do not repeat, so it finds the lag among all.
* Fine view: the magnitude itself between `BAND_HZ`, at `FINE_HZ`. Within steady walking it
  fits at every step; pooled over the recording only the true lag remains, and where it
  does not, the verdict is *ambiguous*.

Two wrists move differently, so their magnitudes need not peak together: a lag from one
body site against another is that of the shared movement, within some 10 ms of the clock.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from palpate.conditioning import bridge_gaps, resample, zero_phase
from palpate.signals import FloatArray
from palpate.timing.clock import MAX_DRIFT_PPM, Rules, Views, fit_clock
from palpate.timing.records import ClockFit, Trace, unknown
from palpate.validation import InputError, checked_columns, checked_rate

METHOD = "acceleration"
FINE_HZ = 50.0
COARSE_HZ = 4.0
BAND_HZ = (0.5, 10.0)
ENVELOPE_S = 0.5
QUIET = 0.05
"""Movement below this share of the recording's own is no more than noise (own choice)."""
RULES = Rules(
    coarse_segment_s=60.0, least_segment_s=15.0, fine_segment_s=20.0, reach_s=1.5, sharp=True
)
MIN_RATE_HZ = 10.0


def align_accelerations(
    reference: FloatArray,
    recording: FloatArray,
    *,
    reference_fs_hz: float,
    fs_hz: float,
    reference_start_s: float = 0.0,
    start_s: float = 0.0,
    max_offset_s: float | None = None,
    max_drift_ppm: float = MAX_DRIFT_PPM,
) -> ClockFit:
    """Fit the clock of one accelerometer to another's.

    Parameters
    ----------
    reference, recording
        ``(n, axes)`` and ``(m, axes)`` in any unit; NaN for missing samples.
    reference_fs_hz, fs_hz
        Nominal rates; at least `MIN_RATE_HZ`.
    reference_start_s, start_s
        Second of the first sample, each on its own clock.
    max_offset_s, max_drift_ppm
        As in `fit_clock`.
    """
    first = movement_views(reference, fs_hz=reference_fs_hz, start_s=reference_start_s)
    second = movement_views(recording, fs_hz=fs_hz, start_s=start_s)
    for name, views in (("reference", first), ("recording", second)):
        if not np.nanmax(np.abs(views.fine.values), initial=0.0) > 0.0:
            return unknown(METHOD, f"the {name} holds no movement")
    return fit_clock(
        first,
        second,
        method=METHOD,
        rules=RULES,
        max_offset_s=max_offset_s,
        max_drift_ppm=max_drift_ppm,
    )


def movement_views(acc: FloatArray, *, fs_hz: float, start_s: float = 0.0) -> Views:
    """Return the coarse and the fine view of an accelerometer, ``(n, axes)``."""
    values = checked_columns(acc, "acc")
    if checked_rate(fs_hz) < MIN_RATE_HZ:
        raise InputError(f"an accelerometer at {fs_hz:g} Hz is too slow; {MIN_RATE_HZ:g} Hz needed")
    magnitude = np.sqrt(np.square(values).sum(axis=1))
    fine = zero_phase(magnitude, fs_hz=fs_hz, low_hz=BAND_HZ[0], high_hz=BAND_HZ[1], order=2)
    fine = resample(fine, fs_hz=fs_hz, to_hz=FINE_HZ)
    filled, missing = bridge_gaps(fine)
    power = ndimage.gaussian_filter1d(np.square(filled), ENVELOPE_S * FINE_HZ)
    rms = np.sqrt(np.maximum(power, 0.0))
    usual = float(np.median(rms)) if rms.size else 0.0
    effort = np.log(rms + QUIET * usual + np.finfo(np.float64).tiny)
    effort[missing] = np.nan
    step = round(FINE_HZ / COARSE_HZ)
    return Views(Trace(effort[::step], FINE_HZ / step, start_s), Trace(fine, FINE_HZ, start_s))
