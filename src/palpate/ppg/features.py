"""What the light carried in every window: one table from one or more optical channels.

Columns
-------
==================== ==============================================================
perfusion_index_pct  100 · AC / DC; NaN where the device removed the DC
skewness             third standardised moment of the filtered light
template_correlation mean correlation of the pulses with their mean pulse
spectral_peak_ratio  highest over median power in 0.5 to 4 Hz
spectral_entropy     spread of the power in 0.5 to 4 Hz: 0 one line, 1 flat
peak_rate_per_min    where that highest power lies
dc_step              largest jump of level, in multiples of the swing beside it; 0: none
clipped_share        samples at the converter's rails
missing_share        samples missing, or frozen for half a second or more
channel              column of ``ppg`` that the row describes
==================== ==============================================================

Of several channels each row describes the one with the highest spectral peak ratio in
that window. ``quality`` defines the measures and names their sources. Windows that miss
more than ``MAX_MISSING_SHARE`` of their samples give NaN in the first six columns.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from palpate.conditioning import STEP_S, WINDOW_S, SignalWindows, resample
from palpate.conditioning.rails import at_rail
from palpate.conditioning.statistics import MAX_MISSING_SHARE, ratio
from palpate.ppg import quality
from palpate.ppg.preparation import Prepared, prepare
from palpate.ppg.pulses import pulse_times
from palpate.signals import FloatArray, WindowTable
from palpate.validation import checked_columns, checked_rate

QUALITY_FS_HZ = 32.0
"""Carries the whole band of ``preparation``, whatever the sensor's rate."""
MEASURES = (
    "perfusion_index_pct",
    "skewness",
    "template_correlation",
    "spectral_peak_ratio",
    "spectral_entropy",
    "peak_rate_per_min",
)


def ppg_windows(
    ppg: FloatArray,
    *,
    fs_hz: float,
    start_s: float = 0.0,
    window_s: float = WINDOW_S,
    step_s: float = STEP_S,
) -> WindowTable:
    """Measure the light in every window; the module says what each column is.

    Parameters
    ----------
    ppg
        ``(n,)`` or ``(n, channels)`` in any unit; NaN marks missing samples.
    fs_hz
        Samples per second.
    start_s
        Time of the first sample; windows start there.
    """
    fs_hz = checked_rate(fs_hz)
    channels = checked_columns(ppg, "ppg")
    windows = SignalWindows.of(
        channels.shape[0], fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s
    )
    tables = [_channel_columns(channel, windows) for channel in channels.T]
    peak_ratio = np.stack([table["spectral_peak_ratio"] for table in tables])
    best = np.argmax(np.where(np.isnan(peak_ratio), -1.0, peak_ratio), axis=0)
    rows = np.arange(len(windows))
    columns: dict[str, NDArray[np.generic]] = {
        name: np.stack([table[name] for table in tables])[best, rows] for name in tables[0]
    }
    columns["channel"] = best
    return windows.table(columns)


def _channel_columns(channel: FloatArray, windows: SignalWindows) -> dict[str, FloatArray]:
    prepared = prepare(channel, fs_hz=windows.fs_hz)
    missing_share = windows.means(prepared.missing)
    columns = dict(zip(MEASURES, _measures(channel, prepared, windows), strict=True))
    for column in columns.values():
        column[missing_share > MAX_MISSING_SHARE] = np.nan
    columns["dc_step"] = _largest_step(prepared, windows)
    columns["clipped_share"] = windows.means(at_rail(channel))
    columns["missing_share"] = missing_share
    return columns


def _measures(channel: FloatArray, prepared: Prepared, windows: SignalWindows) -> list[FloatArray]:
    """Return the columns of ``MEASURES`` for one channel."""
    if len(windows) == 0:
        return [np.empty(0) for _ in MEASURES]
    fs_hz = windows.fs_hz
    light = resample(prepared.filtered, fs_hz=fs_hz, to_hz=QUALITY_FS_HZ)
    slow = windows.at_rate(QUALITY_FS_HZ, light.size).of_samples(light)
    perfusion = np.full(len(windows), np.nan)
    measured = np.where(prepared.missing, np.nan, channel)
    if quality.has_dc(measured):
        level = windows.means(measured)
        perfusion = 100.0 * ratio(quality.peak_to_peak(slow, fs_hz=QUALITY_FS_HZ), level)
    pulse_s = pulse_times(prepared, fs_hz=fs_hz)
    alike = quality.template_correlation(
        prepared.normalised(), pulse_s, fs_hz=fs_hz, first=windows.first, width=windows.width
    )
    peak_ratio, entropy, rate = quality.spectral_shape(slow, fs_hz=QUALITY_FS_HZ)
    return [perfusion, quality.skewness(slow), alike, peak_ratio, entropy, rate]


def _largest_step(prepared: Prepared, windows: SignalWindows) -> FloatArray:
    """Return the largest jump inside each window, ``(n_windows,)``; 0 without any."""
    first, largest = windows.first, np.zeros(len(windows))
    for sample, swings in zip(prepared.steps.sample, prepared.steps.swings, strict=True):
        inside = (first <= sample) & (sample < first + windows.width)
        largest[inside] = np.maximum(largest[inside], swings)
    return largest
