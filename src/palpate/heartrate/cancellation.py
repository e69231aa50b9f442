"""Take out of the light what the accelerometer predicts: a Wiener filter with a memory.

In each window the light is regressed on the acceleration of every axis at a few lags, and
the prediction is subtracted. The regression pools neighbouring windows with exponentially
fading weight. That is what makes it selective: the way from motion to light is steady
over tens of seconds, whereas the pulse keeps no fixed phase to the motion, so pooling keeps
the motion and averages the pulse away. A single 8 s window cannot tell a pulse from a
cadence 7 bpm away; the pool can.

The linear least-squares problem is that of Widrow et al. 1975 (Proc IEEE 63:1692, adaptive
noise cancelling), solved here by its normal equations (Wiener-Hopf) from band-limited
correlations, which are sums over the windows' cross-spectra.

Conventions
-----------
* Lags reach to either side, because light may lead or follow the accelerometer.
* All axes share one ridge, so the result does not depend on how the sensor is turned.
* Each light channel has its own filter.
* Windows are weighted (weighted least squares), or one violent window would decide the filter
  of all its neighbours. A window's weight is one over the power that the prediction might get
  wrong there: the power of its light, plus the power that its acceleration would have in the
  light at the pool's usual gain. The second term is for a burst that moves the sensor but
  leaves the light alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from palpate.conditioning.statistics import ratio
from palpate.heartrate.preparation import WindowedSignals
from palpate.heartrate.spectra import ComplexArray, RateAxis, power, rate_axis, window_spectra
from palpate.signals import FloatArray

LAGS = 7
LAG_S = 0.2 / 3
"""0.2 s either way, at a spacing that suits everything below 7.5 Hz."""
MEMORY_S = 8.0
"""Time constant of the pool; 6 to 10 s serve alike."""
RIDGE = 1e-3
"""Added to the diagonal of the normal equations, as a share of its mean, so that they can be
solved where axes or lags say the same; 1e-4 to 1e-2 serve alike."""
WINDOWS_AT_ONCE = 128
CORRELATION_NFFT = 500
"""Longer than two windows of 8 s: correlations need no finer spectra."""


@dataclass(frozen=True, slots=True, eq=False)
class Cancelled:
    """Spectra per window, ``(w, f, c)``: what motion explains of the light, and the rest."""

    rest: ComplexArray
    explained: ComplexArray


def learn_filters(signals: WindowedSignals, *, look_ahead: bool) -> FloatArray:
    """Return the tap weights ``(w, c, a, LAGS)`` that predict light from motion per window.

    Parameters
    ----------
    look_ahead
        Pool later windows as well as earlier ones.
    """
    axes, channels = signals.acc.shape[1], signals.ppg.shape[1]
    if axes == 0:
        return np.empty((signals.first.size, channels, 0, LAGS))
    axis = rate_axis(signals, nfft=CORRELATION_NFFT)
    sums = [_normal_equations(signals, axis, part) for part in window_portions(signals)]
    gram, cross, light_power = (np.concatenate(parts) for parts in zip(*sums, strict=True))
    fade = np.exp(-signals.step_s / MEMORY_S)
    motion_power = np.trace(gram, axis1=1, axis2=2)[:, np.newaxis]
    light_pool, motion_pool = (
        _pooled(p, fade, look_ahead=look_ahead) for p in (light_power, motion_power)
    )
    miss_power = light_power + motion_power * ratio(light_pool, motion_pool, undefined=0.0)
    weight = ratio((light_power > 0).astype(np.float64), miss_power, undefined=0.0)
    taps = np.empty_like(cross)
    for channel in range(channels):
        share = weight[:, channel, np.newaxis]
        pooled = _pooled(gram * share[..., np.newaxis], fade, look_ahead=look_ahead)
        target = _pooled(cross[:, channel] * share, fade, look_ahead=look_ahead)
        level = np.trace(pooled, axis1=1, axis2=2) / (axes * LAGS)
        ridge = np.where(level > 0, RIDGE * level, 1.0)
        pooled += ridge[:, np.newaxis, np.newaxis] * np.eye(axes * LAGS)
        taps[:, channel] = np.linalg.solve(pooled, target[..., np.newaxis])[..., 0]
    return taps.reshape(-1, channels, axes, LAGS)


def cancel_motion(
    signals: WindowedSignals, axis: RateAxis, filters: FloatArray, part: slice
) -> Cancelled:
    """Split the light of the windows ``part`` into what motion predicts and the rest."""
    light = window_spectra(signals.ppg_windows[part], axis)
    motion = window_spectra(signals.acc_windows[part], axis)
    delays = np.exp(-2j * np.pi * np.outer(_lags_s(), axis.frequency_hz))
    predicted = np.einsum("wcaf,wfa->wfc", filters[part] @ delays, motion)
    return Cancelled(light - predicted, predicted)


def window_portions(signals: WindowedSignals) -> list[slice]:
    """Return slices of `WINDOWS_AT_ONCE` windows, so that not all spectra of a day are held."""
    return [slice(k, k + WINDOWS_AT_ONCE) for k in range(0, signals.first.size, WINDOWS_AT_ONCE)]


def _normal_equations(
    signals: WindowedSignals, axis: RateAxis, part: slice
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return each window's matrix ``(w, k, k)``, right sides ``(w, c, k)`` and light power."""
    light = window_spectra(signals.ppg_windows[part], axis)
    motion = window_spectra(signals.acc_windows[part], axis)
    n_windows, _, channels = light.shape
    size = motion.shape[2] * LAGS
    lags = _lags_s()
    differences = np.concatenate([lags - lags[-1], (lags - lags[0])[1:]])
    auto = _correlation(motion, motion, differences, axis)  # (w, a, a, differences)
    row, column = np.indices((LAGS, LAGS))
    gram = auto[..., LAGS - 1 + row - column].transpose(0, 1, 3, 2, 4)
    cross = _correlation(motion, light, lags, axis).transpose(0, 2, 1, 3)
    return (
        gram.reshape(n_windows, size, size),
        cross.reshape(n_windows, channels, size),
        power(light).sum(axis=1),
    )


def _lags_s() -> FloatArray:
    return np.asarray(LAG_S * (np.arange(LAGS) - LAGS // 2), dtype=np.float64)


def _correlation(
    first: ComplexArray, second: ComplexArray, lags_s: FloatArray, axis: RateAxis
) -> FloatArray:
    """Return band-limited correlations ``(w, k, m, lags)``: ``first`` delayed by each lag."""
    angle = 2.0 * np.pi * np.outer(axis.frequency_hz, lags_s)
    cross = np.moveaxis(np.conj(first[:, :, :, np.newaxis]) * second[:, :, np.newaxis, :], 1, 3)
    return np.asarray(cross.real @ np.cos(angle) - cross.imag @ np.sin(angle), dtype=np.float64)


def _pooled(values: FloatArray, fade: float, *, look_ahead: bool) -> FloatArray:
    """Sum over windows (axis 0) with weights ``fade ** distance``."""
    past = signal.lfilter([1.0], [1.0, -fade], values, axis=0)
    if not look_ahead:
        return np.asarray(past)
    future = signal.lfilter([1.0], [1.0, -fade], values[::-1], axis=0)[::-1]
    return np.asarray(past + future - values)
