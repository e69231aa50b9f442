"""How far the light's clock is off the heart's, from the light itself, however moved it is.

The beats give the heart's phase, one turn per beat, and the light follows that phase by the
pulse arrival time. Light and unit phasor ``exp(2 pi i phase)`` are cross-correlated over the
whole recording: where the shift is right, every stretch adds in step; elsewhere the phase
differs by what the heart rate has changed, and the sum averages out. A matched filter
of the recording's length (Turin 1960, IRE Trans Inf Theory 6:311) needs no pulse to be
detected, so it works where motion hides every single one.

Conventions
-----------
* ``right_s = stated_s * (1 + drift_ppm * 1e-6) + offset_s``: what to add to a stated time.
* The arrival of the pulse, `ARRIVAL_S`, is taken out; what it differs by between people
  (a tenth of a second, from memory) stays in the offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from palpate.conditioning import bridge_gaps, parabolic_peak, resample, zero_phase
from palpate.signals import FloatArray
from palpate.validation import checked_columns, checked_positive, checked_rate, checked_times

CLOCK_FS_HZ = 16.0
LOW_HZ, HIGH_HZ = 0.5, 4.0
LEVEL_S = 8.0
"""Light is scaled to one power over so many seconds, so that bursts of motion do not rule."""
ARRIVAL_S = 0.2
"""From R peak to the middle of the rise, where the light's fundamental swings up."""
MAX_OFFSET_S = 60.0
MAX_DRIFT_PPM = 200.0
DRIFT_REACH_S = 0.5
"""Drifts are tried in steps that move the record's ends by so much; a finer one hides in the
peak's width."""
AWAY_S = 3.0
"""Shifts further than this from the best are rivals; nearer ones are the peak's own flanks."""
MIN_PEAK_RATIO = 1.6
"""Best over runner-up. Noise stays below 1.4 in 99 of 100 (simulated). The light of one person
against the heart of another who ran the same protocol stays below 1.5 in 19 of 20."""
MIN_BEATS = 60


@dataclass(frozen=True, slots=True)
class LightClock:
    """The correction of the light's stated clock; NaN and a reason where it cannot be told.

    ``peak_ratio`` is the best correlation over the best one more than `AWAY_S` away.
    """

    offset_s: float
    drift_ppm: float
    peak_ratio: float
    reason: str = ""

    @property
    def known(self) -> bool:
        """Whether the light shows one clock."""
        return self.reason == ""

    def right_s(self, stated_s: FloatArray) -> FloatArray:
        """Return the right time of stated times ``(n,)``; unchanged where the clock is unknown."""
        if not self.known:
            return stated_s
        return stated_s * (1.0 + self.drift_ppm * 1e-6) + self.offset_s


def light_clock(
    ppg: FloatArray,
    beat_time_s: FloatArray,
    *,
    fs_hz: float,
    start_s: float = 0.0,
    max_offset_s: float = MAX_OFFSET_S,
) -> LightClock:
    """Find the shift at which the light follows the heart.

    Parameters
    ----------
    ppg
        ``(n,)`` or ``(n, channels)``, any gain and polarity; NaN marks missing samples.
    beat_time_s
        R peaks ``(beats,)`` in the seconds of ``start_s``.
    fs_hz
        Samples per second of ``ppg``.
    start_s
        Stated time of the first sample.
    max_offset_s
        Largest shift to consider, either way.
    """
    fs_hz, ppg = checked_rate(fs_hz), checked_columns(ppg, "ppg")
    beat_time_s = checked_times(beat_time_s, "beat_time_s")
    checked_positive(max_offset_s, "max_offset_s")
    light = _levelled(ppg, fs_hz)
    time_s = start_s + np.arange(light.shape[0]) / CLOCK_FS_HZ
    inside = np.searchsorted(beat_time_s, (time_s[0], time_s[-1])) if time_s.size else (0, 0)
    if inside[1] - inside[0] < MIN_BEATS:
        return _unknown(f"light and ECG share fewer than {MIN_BEATS} beats")
    curves = {
        drift_ppm: _correlation(light, time_s, beat_time_s, drift_ppm, max_offset_s)
        for drift_ppm in _drifts(float(time_s[-1] - time_s[0]))
    }
    drift_ppm = max(curves, key=lambda tried: float(curves[tried].max()))
    return _read(curves[drift_ppm], drift_ppm, float(time_s.mean()))


def no_light_clock() -> LightClock:
    """Return the clock of a band without light, which nothing tells."""
    return _unknown("the band gives no light")


def _unknown(reason: str) -> LightClock:
    return LightClock(float("nan"), float("nan"), float("nan"), reason)


def _levelled(ppg: FloatArray, fs_hz: float) -> FloatArray:
    """Return the light in its pulse band at one power throughout, ``(m, channels)``."""
    if ppg.shape[0] < 2:
        return np.zeros((0, ppg.shape[1]))
    filled, _ = bridge_gaps(ppg)
    slow = resample(filled, fs_hz=fs_hz, to_hz=CLOCK_FS_HZ)
    light = zero_phase(slow, fs_hz=CLOCK_FS_HZ, low_hz=LOW_HZ, high_hz=HIGH_HZ)
    power = ndimage.uniform_filter1d(light**2, round(LEVEL_S * CLOCK_FS_HZ), axis=0)
    level = np.sqrt(np.maximum(power, 0.0))
    return np.divide(light, level, out=np.zeros_like(light), where=level > 0)


def _drifts(duration_s: float) -> FloatArray:
    step_ppm = 1e6 * DRIFT_REACH_S / max(duration_s, 1.0)
    count = int(MAX_DRIFT_PPM / step_ppm)
    return np.asarray(step_ppm * np.arange(-count, count + 1), dtype=np.float64)


def _correlation(
    light: FloatArray,
    time_s: FloatArray,
    beat_time_s: FloatArray,
    drift_ppm: float,
    max_offset_s: float,
) -> FloatArray:
    """Return the magnitude for shifts from ``-max_offset_s`` up, one per sample.

    The light is late by the shift; drift is taken about the record's middle.
    """
    run_s = time_s + drift_ppm * 1e-6 * (time_s - time_s.mean())
    phase = np.interp(run_s, beat_time_s, np.arange(beat_time_s.size))
    heart = np.exp(2j * np.pi * phase)
    heart[(run_s < beat_time_s[0]) | (run_s > beat_time_s[-1])] = 0.0
    reach = min(round(max_offset_s * CLOCK_FS_HZ), light.shape[0] - 1)
    size = fft.next_fast_len(light.shape[0] + reach + 1)
    spectrum = np.conj(fft.fft(heart, size))[:, np.newaxis] * fft.fft(light, size, axis=0)
    product = fft.ifft(spectrum, axis=0)
    around = np.concatenate((product[-reach:], product[: reach + 1]))
    return np.asarray(np.sqrt((np.abs(around) ** 2).sum(axis=1)))


def _read(curve: FloatArray, drift_ppm: float, middle_s: float) -> LightClock:
    best = int(curve.argmax())
    reach = curve.size // 2
    away = np.abs(np.arange(curve.size) - best) > AWAY_S * CLOCK_FS_HZ
    ratio = float(curve[best] / curve[away].max()) if away.any() and curve[best] > 0 else 0.0
    if ratio < MIN_PEAK_RATIO:
        return LightClock(
            float("nan"), float("nan"), ratio, "the light follows the heart at no one shift"
        )
    at = float(best)
    if 0 < best < curve.size - 1:
        at = float(parabolic_peak(curve[np.newaxis], np.array([best]))[0])
    late_s = (at - reach) / CLOCK_FS_HZ
    at_zero_s = ARRIVAL_S - late_s - drift_ppm * 1e-6 * middle_s
    return LightClock(at_zero_s, float(drift_ppm), ratio)
