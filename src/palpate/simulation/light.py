"""The light at the wrist: two wavelengths of PPG in converter counts.

Each beat sends one pulse, a sum of three Gaussians whose widths shrink with the square
root of the cycle. Its foot, by the intersecting-tangent rule, lies two widths ahead of
the first Gaussian's top (the tangent at the inflection point of ``exp(-u²/2)`` meets
zero at ``u = -2``), so the delay from R peak to foot is exactly what is asked for.

Sources
-------
* Delay from R peak to pulse foot at the wrist: 0.25 s at rest is our choice; it lies
  between the pre-ejection period, 52 to 59 ms (PMC6179208), and the delay at the
  finger, 386 ± 37 ms. Beat-to-beat SD 6 ms, inside the 1.6 to 12 ms of the former.
* Pulse widths and heights, drift and noise are our choices.

Conventions
-----------
* Pulses point up. Counts are whole numbers, clipped at the converter's full scale.
* A fault's leak or noise is scaled to the pulse's RMS over that fault's interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from palpate.conditioning import zero_phase
from palpate.signals import FloatArray
from palpate.simulation.faults import (
    ContactLoss,
    Fault,
    HarmonicLock,
    LowPerfusion,
    MotionCoupling,
    PressureChange,
    Shaking,
)
from palpate.simulation.physiology import Heart
from palpate.simulation.scenario import Band
from palpate.simulation.synthesis import band_noise, gate, gaussian_train, stream, wander
from palpate.validation import InputError

WAVELENGTH_NM = (525.0, 880.0)
LEVEL_COUNTS = (52_000.0, 96_000.0)
FULL_SCALE_COUNTS = 131_071  # 17 bits
PULSE_DELAY_S = np.array([0.0, 0.16, 0.33])  # after the first top, at 60 bpm
PULSE_WIDTH_S = np.array([0.080, 0.110, 0.130])
PULSE_HEIGHT = np.array([1.0, 0.42, 0.28])
DELAY_SD_S = 0.006
DELAY_S_PER_BPM = -0.0004  # shorter when the heart beats faster; our choice
EARLY_PULSE, AFTER_EARLY_PULSE = 0.35, 1.15  # heights around an early beat; our choice
AMBIENT_AT_FULL_LOSS = 0.3  # ambient light, as a multiple of the level
AMBIENT_POWER = 4.0  # a strap that still touches lets little in; our choice
AMBIENT_HZ = 4.0  # how fast it changes
LEAK_HZ = (0.4, 8.0)
SHAKEN_HZ = (0.6, 6.0)
STILL_G = 0.01  # RMS below which there is no movement to leak
STEP_SHARE = (0.9, 1.1)  # of a pressure step, per wavelength; our choice
STEP_EVERY_S = 4.0
CREEP_S = 3.0
CREPT_AFTER = 10.0  # time constants, when less than a count is left


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """PPG ``(n, 2)`` in counts and the true pulse feet ``(beats,)`` in session seconds."""

    counts: FloatArray
    foot_s: FloatArray


def wrist_light(
    seed: int,
    band: Band,
    heart: Heart,
    *,
    faults: Sequence[Fault],
    acc_g: FloatArray,
    time_s: FloatArray,
) -> Light:
    """Return the light of one band at session seconds ``time_s (n,)``."""
    mine = [fault for fault in faults if fault.source == band.name]
    foot_s = _pulse_feet(seed, band, heart)
    pulse = _pulses(heart, mine, foot_s, fs_hz=band.fs_hz, time_s=time_s)
    pulse = pulse * _pulse_share(mine, time_s) * _swell(seed, band, heart, time_s)
    added = _steps(seed, band, mine, time_s)
    ambient = _ambient(seed, band, mine, time_s)
    columns = []
    for colour, level in enumerate(LEVEL_COUNTS):
        rng = stream(seed, "light", band.name, str(colour))
        noise = band.light_noise * rng.standard_normal(time_s.size)
        drift = _drift(rng, band, heart, time_s)
        leak = _leaks((seed, colour), band, mine, acc_g=acc_g, pulse=pulse, time_s=time_s)
        ac = pulse + leak + noise + drift + STEP_SHARE[colour] * added
        relative = 1.0 + band.perfusion_pct[colour] / 100.0 * ac + ambient
        columns.append(np.clip(np.round(level * relative), 0, FULL_SCALE_COUNTS))
    return Light(np.column_stack(columns), foot_s)


def _pulse_feet(seed: int, band: Band, heart: Heart) -> FloatArray:
    rng = stream(seed, "pulse delay", band.name)
    rate_bpm = heart.at(heart.hr_bpm, heart.beat_s)
    delay_s: FloatArray = band.pulse_delay_s + DELAY_S_PER_BPM * (rate_bpm - heart.hr_bpm.min())
    jitter_s = DELAY_SD_S * rng.standard_normal(heart.beat_s.size)
    return np.asarray(heart.beat_s + delay_s + jitter_s)


def _pulses(
    heart: Heart,
    faults: Sequence[Fault],
    foot_s: FloatArray,
    *,
    fs_hz: float,
    time_s: FloatArray,
) -> FloatArray:
    """Sum the pulses, each of height near 1, onto the band's samples."""
    height = np.where(heart.label == "V", EARLY_PULSE, 1.0)
    height[1:][heart.label[:-1] == "V"] = AFTER_EARLY_PULSE
    second = np.zeros(height.size)
    for fault in faults:
        if isinstance(fault, HarmonicLock):
            here = (foot_s >= fault.start_s) & (foot_s < fault.end_s)
            if fault.factor == 2.0:
                second[here] = np.maximum(second[here], fault.dose)
            else:
                height[here & (np.arange(height.size) % 2 == 1)] *= 1.0 - fault.dose
    cycle_s = 60.0 / heart.at(heart.hr_bpm, heart.beat_s)
    since_s = (foot_s - time_s[0]) / (fs_hz * (time_s[1] - time_s[0]))  # on the band's clock
    return _train(since_s, height, cycle_s, fs_hz, time_s.size) + _train(
        since_s + 0.5 * cycle_s, height * second, cycle_s, fs_hz, time_s.size
    )


def _train(
    foot_s: FloatArray, height: FloatArray, cycle_s: FloatArray, fs_hz: float, size: int
) -> FloatArray:
    stretch = np.sqrt(cycle_s)
    total = np.zeros(size)
    for delay, width, share in zip(PULSE_DELAY_S, PULSE_WIDTH_S, PULSE_HEIGHT, strict=True):
        total += gaussian_train(
            foot_s + (2.0 * PULSE_WIDTH_S[0] + delay) * stretch, share * height, width * stretch,
            fs_hz=fs_hz, size=size,
        )  # fmt: skip
    return total


def _swell(seed: int, band: Band, heart: Heart, time_s: FloatArray) -> FloatArray:
    """Slow changes of the pulse's height: breathing, skin blood flow, exertion."""
    rng = stream(seed, "swell", band.name)
    slow = wander(rng, time_s.size, step_s=1.0 / band.fs_hz, time_s=25.0)
    warm = 0.8 + 0.5 * heart.at(heart.exertion, time_s)
    return warm * np.exp(0.12 * slow) * (1.0 + 0.07 * heart.breath(time_s - 1.0))


def _drift(rng: np.random.Generator, band: Band, heart: Heart, time_s: FloatArray) -> FloatArray:
    """Level changes by breathing and vessel tone, in pulse heights."""
    tone = band_noise(rng, time_s.size, fs_hz=band.fs_hz, low_hz=0.02, high_hz=0.12)
    slow = wander(rng, time_s.size, step_s=1.0 / band.fs_hz, time_s=120.0)
    return 0.18 * heart.breath(time_s - 0.8) + 0.35 * tone + 1.5 * slow


def _pulse_share(faults: Sequence[Fault], time_s: FloatArray) -> FloatArray:
    share = np.ones(time_s.size)
    for fault in faults:
        if isinstance(fault, (ContactLoss, LowPerfusion)):
            share *= 1.0 - fault.dose * gate(time_s, fault.start_s, fault.end_s)
    return share


def _ambient(seed: int, band: Band, faults: Sequence[Fault], time_s: FloatArray) -> FloatArray:
    """Ambient light that enters where contact is lost, as a share of the level.

    How much enters changes with how the wrist is turned.
    """
    total = np.zeros(time_s.size)
    for number, fault in enumerate(f for f in faults if isinstance(f, ContactLoss)):
        rng = stream(seed, "ambient", band.name, str(number))
        turns = np.exp(0.6 * wander(rng, time_s.size, step_s=1.0 / band.fs_hz, time_s=0.7))
        amount = AMBIENT_AT_FULL_LOSS * fault.dose**AMBIENT_POWER * turns
        total += amount * gate(time_s, fault.start_s, fault.end_s, ramp_s=0.3)
    return zero_phase(total, fs_hz=band.fs_hz, high_hz=AMBIENT_HZ)


def _steps(seed: int, band: Band, faults: Sequence[Fault], time_s: FloatArray) -> FloatArray:
    """Level steps of changing pressure that creep back, in pulse heights."""
    total = np.zeros(time_s.size)
    for number, fault in enumerate(f for f in faults if isinstance(f, PressureChange)):
        rng = stream(seed, "pressure", band.name, str(number))
        count = max(1, round((fault.end_s - fault.start_s) / STEP_EVERY_S))
        for at_s in rng.uniform(fault.start_s, fault.end_s, count):
            part = slice(*np.searchsorted(time_s, (at_s, at_s + CREPT_AFTER * CREEP_S)))
            creep = np.exp(-(time_s[part] - at_s) / CREEP_S)
            total[part] += fault.dose * rng.standard_normal() * creep
    return total


def _leaks(
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
    moved = np.roll(moved, round(rng.uniform(0.02, 0.08) * band.fs_hz))
    total = np.zeros(time_s.size)
    for number, fault in enumerate(faults):
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
            rng = stream(seed, "shaken", band.name, str(colour), str(number))
            leak = _shaken(rng, band, part.stop - part.start)
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
