"""Put light and motion on one slow grid and cut them into windows, without looking ahead.

Every estimator starts from here. The working rate keeps the second harmonic of the
fastest pulse (230 bpm, 7.7 Hz) and makes the estimators independent of the sensor's rate.

Conventions
-----------
* Causal by construction: a window's samples depend on nothing at or after the window's
  end, so that an online estimator can be exactly that. The last working samples of each
  window, as many as the anti-aliasing filter reaches to either side, are therefore left
  out. Gaps are bridged inside each window.
* Gain and offset are left alone: they are the estimators' business, window by window.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from scipy import signal
from scipy.ndimage import uniform_filter1d

from palpate.conditioning import bridge_gaps, window_grid, windowed
from palpate.conditioning.statistics import MAX_MISSING_SHARE
from palpate.signals import BoolArray, FloatArray, IntArray, StrArray
from palpate.validation import InputError, checked_columns, checked_positive, checked_rate

WORK_HZ = 25.0
MIN_FS_HZ = 20.0
"""Below this the second harmonic of a fast pulse aliases into the band."""
REACH = 3
"""Half-length of the anti-aliasing filter in samples of the slower rate, the working one or the
sensor's; with the Kaiser window below, what would alias into 0-5 Hz is 50 dB down."""
KAISER_BETA = 5.0
MAX_RATIO_TERM = 2000
MIN_WINDOW_S = 4.0
"""Two cycles at 30 bpm."""
MAX_HELD_SHARE = 0.2
"""A working sample is a gap if more than this share of the samples that its filter sees is
missing. Fewer lost samples do no harm: they are held at the value before."""
FLAT_SHARE = 1e-9
"""A channel that moves by less than this share of its level is flat (rounding error)."""


@dataclass(frozen=True, slots=True, eq=False)
class WindowedSignals:
    """Light and motion at the working rate, with the windows they are cut into.

    Parameters
    ----------
    ppg, acc
        ``(n, c)`` and ``(n, a)``, finite, gaps held at the last value; ``a`` may be 0.
    fs_hz
        The working rate.
    first
        ``(w,)`` first working sample of each window.
    width
        Working samples in each window.
    step_s
        Seconds from one window to the next.
    ppg_windows, acc_windows
        ``(w, width, c)`` and ``(w, width, a)``, gaps bridged by straight lines.
    usable
        ``(w, c)`` whether a light channel can be used in a window; where it cannot,
        its samples there are 0.
    measured
        ``(w,)`` whether motion is known in a window: there is an accelerometer, and no axis
        of it misses too many samples.
    """

    ppg: FloatArray
    acc: FloatArray
    fs_hz: float
    first: IntArray
    width: int
    step_s: float
    ppg_windows: FloatArray
    acc_windows: FloatArray
    usable: BoolArray
    measured: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """The signals, the windows they answer for, and why some cannot be answered."""

    signals: WindowedSignals
    start_s: FloatArray
    end_s: FloatArray
    reason: StrArray


def prepare(
    ppg: FloatArray,
    acc: FloatArray | None,
    *,
    fs_hz: float,
    start_s: float,
    window_s: float,
    step_s: float,
) -> Prepared:
    """Check, resample and window light ``(n, c)`` and motion ``(n, a)`` or None.

    Raises
    ------
    InputError
        If there is no light channel, the lengths differ, the rate is too low, or the
        window too short to hold two slow beats.
    """
    fs_hz = checked_rate(fs_hz)
    if fs_hz < MIN_FS_HZ:
        raise InputError(
            f"fs_hz is {fs_hz:g} Hz; heart rate under motion needs at least {MIN_FS_HZ:g} Hz"
        )
    if checked_positive(window_s, "window_s") < MIN_WINDOW_S:
        raise InputError(
            f"window_s is {window_s:g} s; at least {MIN_WINDOW_S:g} s are needed for two slow beats"
        )
    light = checked_columns(ppg, "ppg")
    motion, complete = _checked_motion(acc, light.shape[0])
    start, end = window_grid(
        start_s, start_s + light.shape[0] / fs_hz, window_s=window_s, step_s=step_s
    )
    ratio = Fraction(WORK_HZ / fs_hz).limit_denominator(MAX_RATIO_TERM)
    work_hz = fs_hz * float(ratio)
    first = np.round((start - start_s) * work_hz).astype(np.intp)
    width = int(np.floor(window_s * work_hz)) - _reach(ratio)[0]
    slow_ppg, ppg_missing = _slow(light, ratio)
    slow_acc, acc_missing = _slow(motion, ratio)
    ppg_windows, missing = _cut(slow_ppg, ppg_missing, first, width)
    acc_windows, unknown = _cut(slow_acc, acc_missing, first, width)
    high, low = ppg_windows.max(axis=1), ppg_windows.min(axis=1)
    flat = high - low <= FLAT_SHARE * np.maximum(np.abs(high), np.abs(low))
    sparse = missing > MAX_MISSING_SHARE
    usable = ~(flat | sparse)
    signals = WindowedSignals(
        ppg=slow_ppg,
        acc=slow_acc,
        fs_hz=work_hz,
        first=first,
        width=width,
        step_s=step_s,
        ppg_windows=np.where(usable[:, np.newaxis, :], ppg_windows, 0.0),
        acc_windows=acc_windows,
        usable=usable,
        measured=complete & (unknown.max(axis=1, initial=0.0) <= MAX_MISSING_SHARE),
    )
    reason = np.full(first.shape, "", dtype="<U32")
    reason[flat.any(axis=1) & ~usable.any(axis=1)] = "light is flat"
    reason[sparse.all(axis=1)] = "light has missing samples"
    return Prepared(signals, start, end, reason)


def _checked_motion(acc: FloatArray | None, n_samples: int) -> tuple[FloatArray, bool]:
    """Return motion ``(n, a)`` without axes that hold nothing, and whether every axis holds some.

    ``a`` is 0 without motion, which is not complete.
    """
    if acc is None or (np.ndim(acc) == 2 and np.shape(acc)[1] == 0):
        return np.empty((n_samples, 0)), False
    motion = checked_columns(acc, "acc")
    if motion.shape[0] != n_samples:
        raise InputError(
            f"acc has {motion.shape[0]} samples and ppg has {n_samples}; resample them to one "
            "rate and cut them to the same span"
        )
    alive = np.isfinite(motion).any(axis=0)
    return motion[:, alive], bool(alive.all())


def _slow(values: FloatArray, ratio: Fraction) -> tuple[FloatArray, BoolArray]:
    """Return the columns at the working rate, and where their source was missing."""
    missing = ~np.isfinite(values)
    filled = _held(values, missing) if missing.any() else values
    count = -(-values.shape[0] * ratio.numerator // ratio.denominator)
    offset = filled[:1]
    taps: Any = _anti_alias(ratio) / ratio.numerator  # the stubs do not know of tap arrays
    slow = signal.resample_poly(
        filled - offset, ratio.numerator, ratio.denominator, axis=0, window=taps
    )[:count]
    if not missing.any():
        return slow + offset, np.zeros(slow.shape, dtype=bool)
    seen = 2 * _reach(ratio)[1] + 1
    around = uniform_filter1d(missing.astype(np.float64), seen, axis=0, mode="nearest")
    nearest = np.minimum(np.round(np.arange(count) / float(ratio)), values.shape[0] - 1)
    return slow + offset, around[nearest.astype(np.intp)] > MAX_HELD_SHARE


def _reach(ratio: Fraction) -> tuple[int, int]:
    """Return how far the filter sees to either side: in working samples, and in source samples.

    The first is rounded up, as it is left out at the end of each window. A window's first sample
    is rounded to the grid, which moves it by half a working sample at most, and the last one that
    is kept lies a whole one before what was left out; so no window sees beyond its end. The
    second is rounded down: it only says where gaps count.
    """
    taps = REACH * max(ratio.numerator, ratio.denominator)
    return -(-taps // ratio.denominator), taps // ratio.numerator


def _anti_alias(ratio: Fraction) -> FloatArray:
    """Return a low-pass whose every polyphase branch has gain 1, so that a constant stays one."""
    up, longest = ratio.numerator, max(ratio.numerator, ratio.denominator)
    if longest == 1:
        return np.ones(1)
    taps = signal.firwin(2 * REACH * longest + 1, 1.0 / longest, window=("kaiser", KAISER_BETA))
    for branch in range(up):
        taps[branch::up] /= taps[branch::up].sum()
    return np.asarray(taps)


def _held(values: FloatArray, missing: BoolArray) -> FloatArray:
    """Hold the last finite value through gaps; before the first finite value, hold that."""
    index = np.where(missing, 0, np.arange(values.shape[0])[:, np.newaxis])
    index = np.maximum.accumulate(index, axis=0)
    held = np.take_along_axis(values, index, axis=0)
    first = np.take_along_axis(values, np.argmin(missing, axis=0)[np.newaxis], axis=0)
    held = np.where(np.isfinite(held), held, first)
    return np.where(np.isfinite(held), held, 0.0)


def _cut(
    values: FloatArray, missing: BoolArray, first: IntArray, width: int
) -> tuple[FloatArray, FloatArray]:
    """Return windows ``(w, width, k)`` with gaps bridged, and the share missing ``(w, k)``."""
    windows = windowed(values, first, width)
    if not missing.any():
        return windows, np.zeros((first.size, values.shape[1]))
    gaps = np.asarray(missing[first[:, np.newaxis] + np.arange(width)])
    for row in np.flatnonzero(gaps.any(axis=(1, 2))):
        windows[row] = bridge_gaps(np.where(gaps[row], np.nan, windows[row]))[0]
    return windows, gaps.mean(axis=1)
