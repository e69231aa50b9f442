"""What faults do to the light at the wrist: lost contact, pressure, leaks of movement.

Conventions
-----------
* All is in pulse heights, the height of an undisturbed pulse at rest being near 1,
  except ambient light, which is a share of the light's level.
* A leak or a noise is scaled to the pulse's RMS over its fault's own interval, whatever
  other faults do to the pulse there.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from palpate.conditioning import zero_phase
from palpate.signals import FloatArray
from palpate.simulation.faults import (
    ContactLoss,
    Fault,
    LowPerfusion,
    MotionCoupling,
    PressureChange,
    Shaking,
)
from palpate.simulation.scenario import Band
from palpate.simulation.synthesis import band_noise, gate, stream, wander
from palpate.validation import InputError

AMBIENT_AT_FULL_LOSS = 0.3  # ambient light, as a multiple of the level
AMBIENT_POWER = 4.0  # a strap that still touches lets little in; our choice
AMBIENT_HZ = 4.0  # how fast it changes
LEAK_HZ = (0.4, 8.0)
LEAK_LATE_S = (0.02, 0.08)  # tissue follows the movement; our choice
SHAKEN_HZ = (0.6, 6.0)
STILL_G = 0.01  # RMS below which there is no movement to leak
STEP_EVERY_S = 4.0
CREEP_S = 3.0
CREPT_AFTER = 10.0  # time constants, when less than a count is left


def pulse_share(faults: Sequence[Fault], time_s: FloatArray) -> FloatArray:
    """Return the share of each pulse that poor contact and cold skin leave."""
    share = np.ones(time_s.size)
    for fault in faults:
        if isinstance(fault, (ContactLoss, LowPerfusion)):
            share *= 1.0 - fault.dose * gate(time_s, fault.start_s, fault.end_s)
    return share


def ambient_light(seed: int, band: Band, faults: Sequence[Fault], time_s: FloatArray) -> FloatArray:
    """Ambient light that enters where contact is lost, as a share of the level.

    How much enters changes with how the wrist is turned.
    """
    total = np.zeros(time_s.size)
    for fault in faults:
        if not isinstance(fault, ContactLoss):
            continue
        rng = stream(seed, fault.key)
        turns = np.exp(0.6 * wander(rng, time_s.size, step_s=1.0 / band.fs_hz, time_s=0.7))
        amount = AMBIENT_AT_FULL_LOSS * fault.dose**AMBIENT_POWER * turns
        total += amount * gate(time_s, fault.start_s, fault.end_s, ramp_s=0.3)
    return zero_phase(total, fs_hz=band.fs_hz, high_hz=AMBIENT_HZ)


def pressure_steps(seed: int, faults: Sequence[Fault], time_s: FloatArray) -> FloatArray:
    """Level steps of changing pressure that creep back, in pulse heights."""
    total = np.zeros(time_s.size)
    for fault in faults:
        if not isinstance(fault, PressureChange):
            continue
        rng = stream(seed, fault.key)
        count = max(1, round((fault.end_s - fault.start_s) / STEP_EVERY_S))
        for at_s in rng.uniform(fault.start_s, fault.end_s, count):
            part = slice(*np.searchsorted(time_s, (at_s, at_s + CREPT_AFTER * CREEP_S)))
            creep = np.exp(-(time_s[part] - at_s) / CREEP_S)
            total[part] += fault.dose * rng.standard_normal() * creep
    return total


def leaks(
    key: tuple[int, int],
    band: Band,
    faults: Sequence[Fault],
    *,
    acc_g: FloatArray,
    pulse: FloatArray,
    time_s: FloatArray,
) -> FloatArray:
    """Movement that leaks linearly, and noise of shaking that does not, in pulse heights."""
    seed, colour = key
    rng = stream(seed, "leak", band.name, str(colour))
    weights = rng.normal(0.0, 1.0, 3)
    moved = zero_phase(acc_g @ weights, fs_hz=band.fs_hz, low_hz=LEAK_HZ[0], high_hz=LEAK_HZ[1])
    moved = np.roll(moved, round(rng.uniform(*LEAK_LATE_S) * band.fs_hz))
    total = np.zeros(time_s.size)
    for fault in faults:
        part = slice(*np.searchsorted(time_s, (fault.start_s, fault.end_s)))
        if part.stop - part.start < 2:
            continue
        if isinstance(fault, MotionCoupling):
            leak = moved[part]
            if np.std(leak) < STILL_G:
                raise InputError(
                    f"{fault.kind} on {band.name!r} from {fault.start_s:g} s finds the wrist "
                    f"still ({np.std(leak):.3f} g); choose an interval with movement"
                )
        elif isinstance(fault, Shaking):
            leak = _shaken(stream(seed, fault.key, str(colour)), band, part.stop - part.start)
        else:
            continue
        total[part] += fault.dose * np.std(pulse[part]) / np.std(leak) * leak
    return total


def _shaken(rng: np.random.Generator, band: Band, size: int) -> FloatArray:
    """Noise of a sensor that is shaken: broad, in gusts, following no acceleration."""
    gusts = np.exp(0.6 * wander(rng, size, step_s=1.0 / band.fs_hz, time_s=2.0))
    return gusts * band_noise(
        rng, size, fs_hz=band.fs_hz, low_hz=SHAKEN_HZ[0], high_hz=SHAKEN_HZ[1]
    )
