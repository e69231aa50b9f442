"""What a simple wrist band does: band-pass, strongest spectral line, plain smoothing.

It is the yardstick for the other estimators: it knows nothing of motion, so its
failures show what motion does to an unprotected pulse.

* Spectrum: mean over channels of the Hann periodograms, each scaled to unit power in
  the band, so that neither gain nor polarity of a channel matters. The band-pass is the
  choice of bins.
* Rate: the strongest line between 30 and 230 bpm, refined by a parabola.
* Smoothing: running median over the present window and the last four.
* Confidence: the share of in-band power that lies in the line.
"""

from __future__ import annotations

import numpy as np

from palpate.conditioning import parabolic_peak
from palpate.conditioning.statistics import ratio
from palpate.heartrate.preparation import WindowedSignals
from palpate.heartrate.spectra import power, rate_axis, window_spectra
from palpate.signals import FloatArray

SMOOTHED_S = 10.0
"""Five windows at the default step (common practice, no source)."""
LINE_HALF_WIDTH_CELLS = 2.0
"""A Hann line reaches two resolution cells to either side of its peak."""


def conventional(signals: WindowedSignals) -> tuple[FloatArray, FloatArray]:
    """Return rate in bpm and confidence in 0..1 per window, ``(w,)`` each."""
    return strongest_line(signals, signals.ppg_windows)


def strongest_line(signals: WindowedSignals, windows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return rate and confidence ``(w,)`` of the strongest line in ``windows (w, width, c)``."""
    axis = rate_axis(signals)
    rate_bpm = axis.rate_bpm
    spectra = window_spectra(windows, axis)[:, axis.candidates]
    mean = mean_channel_power(power(spectra))
    peak = np.argmax(mean, axis=1)
    bin_bpm = rate_bpm[1] - rate_bpm[0]
    hr_bpm = rate_bpm[0] + bin_bpm * parabolic_peak(mean, peak)
    cell_bpm = 60.0 * signals.fs_hz / signals.width
    near = np.abs(rate_bpm - hr_bpm[:, np.newaxis]) <= LINE_HALF_WIDTH_CELLS * cell_bpm
    total = mean.sum(axis=1)
    share = ratio((mean * near).sum(axis=1), total, undefined=0.0)
    usable = signals.usable.any(axis=1)
    depth = max(1, round(SMOOTHED_S / signals.step_s))
    return trailing_median(np.where(usable, hr_bpm, np.nan), depth), share


def mean_channel_power(per_channel: FloatArray) -> FloatArray:
    """Average ``(w, f, c)`` over channels, each scaled to sum 1 in each window; ``(w, f)``."""
    total = per_channel.sum(axis=1, keepdims=True)
    return np.asarray(ratio(per_channel, total, undefined=0.0).mean(axis=2))


def trailing_median(values: FloatArray, depth: int) -> FloatArray:
    """Return the median over each value and its last ``depth - 1`` predecessors, NaN skipped."""
    padded = np.concatenate([np.full(depth - 1, np.nan), values])
    stack = np.lib.stride_tricks.sliding_window_view(padded, depth)
    result = np.full(values.shape, np.nan)
    known = np.isfinite(stack).any(axis=1)
    result[known] = np.nanmedian(stack[known], axis=1)
    return result
