"""Optical signals made fit for pulse detection and spectra.

In order, for each channel by itself:

1. Samples that are not finite, or that repeat one value for half a second (a dropout
   that a device filled in), are missing: bridged for the filters, NaN in the result.
2. Jumps of level are taken out (``steps``).
3. Spikes far outside the local swing are bridged, so that the filter cannot ring on them.
4. Zero-phase Butterworth band-pass, 0.4 to 8 Hz (24 bpm to the eighth harmonic at
   60 bpm; the band of Elgendi et al. 2013, PLoS ONE 8:e76585, is 0.5 to 8 Hz).
5. Division by the local scale, the running median of one-second root mean squares: a
   gain change fades within seconds, and a burst or spike cannot shrink the pulses
   around it. Beyond ``LIMIT`` scales the result is cut off.

Own design, from robust statistics; the result keeps no unit. Where the light is clipped
the flat tops remain: they still time the pulse, and ``ppg_windows`` counts them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from palpate.conditioning import bridge_gaps, zero_phase
from palpate.conditioning.rails import frozen
from palpate.ppg.steps import Steps, find_steps, remove_steps
from palpate.signals import BoolArray, FloatArray
from palpate.validation import checked_columns, checked_rate

LOW_HZ = 0.4
HIGH_HZ = 8.0
FROZEN_S = 0.5
BLOCK_S = 1.0
SCALE_BLOCKS = 9
"""The local swing and scale are medians over so many one-second blocks (own choice):
longer than a burst, shorter than a change of perfusion."""
SPIKE_SWINGS = 8.0
"""Further than this from the local median, in local swings, is no light from skin."""
SPIKE_REACH_S = 0.05
LIMIT = 5.0
NEGLIGIBLE = 1e-9
"""A pulse below this share of the level is float rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """One channel, cleaned: all arrays ``(n,)``.

    ``filtered`` is in the channel's unit and finite; ``scale`` is its local root mean
    square; ``missing`` marks samples that were bridged because nothing was measured.
    """

    filtered: FloatArray
    scale: FloatArray
    missing: BoolArray
    steps: Steps

    def normalised(self) -> FloatArray:
        """Return the signal in local scales, cut off at ``LIMIT``, finite."""
        return np.clip(self.filtered / self.scale, -LIMIT, LIMIT)


def condition_ppg(ppg: FloatArray, *, fs_hz: float) -> FloatArray:
    """Return the pulsatile light, band-passed and of unit local scale.

    Parameters
    ----------
    ppg
        ``(n,)`` or ``(n, channels)`` in any unit; NaN marks missing samples.
    fs_hz
        Samples per second.

    Returns
    -------
    FloatArray
        Same shape; NaN where nothing was measured. Neither a gain nor an offset of a
        channel changes it.
    """
    fs_hz = checked_rate(fs_hz)
    channels = checked_columns(ppg, "ppg")
    result = np.empty(channels.shape)
    for column, channel in enumerate(channels.T):
        prepared = prepare(channel, fs_hz=fs_hz)
        result[:, column] = np.where(prepared.missing, np.nan, prepared.normalised())
    return result.reshape(np.shape(ppg))


def prepare(channel: FloatArray, *, fs_hz: float) -> Prepared:
    """Clean one channel ``(n,)``; the module says how."""
    held = frozen(channel, min_run=max(round(FROZEN_S * fs_hz), 2))
    missing = held | ~np.isfinite(channel)
    filled, _ = bridge_gaps(np.where(missing, np.nan, channel))
    steps = find_steps(filled, fs_hz=fs_hz)
    if filled.size < 2:
        return Prepared(np.zeros(filled.size), np.ones(filled.size), missing, steps)
    level = _without_spikes(remove_steps(filled, steps, fs_hz=fs_hz), fs_hz)
    filtered = zero_phase(level, fs_hz=fs_hz, low_hz=LOW_HZ, high_hz=HIGH_HZ)
    blocks = _blocks(filtered, fs_hz)
    centres = (np.arange(len(blocks)) + 0.5) * blocks.shape[1] - 0.5
    block_rms = _steady(np.sqrt((blocks**2).mean(axis=1)))
    rms = np.interp(np.arange(filtered.size), centres, block_rms)
    floor = NEGLIGIBLE * float(np.abs(level).max()) or 1.0
    return Prepared(filtered, np.maximum(rms, floor), missing, steps)


def _without_spikes(values: FloatArray, fs_hz: float) -> FloatArray:
    blocks = _blocks(values, fs_hz)
    centre = _steady(np.median(blocks, axis=1))
    swing = _steady(_block_swing(blocks))
    block = np.minimum(np.arange(values.size) // blocks.shape[1], len(blocks) - 1)
    spike = np.abs(values - centre[block]) > SPIKE_SWINGS * swing[block]
    if not spike.any():
        return values
    reach = 2 * round(SPIKE_REACH_S * fs_hz) + 1
    wide = ndimage.binary_dilation(spike, np.ones(reach, dtype=np.bool_))
    filled, _ = bridge_gaps(np.where(wide, np.nan, values))
    return filled


def _block_swing(blocks: FloatArray) -> FloatArray:
    ordered = np.sort(blocks, axis=1)
    trim = blocks.shape[1] // 20
    return np.asarray(ordered[:, blocks.shape[1] - 1 - trim] - ordered[:, trim])


def _blocks(values: FloatArray, fs_hz: float) -> FloatArray:
    """Return ``(n_blocks, samples)``, one second each; a shorter rest is left out."""
    size = min(max(round(BLOCK_S * fs_hz), 2), values.size)
    n_blocks = values.size // size
    return values[: n_blocks * size].reshape(n_blocks, size)


def _steady(per_block: FloatArray) -> FloatArray:
    """Return the running median over ``SCALE_BLOCKS`` blocks."""
    return np.asarray(ndimage.median_filter(per_block, SCALE_BLOCKS, mode="nearest"))
