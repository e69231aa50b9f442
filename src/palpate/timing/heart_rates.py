"""Clock from heart rate against heart rate: two devices that saw one heart.

Readings are laid on a grid of `FS_HZ` by straight lines. What is compared is their slope,
smoothed over a few seconds: levels and slow trends go together in unrelated sessions too,
while the way a heart speeds up and slows down within a minute does not repeat.

A device's own delay shows as a lag, and nothing in two heart rates tells it from a clock
that is off. The offset of this method is the clock *less* whatever one device is later
than the other; a clock from movement or beats is free of it, and `latency` then measures
the delay.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from palpate.conditioning import bridge_gaps
from palpate.signals import FloatArray
from palpate.timing.clock import MAX_DRIFT_PPM, Rules, Views, fit_clock
from palpate.timing.records import ClockFit, Trace, unknown
from palpate.validation import InputError, checked_signal, checked_times

METHOD = "heart rate"
FS_HZ = 4.0
SMOOTHING_S = 1.5
MAX_BRIDGE_S = 6.0
"""A heart rate may be bridged over a few beats, not more (own choice)."""
SHORTEST_S, LONGEST_S = 60.0 / 230.0, 2.0
RR_CHANGE = 0.2
RULES = Rules(
    coarse_segment_s=120.0, least_segment_s=30.0, fine_segment_s=60.0, reach_s=3.0, sharp=False
)
MIN_SPREAD_BPM = 1.0
"""A rate that varies less, as a standard deviation, is rounding and noise (own choice)."""


def align_heart_rates(
    reference_time_s: FloatArray,
    reference_bpm: FloatArray,
    time_s: FloatArray,
    hr_bpm: FloatArray,
    *,
    max_offset_s: float | None = None,
    max_drift_ppm: float = MAX_DRIFT_PPM,
) -> ClockFit:
    """Fit the clock of one heart-rate series to another's.

    Parameters
    ----------
    reference_time_s, time_s
        Seconds of each reading ``(n,)``, ``(m,)``, sorted.
    reference_bpm, hr_bpm
        Readings; NaN for no value.
    max_offset_s, max_drift_ppm
        As in `fit_clock`.
    """
    reference = regular_rate(reference_time_s, reference_bpm)
    recording = regular_rate(time_s, hr_bpm)
    for name, trace in (("reference", reference), ("recording", recording)):
        known = trace.values[np.isfinite(trace.values)]
        if known.size == 0 or float(known.std()) < MIN_SPREAD_BPM:
            return unknown(METHOD, f"the heart rate of the {name} hardly changes")
    first, second = (Views(view, view) for view in map(rate_slope, (reference, recording)))
    return fit_clock(
        first,
        second,
        method=METHOD,
        rules=RULES,
        max_offset_s=max_offset_s,
        max_drift_ppm=max_drift_ppm,
    )


def regular_rate(time_s: FloatArray, hr_bpm: FloatArray, *, fs_hz: float = FS_HZ) -> Trace:
    """Lay readings on a uniform grid; NaN inside gaps of more than `MAX_BRIDGE_S`."""
    time_s = checked_times(time_s, "the times of a heart rate")
    hr_bpm = checked_signal(hr_bpm, "a heart rate")
    if time_s.shape != hr_bpm.shape:
        raise InputError(f"a heart rate has {time_s.size} times but {hr_bpm.size} values")
    good = np.isfinite(hr_bpm)
    if not good.any():
        return Trace(np.empty(0), fs_hz)
    time_s, hr_bpm = time_s[good], hr_bpm[good]
    start_s = float(time_s[0])
    grid_s = start_s + np.arange(int((time_s[-1] - start_s) * fs_hz) + 1) / fs_hz
    values = np.interp(grid_s, time_s, hr_bpm)
    if time_s.size > 1:
        after = np.clip(np.searchsorted(time_s, grid_s), 1, time_s.size - 1)
        inside = (time_s[after - 1] < grid_s) & (grid_s < time_s[after])
        values[inside & (time_s[after] - time_s[after - 1] > MAX_BRIDGE_S)] = np.nan
    return Trace(values, fs_hz, start_s)


def rate_of_beats(beat_time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the middle of every RR interval and its rate in bpm, NaN where implausible.

    An interval is implausible outside `SHORTEST_S` to `LONGEST_S`, or more than
    `RR_CHANGE` off the median of the seven around it (common practice, no source).
    """
    beat_time_s = checked_times(beat_time_s, "beat times")
    interval_s = np.diff(beat_time_s)
    middle_s = beat_time_s[:-1] + interval_s / 2.0
    if interval_s.size == 0:
        return middle_s, interval_s
    usual_s = ndimage.median_filter(interval_s, size=7, mode="nearest")
    plausible = (interval_s >= SHORTEST_S) & (interval_s <= LONGEST_S)
    plausible &= np.abs(interval_s - usual_s) <= RR_CHANGE * usual_s
    rate = np.full(interval_s.shape, np.nan)
    rate[plausible] = 60.0 / interval_s[plausible]
    return middle_s, rate


def rate_slope(rate: Trace) -> Trace:
    """Return the smoothed slope of a regular heart rate, NaN where that is missing."""
    filled, missing = bridge_gaps(rate.values)
    slope = ndimage.gaussian_filter1d(filled, SMOOTHING_S * rate.fs_hz, order=1)
    slope[missing] = np.nan
    return Trace(slope, rate.fs_hz, rate.start_s)
