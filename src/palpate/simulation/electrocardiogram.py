"""A chest ECG as a sum of Gaussians on the phase of each beat, with its noises.

The waves P, Q, R, S, T are those of ECGSYN (McSharry, Clifford, Tarassenko & Smith 2003,
IEEE Trans Biomed Eng 50:289). Used here are the angles, heights and widths of the
published *program* (P at -70°, T at 100°), not of the paper's table, which differ in P
and T; ``reference_data/ecgsyn_parameters.csv`` holds both.

Deviations
----------
* The dynamical system's steady course is written down directly, wave by wave:
  height ``a b² / ω``, which does not depend on the rate, since the program scales ``b``
  with √(rate / 60). Its weak pull back to the baseline is left out.
* Angles and widths follow the rate at each beat, not the mean rate.
* Early ventricular beats have no P, a wide QRS and an opposed T (our choice of shape).
* The second lead is the first with other heights per wave (our choice).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from palpate.signals import FloatArray
from palpate.simulation.faults import ElectrodeMotion, Fault
from palpate.simulation.physiology import Heart
from palpate.simulation.synthesis import band_noise, gaussian_train, stream, wander

WAVE_DEG = np.array([-70.0, -15.0, 0.0, 15.0, 100.0])
WAVE_A = np.array([1.2, -5.0, 30.0, -7.5, 0.75])
WAVE_B_RAD = np.array([0.25, 0.1, 0.1, 0.1, 0.4])
ANGLE_EXPONENT = np.array([0.25, 0.5, 1.0, 0.5, 0.25])
R_HEIGHT_MV = 1.1
QRS_PEAK_TO_PEAK_MV = 1.375  # R above S with these heights
LEAD_GAIN = np.array([[1.0, 1.0, 1.0, 1.0, 1.0], [0.6, 1.6, 0.65, 0.5, 0.55]])
EARLY_OFFSET_S = np.array([0.0, 0.075, 0.29])
EARLY_WIDTH_S = np.array([0.032, 0.040, 0.065])
EARLY_MV = np.array([[1.35, -0.55, -0.45], [-0.9, 0.5, 0.3]])
MAINS_HZ = 50.0
MAINS_MV = 0.006
BREATH_DRIFT_MV = 0.06


def ecg_leads(
    seed: int, heart: Heart, faults: Sequence[Fault], *, fs_hz: float, size: int, leads: int
) -> FloatArray:
    """Return the ECG ``(size, leads)`` in mV from session second 0; at most two leads."""
    time_s = np.arange(size) / fs_hz
    columns = [
        _beats(heart, lead, fs_hz=fs_hz, size=size) * (1.0 + 0.04 * heart.breath(time_s))
        + _noise(seed, heart, lead, fs_hz=fs_hz, time_s=time_s)
        + _electrode_motion(seed, faults, lead, fs_hz=fs_hz, time_s=time_s)
        for lead in range(leads)
    ]
    return np.column_stack(columns)


def _beats(heart: Heart, lead: int, *, fs_hz: float, size: int) -> FloatArray:
    early = heart.label == "V"
    sinus_s, early_s = heart.beat_s[~early], heart.beat_s[early]
    rate = heart.at(heart.hr_bpm, sinus_s) / 60.0
    height_mv = R_HEIGHT_MV * LEAD_GAIN[lead] * WAVE_A * WAVE_B_RAD**2 / (WAVE_A * WAVE_B_RAD**2)[2]
    total = np.zeros(size)
    for degrees, b_rad, exponent, height in zip(
        WAVE_DEG, WAVE_B_RAD, ANGLE_EXPONENT, height_mv, strict=True
    ):
        offset_s = degrees / 360.0 * rate ** (exponent - 1.0)
        width_s = b_rad / (2.0 * np.pi) * rate**-0.5
        total += gaussian_train(
            sinus_s + offset_s, np.full(rate.size, height), width_s, fs_hz=fs_hz, size=size
        )
    for offset, width, height in zip(EARLY_OFFSET_S, EARLY_WIDTH_S, EARLY_MV[lead], strict=True):
        flat = np.ones(early_s.size)
        total += gaussian_train(
            early_s + offset, height * flat, width * flat, fs_hz=fs_hz, size=size
        )
    return total


def _noise(seed: int, heart: Heart, lead: int, *, fs_hz: float, time_s: FloatArray) -> FloatArray:
    """Baseline drift, muscle and mains; the first two grow with exertion."""
    rng = stream(seed, "ecg noise", str(lead))
    exertion = heart.at(heart.exertion, time_s)
    drift = band_noise(rng, time_s.size, fs_hz=fs_hz, low_hz=0.05, high_hz=0.4)
    muscle = band_noise(rng, time_s.size, fs_hz=fs_hz, low_hz=15.0, high_hz=110.0)
    swell = np.exp(0.5 * wander(rng, time_s.size, step_s=1.0 / fs_hz, time_s=0.7))
    mains = np.sin(2.0 * np.pi * (MAINS_HZ * time_s + rng.random()))
    return (
        BREATH_DRIFT_MV * heart.breath(time_s)
        + (0.03 + 0.12 * exertion) * drift
        + (0.008 + 0.045 * exertion) * swell * muscle
        + MAINS_MV * mains
        + 0.003 * rng.standard_normal(time_s.size)
    )


def _electrode_motion(
    seed: int, faults: Sequence[Fault], lead: int, *, fs_hz: float, time_s: FloatArray
) -> FloatArray:
    """Bursts in the band of the QRS complex, at the RMS that each fault's dose states."""
    total = np.zeros(time_s.size)
    for fault in faults:
        if not isinstance(fault, ElectrodeMotion):
            continue
        part = slice(*np.searchsorted(time_s, (fault.start_s, fault.end_s)))
        rng = stream(seed, fault.key, str(lead))
        noise = band_noise(rng, time_s[part].size, fs_hz=fs_hz, low_hz=1.0, high_hz=12.0)
        noise *= np.exp(0.8 * wander(rng, noise.size, step_s=1.0 / fs_hz, time_s=0.4))
        scale = fault.dose * QRS_PEAK_TO_PEAK_MV / np.sqrt(8.0)
        total[part] += scale * noise / np.sqrt(np.mean(noise**2))
    return total
