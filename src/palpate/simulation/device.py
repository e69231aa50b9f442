"""A band's own heart rate, once per second: smoothed, late, and sometimes astray.

The output follows the true rate through a delay and a first-order average. Where the
light is disturbed, it loses its hold for a while: on a leak of movement it goes to the
cadence, otherwise it keeps its last value or reports nothing. With a dose of r times
``ASTRAY_AT`` it is astray for the share r⁴ / (1 + r⁴) of the time; the rule is ours.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import signal, special

from palpate.signals import BoolArray, FloatArray
from palpate.simulation.body import Body
from palpate.simulation.faults import (
    CadenceCoupling,
    ContactLoss,
    EstimatorLatency,
    Fault,
    HarmonicLock,
    HeldReading,
    LowPerfusion,
    MotionCoupling,
    Shaking,
)
from palpate.simulation.physiology import GRID_HZ, Heart
from palpate.simulation.scenario import Band
from palpate.simulation.synthesis import band_noise, stream, wander

ASTRAY_AT: dict[type[Fault], float] = {  # dose at which it is astray half of the time
    CadenceCoupling: 1.0,
    MotionCoupling: 1.5,
    Shaking: 3.5,
    ContactLoss: 0.6,
    LowPerfusion: 0.9,
}
ASTRAY_HZ = (0.004, 0.05)  # band of the coming and going, so that stretches last 10 to 60 s
DROPOUT_SHARE = 0.15  # of the time astray without a rhythm to follow
JITTER_BPM = 0.8


def device_rate(
    seed: int,
    band: Band,
    heart: Heart,
    body: Body,
    *,
    faults: Sequence[Fault],
    time_s: FloatArray,
) -> FloatArray:
    """Return whole bpm at session seconds ``time_s (n,)`` one second apart; NaN for no value."""
    rng = stream(seed, "device", band.name)
    mine = [fault for fault in faults if fault.source == band.name]
    seen = _smoothed(heart, band, mine, time_s)
    seen += JITTER_BPM * wander(rng, time_s.size, step_s=1.0, time_s=5.0)
    seen *= _harmonic(seed, mine, time_s)
    cadence = np.interp(time_s, body.time_s, body.per_min)
    follows = _astray(rng, _upset(mine, time_s, rhythmic=True)) & np.isfinite(cadence)
    held = _astray(rng, _upset(mine, time_s, rhythmic=False)) & ~follows
    silent = held & (rng.random(time_s.size) < DROPOUT_SHARE)
    result: FloatArray = np.where(follows, cadence, seen)
    kept = np.maximum.accumulate(np.where(held, 0, np.arange(time_s.size)))
    result = np.round(result[kept])
    result[silent] = np.nan
    for fault in mine:
        if isinstance(fault, HeldReading):
            result = fault.shown(result, time_s)
    return result


def _smoothed(heart: Heart, band: Band, faults: Sequence[Fault], time_s: FloatArray) -> FloatArray:
    """Average and delay the true rate; what a latency fault adds counts while it lasts."""
    late_s = np.full(time_s.size, band.latency_s)
    for fault in faults:
        if isinstance(fault, EstimatorLatency):
            late_s += fault.dose * ((time_s >= fault.start_s) & (time_s < fault.end_s))
    start = [(1.0 - 1.0 / (band.smoothing_s * GRID_HZ)) * heart.hr_bpm[0]]
    share = 1.0 / (band.smoothing_s * GRID_HZ)
    average = signal.lfilter([share], [1.0, share - 1.0], heart.hr_bpm, zi=start)[0]
    return heart.at(np.asarray(average), time_s - late_s)


def _upset(faults: Sequence[Fault], time_s: FloatArray, *, rhythmic: bool) -> FloatArray:
    """Return the root sum of squares of doses in force, in units of ``ASTRAY_AT``."""
    squared = np.zeros(time_s.size)
    for fault in faults:
        limit = ASTRAY_AT.get(type(fault))
        if limit is not None and isinstance(fault, CadenceCoupling) is rhythmic:
            inside = (time_s >= fault.start_s) & (time_s < fault.end_s)
            squared += (fault.dose / limit) ** 2 * inside
    return np.sqrt(squared)


def _astray(rng: np.random.Generator, upset: FloatArray) -> BoolArray:
    """Return when the output is astray: stretches that begin and end at random."""
    share = upset**4 / (1.0 + upset**4)
    return _level(rng, upset.size) < special.ndtri(share)


def _level(rng: np.random.Generator, size: int) -> FloatArray:
    """Return a slow level of unit SD; the output is astray where it lies under a threshold."""
    return band_noise(rng, size, fs_hz=1.0, low_hz=ASTRAY_HZ[0], high_hz=ASTRAY_HZ[1])


def _harmonic(seed: int, faults: Sequence[Fault], time_s: FloatArray) -> FloatArray:
    factor = np.ones(time_s.size)
    for fault in faults:
        if isinstance(fault, HarmonicLock):
            here = (time_s >= fault.start_s) & (time_s < fault.end_s)
            level = _level(stream(seed, fault.key), time_s.size)
            factor[here & (level < special.ndtri(fault.dose))] = fault.factor
    return factor
