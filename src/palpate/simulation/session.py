"""A whole simulated session: the recordings a wearer would export, and the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from palpate.signals import (
    BeatSeries,
    FloatArray,
    RateSeries,
    Recording,
    Role,
    Session,
    Waveform,
)
from palpate.simulation.device import device_rate
from palpate.simulation.electrocardiogram import ecg_leads
from palpate.simulation.faults import ClockError, Fault
from palpate.simulation.light import WAVELENGTH_NM, wrist_light
from palpate.simulation.movement import Rhythm, body_rhythm, wrist_movement
from palpate.simulation.physiology import GRID_HZ, Heart, simulate_heart
from palpate.simulation.scenario import (
    BANDS,
    CHEST,
    Band,
    Bout,
    activities_of,
    bout_edges,
    hut_faults,
    hut_supply,
)
from palpate.validation import InputError, checked_positive, checked_rate

ECG_FS_HZ = 256.0
MARGIN_S = 60.0  # simulated around the session, for clocks that are off and late bands
START = datetime(2025, 9, 13, 16, 30, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class TrueClock:
    """``session_s = recording_s * (1 + drift_ppm * 1e-6) + offset_s``."""

    offset_s: float
    drift_ppm: float


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What really happened, in session seconds.

    Parameters
    ----------
    beats
        R peaks with the label "N" or "V".
    time_s, hr_bpm, cadence_per_min
        ``(seconds,)`` once per second; cadence is NaN where there is none.
    pulse_foot_s
        Per band, the foot of each beat's pulse at that wrist, ``(beats,)``.
    clocks
        Per recording.
    faults
        Every injected cause with source, interval and dose.
    """

    seed: int
    beats: BeatSeries
    time_s: FloatArray
    hr_bpm: FloatArray
    cadence_per_min: FloatArray
    pulse_foot_s: dict[str, FloatArray]
    clocks: dict[str, TrueClock]
    faults: tuple[Fault, ...]

    def overlap(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Return which share of each window each fault is in force, ``(windows, faults)``."""
        first = np.maximum(start_s[:, np.newaxis], [fault.start_s for fault in self.faults])
        last = np.minimum(end_s[:, np.newaxis], [fault.end_s for fault in self.faults])
        return np.asarray(np.maximum(last - first, 0.0) / (end_s - start_s)[:, np.newaxis])


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedSession:
    """A session as it would be loaded from its files, with the truth beside it."""

    session: Session
    truth: Truth


def simulate_session(
    *,
    seed: int,
    scale: float = 1.0,
    bouts: Sequence[Bout] | None = None,
    bands: Sequence[Band] = BANDS,
    faults: Sequence[Fault] | None = None,
    ecg_fs_hz: float = ECG_FS_HZ,
    ecg_lead_count: int = 2,
) -> SimulatedSession:
    """Simulate a session with known causes of error.

    Parameters
    ----------
    seed
        The same seed and arguments give the same session, on any machine.
    scale
        Shortens or stretches the hut-supply evening (1 is about 37 min); not used
        where ``bouts`` are given.
    bouts
        What the wearer does; the hut-supply evening if left out.
    bands
        The wrist bands worn.
    faults
        What goes wrong; the hut-supply evening's own faults if left out, nothing for
        an empty sequence.
    ecg_fs_hz, ecg_lead_count
        Rate of the chest ECG, and its leads, 1 or 2.

    Returns
    -------
    SimulatedSession

    Raises
    ------
    InputError
        If a fault names a source that is not there or cannot act in its interval.
    """
    if seed < 0:
        raise InputError(f"seed is {seed}; it must be a whole number from 0")
    checked_positive(scale, "scale")
    checked_rate(ecg_fs_hz, "ecg_fs_hz")
    if ecg_lead_count not in (1, 2):
        raise InputError(f"ecg_lead_count is {ecg_lead_count}; the chest ECG has 1 or 2 leads")
    plan = tuple(hut_supply(seed, scale=scale) if bouts is None else bouts)
    if not plan:
        raise InputError("bouts is empty; a session needs at least one")
    injected = tuple(hut_faults(plan, bands) if faults is None else faults)
    _check_sources(bands, injected)
    end_s = float(np.floor(bout_edges(plan)[-1]))  # EDF holds whole seconds
    heart, rhythm = _body(seed, plan, injected)
    size = int(end_s * ecg_fs_hz)
    ecg = ecg_leads(seed, heart, injected, fs_hz=ecg_fs_hz, size=size, leads=ecg_lead_count)
    worn = [_band(seed, band, plan, heart, rhythm, faults=injected, end_s=end_s) for band in bands]
    session = Session(
        title="Hut supply, evening" if bouts is None else "Simulated session",
        recordings=(_chest(ecg, ecg_fs_hz), *(recording for recording, _, _ in worn)),
        activities=activities_of(plan),
        notes=f"Simulated by palpate with seed {seed}.",
    )
    seconds = np.arange(int(end_s), dtype=np.float64)
    inside = (heart.beat_s >= 0.0) & (heart.beat_s < end_s)
    truth = Truth(
        seed=seed,
        beats=BeatSeries(heart.beat_s[inside], heart.label[inside]),
        time_s=seconds,
        hr_bpm=heart.at(heart.hr_bpm, seconds),
        cadence_per_min=np.interp(seconds, rhythm.time_s, rhythm.per_min),
        pulse_foot_s={recording.name: foot_s[inside] for recording, foot_s, _ in worn},
        clocks={
            CHEST: TrueClock(0.0, 0.0),
            **{recording.name: clock for recording, _, clock in worn},
        },
        faults=injected,
    )
    return SimulatedSession(session, truth)


def _check_sources(bands: Sequence[Band], faults: Sequence[Fault]) -> None:
    known = [CHEST, *(band.name for band in bands)]
    for fault in faults:
        if fault.source not in known:
            raise InputError(
                f"{fault.kind} acts on {fault.source!r}; this session has {', '.join(known)}"
            )


def _body(seed: int, bouts: Sequence[Bout], faults: Sequence[Fault]) -> tuple[Heart, Rhythm]:
    edges = bout_edges(bouts)
    time_s = np.arange(-MARGIN_S, float(edges[-1]) + MARGIN_S, 1.0 / GRID_HZ)
    which = np.clip(np.searchsorted(edges, time_s, "right") - 1, 0, len(bouts) - 1)
    demand_bpm = np.array([bout.demand_bpm for bout in bouts])[which]
    return simulate_heart(seed, time_s, demand_bpm, faults), body_rhythm(seed, bouts, time_s)


def _chest(ecg: FloatArray, fs_hz: float) -> Recording:
    labels = ("ECG I", "ECG II")[: ecg.shape[1]]
    waveform = Waveform("ecg", Role.ECG, ecg, fs_hz, "mV", labels, placement=CHEST)
    return Recording(
        CHEST, (waveform,), device="chest ECG", firmware="1.4", placement=CHEST, start_time=START
    )


def _band(
    seed: int,
    band: Band,
    bouts: Sequence[Bout],
    heart: Heart,
    rhythm: Rhythm,
    *,
    faults: Sequence[Fault],
    end_s: float,
) -> tuple[Recording, FloatArray, TrueClock]:
    clock = _true_clock(band, faults)
    pace = 1.0 + clock.drift_ppm * 1e-6
    duration_s = np.floor((end_s - band.clock_offset_s) / pace)
    if duration_s < 1.0 or abs(clock.offset_s) > MARGIN_S:
        raise InputError(
            f"band {band.name!r} starts at {clock.offset_s:g} s of a session of {end_s:g} s; it "
            f"must start within {MARGIN_S:g} s of the session's start and before its end"
        )
    time_s = np.arange(int(duration_s * band.fs_hz)) / band.fs_hz * pace + clock.offset_s
    acc, gyro = wrist_movement(seed, band, bouts, rhythm, faults=faults, time_s=time_s)
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
    rate = device_rate(seed, band, heart, rhythm, faults=faults, time_s=at_s)
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
    return recording, light.foot_s, clock


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
