"""Known faults put into real recordings: the light, the motion and the heart stay real.

Doses mean what they mean in ``faults``, with these differences:

* A leak's or an ambient light's yardstick is the RMS, or the height, of the recorded light in
  its pulse band during the fault, whatever that light holds already.
* `HarmonicLock` acts on the device's own heart rate only; a second pulse cannot be put into
  light whose pulses are not known.
* Ambient light is given in pulse heights, since many recordings have had their level removed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from palpate.conditioning import bridge_gaps, zero_phase
from palpate.signals import FloatArray, RateSeries, Recording, Role, Session, Waveform
from palpate.simulation.disturbance import (
    AMBIENT_AT_FULL_LOSS,
    AMBIENT_HZ,
    AMBIENT_POWER,
    LEAK_HZ,
    LEAK_LATE_S,
    STILL_G,
)
from palpate.simulation.faults import (
    ClockError,
    ContactLoss,
    EstimatorLatency,
    Fault,
    HarmonicLock,
    HeldReading,
    MotionCoupling,
)
from palpate.simulation.synthesis import gate, stream, wander
from palpate.validation import InputError

PULSE_HZ = (0.5, 5.0)
PULSE_SHARE_OF_LEVEL = 0.016
"""Pulse height over the light's level, green at the wrist, as of the simulated bands."""
HEIGHT_OVER_RMS = 2.0 * np.sqrt(2.0)
IN_LIGHT = (MotionCoupling, ContactLoss)
IN_RATES = (EstimatorLatency, HarmonicLock, HeldReading)


def inject_faults(session: Session, faults: Sequence[Fault], *, seed: int) -> Session:
    """Return the session with faults in its recordings.

    Parameters
    ----------
    session
        A real one; intervals are in its session seconds.
    faults
        Each names the recording that it acts on as its ``source``.
    seed
        Of what is random about a fault.

    Raises
    ------
    InputError
        If a fault names no recording, finds nothing to act on, or is of a kind that cannot
        be put into a real recording.
    """
    names = [recording.name for recording in session.recordings]
    for fault in faults:
        if fault.source not in names:
            raise InputError(
                f"{fault.kind} acts on {fault.source!r}; this session has {', '.join(names)}"
            )
        if not isinstance(fault, (ClockError, *IN_LIGHT, *IN_RATES)):
            raise InputError(f"{fault.kind} cannot be put into a real recording")
    changed = {recording.name: recording for recording in session.recordings}
    for fault in faults:
        changed[fault.source] = _with_fault(changed[fault.source], fault, seed)
    return replace(session, recordings=tuple(changed.values()))


def _with_fault(recording: Recording, fault: Fault, seed: int) -> Recording:
    if isinstance(fault, ClockError):
        return replace(
            recording,
            clock_offset_s=recording.clock_offset_s - fault.dose,
            clock_drift_ppm=recording.clock_drift_ppm - fault.drift_ppm,
        )
    if isinstance(fault, IN_RATES):
        if not recording.rates:
            raise InputError(f"{fault.kind} needs a heart rate in {recording.name!r}")
        return replace(recording, rates=tuple(_rate(r, recording, fault) for r in recording.rates))
    light = recording.of_role(Role.PPG)
    if not light:
        raise InputError(f"{fault.kind} needs light in {recording.name!r}")
    changed = {w.name: _light(w, recording, fault, seed) for w in light}
    return replace(recording, waveforms=tuple(changed.get(w.name, w) for w in recording.waveforms))


def _rate(rate: RateSeries, recording: Recording, fault: Fault) -> RateSeries:
    at_s = recording.session_s(rate.start_s)
    inside = (at_s >= fault.start_s) & (at_s < fault.end_s)
    hr_bpm = np.array(rate.hr_bpm)
    if isinstance(fault, HarmonicLock):
        hr_bpm[inside] *= fault.factor
    elif isinstance(fault, HeldReading):
        hr_bpm = fault.shown(hr_bpm, at_s)
    else:
        late = np.interp(at_s - fault.dose, at_s, hr_bpm, left=np.nan)
        hr_bpm[inside] = late[inside]
    reason = np.where(np.isfinite(hr_bpm), rate.reason, "the device gave no value")
    return replace(rate, hr_bpm=hr_bpm, reason=reason)


def _light(light: Waveform, recording: Recording, fault: Fault, seed: int) -> Waveform:
    time_s = recording.session_s(light.times_s())
    inside = (time_s >= fault.start_s) & (time_s < fault.end_s)
    if not inside.any():
        raise InputError(f"{fault.kind} lies outside the light of {recording.name!r}")
    filled, missing = bridge_gaps(light.values)
    pulse = zero_phase(filled, fs_hz=light.fs_hz, low_hz=PULSE_HZ[0], high_hz=PULSE_HZ[1])
    size = pulse[inside].std(axis=0)
    if isinstance(fault, MotionCoupling):
        columns = filled.shape[1]
        leak = np.column_stack([_leak(recording, (seed, i), time_s) for i in range(columns)])
        if np.any(leak[inside].std(axis=0) < STILL_G):
            raise InputError(f"{fault.kind} from {fault.start_s:g} s finds the wrist still")
        added = fault.dose * size / leak[inside].std(axis=0) * leak * inside[:, np.newaxis]
    else:
        lost = fault.dose * gate(time_s, fault.start_s, fault.end_s)[:, np.newaxis]
        ambient = _ambient(fault, seed, time_s, light.fs_hz)[:, np.newaxis]
        added = HEIGHT_OVER_RMS * size * ambient - lost * pulse
    values = np.where(missing, np.nan, filled + added)
    return replace(light, values=values)


def _leak(recording: Recording, key: tuple[int, int], time_s: FloatArray) -> FloatArray:
    """Return a mixture of the recorded axes in the light's band, on the light's samples."""
    if not recording.of_role(Role.ACC):
        raise InputError(f"a leak of motion needs an accelerometer in {recording.name!r}")
    acc = recording.of_role(Role.ACC)[0]
    seed, colour = key
    rng = stream(seed, "leak", recording.name, str(colour))
    mixed = bridge_gaps(acc.values)[0] @ rng.normal(0.0, 1.0, acc.values.shape[1])
    moved = zero_phase(mixed, fs_hz=acc.fs_hz, low_hz=LEAK_HZ[0], high_hz=LEAK_HZ[1])
    late_s = rng.uniform(*LEAK_LATE_S)
    return np.interp(time_s - late_s, recording.session_s(acc.times_s()), moved)


def _ambient(fault: Fault, seed: int, time_s: FloatArray, fs_hz: float) -> FloatArray:
    """Return ambient light in pulse heights; how much enters changes with the wrist's turning."""
    rng = stream(seed, fault.key)
    turns = np.exp(0.6 * wander(rng, time_s.size, step_s=1.0 / fs_hz, time_s=0.7))
    amount = AMBIENT_AT_FULL_LOSS / PULSE_SHARE_OF_LEVEL * fault.dose**AMBIENT_POWER * turns
    entered = amount * gate(time_s, fault.start_s, fault.end_s, ramp_s=0.3)
    return zero_phase(entered, fs_hz=fs_hz, high_hz=AMBIENT_HZ)
