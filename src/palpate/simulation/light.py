"""The light at the wrist: two wavelengths of PPG in converter counts.

Each beat sends one pulse, a sum of three Gaussians whose widths shrink with the square
root of the cycle. Its foot, by the intersecting-tangent rule, lies two widths ahead of
the first Gaussian's top (the tangent at the inflection point of ``exp(-u²/2)`` meets
zero at ``u = -2``), so the delay from R peak to foot is exactly what is asked for.

Sources
-------
* Delay from R peak to pulse foot: 0.25 s at rest is our choice for the wrist. It holds
  the pre-ejection period, 52 to 59 ms on average, and its beat-to-beat SD of 6 ms lies
  in that period's 1.6 to 12 ms within one person (Kortekaas et al., PMC6179208).
* Pulse widths and heights, drift and noise are our choices.

Conventions
-----------
* Pulses point up. Counts are whole numbers, clipped at the converter's full scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from palpate.signals import FloatArray
from palpate.simulation.disturbance import ambient_light, leaks, pressure_steps, pulse_share
from palpate.simulation.faults import Fault, HarmonicLock
from palpate.simulation.physiology import Heart
from palpate.simulation.scenario import Band
from palpate.simulation.synthesis import band_noise, gaussian_train, stream, wander

WAVELENGTH_NM = (525.0, 880.0)
LEVEL_COUNTS = (52_000.0, 96_000.0)
FULL_SCALE_COUNTS = 131_071  # 17 bits
PULSE_DELAY_S = np.array([0.0, 0.16, 0.33])  # after the first top, at 60 bpm
PULSE_WIDTH_S = np.array([0.080, 0.110, 0.130])
PULSE_HEIGHT = np.array([1.0, 0.42, 0.28])
DELAY_SD_S = 0.006
DELAY_S_PER_BPM = -0.0004  # shorter when the heart beats faster; our choice
EARLY_PULSE, AFTER_EARLY_PULSE = 0.35, 1.15  # heights around an early beat; our choice
STEP_SHARE = (0.9, 1.1)  # of a pressure step, per wavelength; our choice


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
    pulse = pulse * pulse_share(mine, time_s) * _swell(seed, band, heart, time_s)
    pressed = pressure_steps(seed, mine, time_s)
    ambient = ambient_light(seed, band, mine, time_s)
    columns = []
    for colour, level in enumerate(LEVEL_COUNTS):
        rng = stream(seed, "light", band.name, str(colour))
        noise = band.light_noise * rng.standard_normal(time_s.size)
        drift = _drift(rng, band, heart, time_s)
        leak = leaks((seed, colour), band, mine, acc_g=acc_g, pulse=pulse, time_s=time_s)
        ac = pulse + leak + noise + drift + STEP_SHARE[colour] * pressed
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
