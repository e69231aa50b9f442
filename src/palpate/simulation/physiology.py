"""From what the wearer does to when the heart beats.

Heart rate follows the demand of the activity by first-order kinetics; respiratory and
low-frequency variability are added; beats are where the integral of the rate crosses
a whole number.

Sources
-------
* Kinetics: time constants of 57.5 s (rising) and 54.4 s (falling), mean of 24 men on a
  treadmill (Hunt, Fankhauser & Saengsuwan 2015, BioMed Eng OnLine 14:98).
* Variability: a low-frequency band at 0.1 Hz and a respiratory band, their power in the
  ratio 0.5 (McSharry et al. 2003, IEEE Trans Biomed Eng 50:289).

Deviations
----------
* The respiratory band follows a breathing rate that rises with heart rate, instead of
  staying at 0.25 Hz, and its phase is shared with the other signals.
* Variability shrinks with heart rate (vagal withdrawal; the shape is our choice).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from palpate.signals import FloatArray, StrArray
from palpate.simulation.faults import Ectopy, Fault
from palpate.simulation.synthesis import band_noise, stream, wander

TAU_RISE_S = 57.5
TAU_FALL_S = 54.4
GRID_HZ = 20.0
LF_LOW_HZ, LF_HIGH_HZ = 0.08, 0.12
LF_TO_HF_POWER = 0.5
REST_VARIABILITY = 0.035  # SD / mean of the rate at rest; our choice, SDNN near 30 ms
SLOW_VARIABILITY, SLOW_S = 0.012, 20.0  # wandering at any exertion; our choice
EXERTION_AT_BPM = 190.0  # heart rate taken as full exertion; our choice
REST_AT_BPM = 60.0
COUPLING_SHARE = 0.62  # of the cycle before an early beat; our choice


@dataclass(frozen=True, slots=True, eq=False)
class Heart:
    """What the heart did, on session seconds.

    ``time_s``, ``hr_bpm``, ``exertion`` (0 at rest, 1 at full) and ``breath_rad`` share
    the grid ``(m,)``; ``beat_s`` and ``label`` ("N", "V") are ``(beats,)``.
    """

    time_s: FloatArray
    hr_bpm: FloatArray
    exertion: FloatArray
    breath_rad: FloatArray
    beat_s: FloatArray
    label: StrArray

    def at(self, values: FloatArray, time_s: FloatArray) -> FloatArray:
        """Interpolate one of the grid's columns."""
        return np.interp(time_s, self.time_s, values)

    def breath(self, time_s: FloatArray) -> FloatArray:
        """Return the breathing wave, between -1 and 1."""
        return np.sin(self.at(self.breath_rad, time_s))


def first_order(demand_bpm: FloatArray, *, step_s: float, start_bpm: float) -> FloatArray:
    """Return the heart rate ``(n,)`` that follows a demand ``(n,)`` held over each step."""
    rise, fall = np.exp(-step_s / TAU_RISE_S), np.exp(-step_s / TAU_FALL_S)
    rate = start_bpm
    result = np.empty(demand_bpm.size)
    for i, demand in enumerate(demand_bpm.tolist()):
        result[i] = rate
        rate = demand + (rate - demand) * (rise if demand > rate else fall)
    return result


def simulate_heart(
    seed: int, time_s: FloatArray, demand_bpm: FloatArray, faults: Sequence[Fault] = ()
) -> Heart:
    """Return the heart's course for a demand ``(n,)`` on a grid of ``GRID_HZ``."""
    rng = stream(seed, "heart")
    slow_bpm = first_order(demand_bpm, step_s=1.0 / GRID_HZ, start_bpm=float(demand_bpm[0]))
    exertion = np.clip((slow_bpm - REST_AT_BPM) / (EXERTION_AT_BPM - REST_AT_BPM), 0.0, 1.0)
    jitter = band_noise(rng, time_s.size, fs_hz=GRID_HZ, low_hz=0.01, high_hz=0.05)
    breath_hz = (0.24 + 0.4 * exertion) * (1.0 + 0.08 * jitter)
    breath_rad = 2.0 * np.pi * np.cumsum(breath_hz) / GRID_HZ
    low = band_noise(rng, time_s.size, fs_hz=GRID_HZ, low_hz=LF_LOW_HZ, high_hz=LF_HIGH_HZ)
    high = np.sqrt(2.0) * np.sin(breath_rad)
    mixed = (np.sqrt(LF_TO_HF_POWER) * low + high) / np.sqrt(1.0 + LF_TO_HF_POWER)
    slow = wander(rng, time_s.size, step_s=1.0 / GRID_HZ, time_s=SLOW_S)
    vagal = REST_VARIABILITY * (1.0 - exertion) ** 2
    hr_bpm = slow_bpm * (1.0 + vagal * mixed + SLOW_VARIABILITY * slow)
    cycles = np.cumsum(hr_bpm) / (60.0 * GRID_HZ)
    beat_s = np.interp(np.arange(np.ceil(cycles[0]), cycles[-1]), cycles, time_s)
    beat_s, label = _with_ectopy(seed, beat_s, [f for f in faults if isinstance(f, Ectopy)])
    return Heart(time_s, hr_bpm, exertion, breath_rad, beat_s, label)


def _with_ectopy(
    seed: int, beat_s: FloatArray, faults: Sequence[Ectopy]
) -> tuple[FloatArray, StrArray]:
    """Move some beats forward; the next stays in its place, which makes the pause."""
    early = np.zeros(beat_s.size, dtype=bool)
    for fault in faults:
        draw = stream(seed, fault.key).random(beat_s.size)
        early |= (beat_s >= fault.start_s) & (beat_s < fault.end_s) & (draw < fault.dose)
    early[:1] = False
    for i in np.flatnonzero(early):
        early[i] = not early[i - 1]
    moved = beat_s.copy()
    late = np.flatnonzero(early)
    moved[late] = beat_s[late - 1] + COUPLING_SHARE * (beat_s[late] - beat_s[late - 1])
    return moved, np.where(early, "V", "N")
