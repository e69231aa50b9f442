"""The recordings of a simulated session: the chest ECG and each band, on their own clocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from palpate.signals import FloatArray, RateSeries, Recording, Role, Waveform
from palpate.simulation.body import Body
from palpate.simulation.device import device_rate
from palpate.simulation.faults import ClockError, Fault
from palpate.simulation.light import WAVELENGTH_NM, wrist_light
from palpate.simulation.movement import wrist_movement
from palpate.simulation.physiology import Heart
from palpate.simulation.scenario import CHEST, Band, Bout
from palpate.validation import InputError

MARGIN_S = 60.0  # simulated around the session, for clocks that are off and late bands
START = datetime(2025, 9, 13, 16, 30, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class TrueClock:
    """``session_s = recording_s * (1 + drift_ppm * 1e-6) + offset_s``."""

    offset_s: float
    drift_ppm: float


@dataclass(frozen=True, slots=True, eq=False)
class WornBand:
    """A band's recording, with its true clock and the true pulse feet in session seconds."""

    recording: Recording
    clock: TrueClock
    foot_s: FloatArray


def chest_recording(ecg: FloatArray, fs_hz: float) -> Recording:
    """Return the chest ECG ``(n, leads)`` in mV as a recording; its clock is the session's."""
    labels = ("ECG I", "ECG II")[: ecg.shape[1]]
    waveform = Waveform("ecg", Role.ECG, ecg, fs_hz, "mV", labels, placement=CHEST)
    return Recording(
        CHEST, (waveform,), device="chest ECG", firmware="1.4", placement=CHEST, start_time=START
    )


def band_recording(
    seed: int,
    band: Band,
    bouts: Sequence[Bout],
    heart: Heart,
    body: Body,
    *,
    faults: Sequence[Fault],
    end_s: float,
) -> WornBand:
    """Return what a band records until session second ``end_s``."""
    clock = _true_clock(band, faults)
    pace = 1.0 + clock.drift_ppm * 1e-6
    duration_s = np.floor((end_s - band.clock_offset_s) / pace)
    if duration_s < 1.0 or abs(clock.offset_s) > MARGIN_S:
        raise InputError(
            f"band {band.name!r} starts at {clock.offset_s:g} s of a session of {end_s:g} s; it "
            f"must start within {MARGIN_S:g} s of the session's start and before its end"
        )
    time_s = np.arange(int(duration_s * band.fs_hz)) / band.fs_hz * pace + clock.offset_s
    acc, gyro = wrist_movement(seed, band, bouts, body, faults=faults, time_s=time_s)
    light = wrist_light(seed, band, heart, faults=faults, acc_g=acc, time_s=time_s)
    waveforms = [
        Waveform(
            "ppg", Role.PPG, light.counts, band.fs_hz, "counts", ("green", "infrared"),
            wavelength_nm=WAVELENGTH_NM, placement=band.placement,
        ),
        _axes("acc", Role.ACC, acc, band, "g"),
    ]  # fmt: skip
    if band.with_gyro:
        waveforms.append(_axes("gyro", Role.GYRO, gyro, band, "deg/s"))
    tick_s = np.arange(int(duration_s), dtype=np.float64)
    at_s = tick_s * pace + clock.offset_s
    rate = device_rate(seed, band, heart, body, faults=faults, time_s=at_s)
    recording = Recording(
        band.name,
        tuple(waveforms),
        rates=(_device_series(tick_s, rate),),
        device=band.name,
        firmware=band.firmware,
        placement=band.placement,
        start_time=START + timedelta(seconds=band.clock_offset_s),
        clock_offset_s=band.clock_offset_s,
        clock_drift_ppm=band.clock_drift_ppm,
    )
    return WornBand(recording, clock, light.foot_s)


def _axes(name: str, role: Role, values: FloatArray, band: Band, unit: str) -> Waveform:
    return Waveform(
        name, role, values, band.fs_hz, unit, tuple(f"{name}_{axis}" for axis in "xyz"),
        placement=band.placement,
    )  # fmt: skip


def _device_series(tick_s: FloatArray, rate_bpm: FloatArray) -> RateSeries:
    return RateSeries(
        source="heart_rate",
        start_s=tick_s,
        end_s=tick_s + 1.0,
        hr_bpm=rate_bpm,
        confidence=np.full(tick_s.size, np.nan),
        reason=np.where(np.isnan(rate_bpm), "the device gave no value", ""),
    )


def _true_clock(band: Band, faults: Sequence[Fault]) -> TrueClock:
    errors = [f for f in faults if isinstance(f, ClockError) and f.source == band.name]
    return TrueClock(
        band.clock_offset_s + sum(error.dose for error in errors),
        band.clock_drift_ppm + sum(error.drift_ppm for error in errors),
    )
