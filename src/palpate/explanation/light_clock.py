"""How far the light's clock is off the heart's, from the light itself, however moved it is.

The beats give the heart's phase, one turn per beat, and the light follows that phase by the
pulse arrival time. Light and unit phasor ``exp(2 pi i phase)`` are cross-correlated over the
whole recording: where the shift is right, every stretch adds in step; elsewhere the phase
differs by what the heart rate has changed, and the sum averages out. A matched filter
of the recording's length (Turin 1960, IRE Trans Inf Theory 6:311) needs no pulse to be
detected, so it works where motion hides every single one.

A heart that is nearly steady follows itself at every shift, so the correlation of the heart
with itself says what a right shift alone would give elsewhere. What rises above that is
chance, and two things follow: the shift is known if the peak stands `MIN_PEAK_RATIO` times
above chance, more where it lies far off (as sidelobes are taken out in radio astronomy:
Hogbom 1974, Astron Astrophys Suppl 15:417), and its error reaches as far as the peak's own
flank has not fallen by as much as chance could lift it.

Conventions
-----------
* ``right_s = stated_s * (1 + drift_ppm * 1e-6) + offset_s``: what to add to a stated time.
* The arrival of the pulse, `ARRIVAL_S`, is taken out; `ARRIVAL_SPREAD_S` is in ``within_s``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from palpate.conditioning import bridge_gaps, parabolic_peak, resample, zero_phase
from palpate.signals import BoolArray, FloatArray
from palpate.validation import checked_columns, checked_positive, checked_rate, checked_times

CLOCK_FS_HZ = 16.0
LOW_HZ, HIGH_HZ = 0.5, 4.0
LEVEL_S = 8.0
"""Light is scaled to one power over so many seconds, so that bursts of motion do not rule."""
ARRIVAL_S = 0.2
"""From R peak to the middle of the rise, where the light's fundamental swings up."""
ARRIVAL_SPREAD_S = 0.1
"""What it differs by between people (from memory)."""
NEAR_S, FAR_S = 60.0, 600.0
"""Clocks set by hand are within a minute, forgotten ones within some (common practice)."""
MAX_DRIFT_PPM = 200.0
DRIFT_REACH_S = 0.5
"""Drifts are tried in steps that move the record's ends by so much; a finer one hides in the
peak's width."""
MIN_PEAK_RATIO = 2.5
"""The light of one person against the heart of another stays below 2.3 in all of 462 pairs of
22 open wrist recordings."""
MIN_FAR_PEAK_RATIO = 4.0
"""For shifts beyond `NEAR_S`, of which there are more and with less in common (own choice). The
same pairs stay below 2.2 there, in halves of five minutes at the least."""
MIN_BEATS = 60
BLOCK_S = 600.0
"""Within a block the clock runs on evenly: the largest drift moves its ends by 0.06 s."""

ComplexArray: TypeAlias = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class LightClock:
    """The correction of the light's stated clock; NaN and a reason where it cannot be told.

    ``within_s`` is how far off ``offset_s`` may be; ``peak_ratio`` the best correlation over
    the largest that it does not explain.
    """

    offset_s: float
    within_s: float
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

    def surely_off(self, stated_s: FloatArray) -> BoolArray:
        """Return at which stated times ``(n,)`` the clock is off by more than it is uncertain."""
        return np.asarray(np.abs(self.right_s(stated_s) - stated_s) > self.within_s)


def light_clock(
    ppg: FloatArray,
    beat_time_s: FloatArray,
    *,
    fs_hz: float,
    start_s: float = 0.0,
    max_offset_s: float = FAR_S,
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
        Largest shift to consider, either way. Those beyond `NEAR_S` are looked at where the
        nearer ones show nothing, and no shift beyond half the light's length is.
    """
    fs_hz, ppg = checked_rate(fs_hz), checked_columns(ppg, "ppg")
    beat_time_s = checked_times(beat_time_s, "beat_time_s")
    checked_positive(max_offset_s, "max_offset_s")
    light = _levelled(ppg, fs_hz)
    time_s = start_s + np.arange(light.shape[0]) / CLOCK_FS_HZ
    inside = np.searchsorted(beat_time_s, (time_s[0], time_s[-1])) if time_s.size else (0, 0)
    if inside[1] - inside[0] < MIN_BEATS:
        return _unknown(f"light and ECG share fewer than {MIN_BEATS} beats")
    near_s = min(max_offset_s, NEAR_S)
    found = _searched(light, time_s, beat_time_s, near_s, MIN_PEAK_RATIO)
    if found.known or near_s == max_offset_s:
        return found
    return _searched(light, time_s, beat_time_s, max_offset_s, MIN_FAR_PEAK_RATIO)


def _searched(
    light: FloatArray, time_s: FloatArray, beat_time_s: FloatArray, reach_s: float, least: float
) -> LightClock:
    """Search shifts up to ``reach_s`` for one that stands ``least`` times above chance."""
    reach = min(round(reach_s * CLOCK_FS_HZ), light.shape[0] // 2)
    drifts_ppm = _drifts(float(time_s[-1] - time_s[0]))
    most = int(np.ceil(drifts_ppm[-1] * 1e-6 * light.shape[0] / 2.0))
    heart = _heart(time_s, beat_time_s, reach + most)
    blocks = _block_sums(light, heart, reach + most)
    tried = [_combined(blocks, drift_ppm, reach) for drift_ppm in drifts_ppm]
    best = int(np.argmax([curve.max() for curve in tried]))
    own, middle_s = _own(heart, 2 * reach), float(time_s.mean())
    return _read(tried[best], own, float(drifts_ppm[best]), middle_s, least)


def no_light_clock() -> LightClock:
    """Return the clock of a band without light, which nothing tells."""
    return _unknown("the band gives no light")


def _unknown(reason: str) -> LightClock:
    nan = float("nan")
    return LightClock(nan, nan, nan, nan, reason)


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


def _heart(time_s: FloatArray, beat_time_s: FloatArray, margin: int) -> ComplexArray:
    """Return the unit phasor of the heart on the light's samples and ``margin`` to either side.

    It is 0 outside the beats.
    """
    beyond = np.arange(1, margin + 1) / CLOCK_FS_HZ
    wide_s = np.concatenate((time_s[0] - beyond[::-1], time_s, time_s[-1] + beyond))
    phase = np.interp(wide_s, beat_time_s, np.arange(beat_time_s.size))
    beating = (wide_s >= beat_time_s[0]) & (wide_s <= beat_time_s[-1])
    return np.where(beating, np.exp(2j * np.pi * phase), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class _BlockSums:
    """Sums over blocks of `BLOCK_S` for shifts ``-reach..reach`` by which the light is late.

    ``products (blocks, shifts, channels)`` of light and heart; ``shared (blocks, shifts)``
    samples in both; ``from_middle (blocks,)`` samples from the record's middle to the block's.
    """

    products: ComplexArray
    shared: FloatArray
    from_middle: FloatArray


def _block_sums(light: FloatArray, heart: ComplexArray, reach: int) -> _BlockSums:
    n, block = light.shape[0], round(BLOCK_S * CLOCK_FS_HZ)
    first = np.arange(0, n, block)
    products, shared = [], []
    for start in first:
        part = light[start : start + block]
        around = heart[start : start + part.shape[0] + 2 * reach]
        columns = np.column_stack((part, np.ones(part.shape[0])))
        size = fft.next_fast_len(around.size + part.shape[0])
        spectra = np.conj(fft.fft(columns, size, axis=0))
        seen = fft.ifft(spectra[:, :-1] * fft.fft(around, size)[:, np.newaxis], axis=0)
        there = fft.ifft(spectra[:, -1] * fft.fft(np.abs(around), size))
        products.append(seen[2 * reach :: -1])
        shared.append(there[2 * reach :: -1].real)
    middle = first + np.minimum(block, n - first) / 2.0
    return _BlockSums(np.stack(products), np.stack(shared), middle - n / 2.0)


def _combined(blocks: _BlockSums, drift_ppm: float, reach: int) -> FloatArray:
    """Return the mean product's size for shifts ``-reach..reach`` on a drifting clock."""
    ahead = np.round(drift_ppm * 1e-6 * blocks.from_middle).astype(np.intp)
    middle = blocks.shared.shape[1] // 2
    at = middle + np.arange(-reach, reach + 1) - ahead[:, np.newaxis]
    rows = np.arange(ahead.size)[:, np.newaxis]
    product, shared = blocks.products[rows, at].sum(axis=0), blocks.shared[rows, at].sum(axis=0)
    return np.asarray(np.linalg.norm(product, axis=1) / np.maximum(shared, 1.0))


def _own(heart: ComplexArray, reach: int) -> FloatArray:
    """Return the heart's correlation with itself for shifts ``0..reach``, 1 without a shift.

    It is 0 where less than half of the heart meets itself: a few beats always look alike.
    """
    size = fft.next_fast_len(heart.size + reach + 1)
    own, shared = (
        np.abs(fft.ifft(np.abs(fft.fft(x, size)) ** 2)[: reach + 1]) for x in (heart, np.abs(heart))
    )
    return np.where(shared >= 0.5 * shared[0], own / np.maximum(shared, 1.0), 0.0)


def _read(
    curve: FloatArray, own: FloatArray, drift_ppm: float, middle_s: float, least: float
) -> LightClock:
    """Read the clock off the magnitudes for shifts ``-reach..reach`` and the heart's own.

    ``least`` is how far above chance the peak must stand. Both are means over the samples that
    overlap, so that no shift wins by overlapping more.
    """
    best, reach = int(curve.argmax()), curve.size // 2
    explained = curve[best] * own[np.abs(np.arange(curve.size) - best)]
    chance = float((curve - explained).max())
    ratio = float(curve[best] / chance) if chance > 0 else float("inf")
    if curve[best] <= 0 or ratio < least:
        return _unknown("the light follows the heart at no one shift")
    at = float(best)
    if 0 < best < curve.size - 1:
        at = float(parabolic_peak(curve[np.newaxis], np.array([best]))[0])
    late_s = (at - reach) / CLOCK_FS_HZ
    possible = np.flatnonzero(curve[best] * (1.0 - own) <= chance)
    return LightClock(
        offset_s=ARRIVAL_S - late_s - drift_ppm * 1e-6 * middle_s,
        within_s=float(possible[-1] + 1) / CLOCK_FS_HZ + ARRIVAL_SPREAD_S,
        drift_ppm=drift_ppm,
        peak_ratio=ratio,
    )
