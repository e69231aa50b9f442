"""Wrist movement: acceleration in g and rotation in deg/s, for each kind of bout.

The wrist has two slow angles (pitch and roll) that turn gravity in the sensor's axes
and, differentiated, make the gyroscope; on top come the accelerations of the bout:
steps with harmonics, lifting bursts with tremor, gravel vibration. All sizes are our
choices within what wrist recordings show. Both wrists follow one body: steps reach them
together, arms swing against each other, both hands hold the crate and the handlebar.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from palpate.conditioning import zero_phase
from palpate.signals import FloatArray
from palpate.simulation.body import Body
from palpate.simulation.faults import Fault, Shaking
from palpate.simulation.scenario import Band, Bout, Movement, bout_edges
from palpate.simulation.synthesis import band_noise, gate, gaussian_train, stream, wander

POSTURE_DEG: dict[Movement, tuple[float, float]] = {  # pitch, roll
    "still": (5.0, 12.0),
    "handling": (25.0, 40.0),
    "stepping": (35.0, 75.0),
    "lifting": (60.0, 20.0),
    "gravel": (20.0, -15.0),
}
SWAY_DEG: dict[Movement, float] = {
    "still": 1.5, "handling": 22.0, "stepping": 5.0, "lifting": 12.0, "gravel": 4.0,
}  # fmt: skip
STRIDE_MULTIPLES = np.array([0.5, 1.0, 2.0, 3.0])  # of the cadence: arm swing, steps, harmonics
STRIDE_G = np.array(  # per multiple and axis
    [[0.10, 0.12, 0.08], [0.13, 0.28, 0.18], [0.06, 0.13, 0.09], [0.03, 0.06, 0.05]]
)
LIFT_PARTS = (  # seconds after the grab, size in g, width in s: grab, heave, set down
    (0.0, 0.9, 0.05),
    (0.45, 0.5, 0.18),
    (1.3, 1.1, 0.04),
)
GRAVEL_VIBRATION_G = 0.35  # present on the track even where no fault is injected
ROUGH_HZ = (6.0, 28.0)
ROUGH_AXES = np.array([0.45, 0.55, 0.70])
PEDAL_G = 0.05
RANGE_G = 8.0
RANGE_DPS = 1000.0
ACC_NOISE_G = 0.003
HAND_HZ = 1.5  # how fast the wrist turns; our choice
GYRO_NOISE_DPS = 0.15


def wrist_movement(
    seed: int,
    band: Band,
    bouts: Sequence[Bout],
    body: Body,
    *,
    faults: Sequence[Fault],
    time_s: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return acceleration ``(n, 3)`` in g and rotation ``(n, 3)`` in deg/s at ``time_s (n,)``."""
    rng = stream(seed, "movement", band.name)
    angles = np.zeros((time_s.size, 2))
    moving = ACC_NOISE_G * rng.standard_normal((time_s.size, 3))
    edges = bout_edges(bouts)
    for i, bout in enumerate(bouts):
        first, last = (float(edges[i]), float(edges[i + 1]))
        first = -np.inf if i == 0 else first
        last = np.inf if i == len(bouts) - 1 else last
        part = slice(*np.searchsorted(time_s, (first, last)))
        if part.start == part.stop:
            continue
        angles[part] += _angles(rng, band, bout, time_s[part])
        moving[part] += _bout_acceleration(rng, band, bout, body, time_s[part])
    moving += _vibration(seed, band, body, faults, time_s)
    angles = zero_phase(angles, fs_hz=band.fs_hz, high_hz=HAND_HZ)
    pitch, roll = np.radians(angles.T)
    gravity = np.column_stack(
        [-np.sin(pitch), np.cos(pitch) * np.sin(roll), np.cos(pitch) * np.cos(roll)]
    )
    return np.clip(gravity + moving, -RANGE_G, RANGE_G), _rotation(rng, angles, moving, band.fs_hz)


def _angles(rng: np.random.Generator, band: Band, bout: Bout, time_s: FloatArray) -> FloatArray:
    """Posture, sway and fidgets as pitch and roll ``(n, 2)`` in degrees."""
    sway = SWAY_DEG[bout.movement]
    time_scale_s = 12.0 if bout.movement == "still" else 1.5
    columns = [
        posture + sway * wander(rng, time_s.size, step_s=1.0 / band.fs_hz, time_s=time_scale_s)
        for posture in POSTURE_DEG[bout.movement]
    ]
    if bout.movement == "still":
        fidget_s = np.cumsum(rng.exponential(35.0, size=int(bout.duration_s / 15.0) + 2))
        columns[1] = columns[1] + gaussian_train(
            fidget_s, rng.normal(0.0, 12.0, fidget_s.size), rng.uniform(0.3, 1.0, fidget_s.size),
            fs_hz=band.fs_hz, size=time_s.size,
        )  # fmt: skip
    return np.column_stack(columns)


def _bout_acceleration(
    rng: np.random.Generator, band: Band, bout: Bout, body: Body, time_s: FloatArray
) -> FloatArray:
    if bout.movement == "stepping":
        return _steps(rng, band, body, time_s)
    if bout.movement == "lifting":
        return _lifts(rng, band, body, time_s)
    if bout.movement == "gravel":
        return _gravel(rng, band, body, time_s)
    size_g = 0.004 if bout.movement == "still" else 0.06
    return size_g * _noise_axes(rng, band, time_s.size, low_hz=0.4, high_hz=4.0)


def _steps(rng: np.random.Generator, band: Band, body: Body, time_s: FloatArray) -> FloatArray:
    """Steps (cadence and harmonics) and the swing of each stride (half the cadence)."""
    phase = body.at(body.phase_rad, time_s)
    lag = np.add.outer(STRIDE_MULTIPLES, [0.0, 0.6, 1.1]) + rng.normal(0.0, 0.2, STRIDE_G.shape)
    if "right" in band.placement:
        lag[0] += np.pi
    vigour = body.at(body.vigour, time_s)
    total = np.zeros((time_s.size, 3))
    for multiple, sizes, lags in zip(STRIDE_MULTIPLES, STRIDE_G, lag, strict=True):
        uneven = vigour + 0.08 * wander(rng, time_s.size, step_s=1.0 / band.fs_hz, time_s=1.2)
        total += sizes * uneven[:, np.newaxis] * np.sin(multiple * phase[:, np.newaxis] + lags)
    return total + 0.04 * _noise_axes(rng, band, time_s.size, low_hz=2.0, high_hz=12.0)


def _lifts(rng: np.random.Generator, band: Band, body: Body, time_s: FloatArray) -> FloatArray:
    """Grab, heave and set-down of each crate, with the tremor of a hard grip."""
    lift_s = body.lift_s[(body.lift_s >= time_s[0]) & (body.lift_s < time_s[-1])] - time_s[0]
    total = np.zeros((time_s.size, 3))
    for part_s, size_g, width_s in LIFT_PARTS:
        grip_s = lift_s + part_s + rng.normal(0.0, 0.03, lift_s.size)
        for axis in range(3):
            height_g = size_g * rng.normal(0.6, 0.35, lift_s.size)
            width = width_s * rng.uniform(0.7, 1.4, lift_s.size)
            for shift_s, sign in ((0.0, 1.0), (2.2 * width_s, -0.8)):
                total[:, axis] += gaussian_train(
                    grip_s + shift_s, sign * height_g, width, fs_hz=band.fs_hz, size=time_s.size
                )
    tremor = _noise_axes(rng, band, time_s.size, low_hz=7.0, high_hz=12.0)
    swell = np.exp(0.4 * wander(rng, time_s.size, step_s=1.0 / band.fs_hz, time_s=0.8))
    return total + 0.10 * swell[:, np.newaxis] * tremor


def _gravel(rng: np.random.Generator, band: Band, body: Body, time_s: FloatArray) -> FloatArray:
    """Vibration of a rough track, with a trace of the pedals."""
    pedal = np.sin(body.at(body.phase_rad, time_s)[:, np.newaxis] + rng.uniform(0.0, 6.0, 3))
    return PEDAL_G * pedal + GRAVEL_VIBRATION_G * _rough(rng, band, body, time_s)


def _vibration(
    seed: int, band: Band, body: Body, faults: Sequence[Fault], time_s: FloatArray
) -> FloatArray:
    total = np.zeros((time_s.size, 3))
    for fault in faults:
        if not isinstance(fault, Shaking) or fault.source != band.name:
            continue
        rng = stream(seed, fault.key, "vibration")
        part = slice(*np.searchsorted(time_s, (fault.start_s, fault.end_s)))
        rough = fault.vibration_g * _rough(rng, band, body, time_s[part])
        total[part] += rough * gate(time_s[part], fault.start_s, fault.end_s)[:, np.newaxis]
    return total


def _rough(rng: np.random.Generator, band: Band, body: Body, time_s: FloatArray) -> FloatArray:
    """Broadband vibration of unit vector RMS whose strength follows the ground."""
    swell = body.at(body.roughness, time_s)[:, np.newaxis]
    noise = _noise_axes(rng, band, time_s.size, low_hz=ROUGH_HZ[0], high_hz=ROUGH_HZ[1])
    rough = swell * ROUGH_AXES * noise
    power = float(np.mean(np.sum(rough**2, axis=1))) if time_s.size else 1.0
    return np.asarray(rough / np.sqrt(power))


def _noise_axes(
    rng: np.random.Generator, band: Band, size: int, *, low_hz: float, high_hz: float
) -> FloatArray:
    return np.column_stack(
        [band_noise(rng, size, fs_hz=band.fs_hz, low_hz=low_hz, high_hz=high_hz) for _ in range(3)]
    )


def _rotation(
    rng: np.random.Generator, angles_deg: FloatArray, moving_g: FloatArray, fs_hz: float
) -> FloatArray:
    """Turn rates: the angles' derivatives, plus what linear movement twists along."""
    pitch_dps, roll_dps = np.gradient(angles_deg, 1.0 / fs_hz, axis=0).T
    twist = moving_g @ np.array([[0.0, 14.0, 20.0], [18.0, 0.0, 9.0], [12.0, 16.0, 0.0]])
    rates = np.column_stack([roll_dps, pitch_dps, 0.4 * (pitch_dps - roll_dps)]) + twist
    rates += GYRO_NOISE_DPS * rng.standard_normal(rates.shape)
    return np.asarray(np.clip(rates, -RANGE_DPS, RANGE_DPS))
