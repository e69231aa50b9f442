"""A whole simulated session: the recordings a wearer would export, and the truth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from palpate.signals import BeatSeries, FloatArray, Session
from palpate.simulation.body import Body, simulate_body
from palpate.simulation.electrocardiogram import ecg_leads
from palpate.simulation.faults import Fault
from palpate.simulation.physiology import GRID_HZ, Heart, simulate_heart
from palpate.simulation.recordings import (
    MARGIN_S,
    TrueClock,
    WornBand,
    band_recording,
    chest_recording,
)
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
MIN_FAULT_S = 1.0  # below this a dose, which is a ratio of RMS values, means nothing


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
        The same seed and arguments give the same session.
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
    end_s = float(np.floor(bout_edges(plan)[-1]))  # EDF holds whole seconds
    _check_faults(bands, injected, end_s)
    heart, body = _wearer(seed, plan, injected)
    size = int(end_s * ecg_fs_hz)
    ecg = ecg_leads(seed, heart, injected, fs_hz=ecg_fs_hz, size=size, leads=ecg_lead_count)
    worn = [
        band_recording(seed, band, plan, heart, body, faults=injected, end_s=end_s)
        for band in bands
    ]
    session = Session(
        title="Hut supply, evening" if bouts is None else "Simulated session",
        recordings=(chest_recording(ecg, ecg_fs_hz), *(band.recording for band in worn)),
        activities=activities_of(plan),
        notes=f"Simulated by palpate with seed {seed}.",
    )
    return SimulatedSession(session, _truth(seed, heart, body, worn, faults=injected, end_s=end_s))


def _truth(
    seed: int,
    heart: Heart,
    body: Body,
    worn: Sequence[WornBand],
    *,
    faults: tuple[Fault, ...],
    end_s: float,
) -> Truth:
    seconds = np.arange(int(end_s), dtype=np.float64)
    inside = (heart.beat_s >= 0.0) & (heart.beat_s < end_s)
    clocks = {band.recording.name: band.clock for band in worn}
    return Truth(
        seed=seed,
        beats=BeatSeries(heart.beat_s[inside], heart.label[inside]),
        time_s=seconds,
        hr_bpm=heart.at(heart.hr_bpm, seconds),
        cadence_per_min=np.interp(seconds, body.time_s, body.per_min),
        pulse_foot_s={band.recording.name: band.foot_s[inside] for band in worn},
        clocks={CHEST: TrueClock(0.0, 0.0), **clocks},
        faults=faults,
    )


def _check_faults(bands: Sequence[Band], faults: Sequence[Fault], end_s: float) -> None:
    known = [CHEST, *(band.name for band in bands)]
    for fault in faults:
        if fault.source not in known:
            raise InputError(
                f"{fault.kind} acts on {fault.source!r}; this session has {', '.join(known)}"
            )
        if min(fault.end_s, end_s) - max(fault.start_s, 0.0) < MIN_FAULT_S:
            raise InputError(
                f"{fault.kind} on {fault.source!r} lasts from {fault.start_s:g} to "
                f"{fault.end_s:g} s; it must act for {MIN_FAULT_S:g} s or more of the session, "
                f"which ends at {end_s:g} s"
            )


def _wearer(seed: int, bouts: Sequence[Bout], faults: Sequence[Fault]) -> tuple[Heart, Body]:
    edges = bout_edges(bouts)
    time_s = np.arange(-MARGIN_S, float(edges[-1]) + MARGIN_S, 1.0 / GRID_HZ)
    which = np.clip(np.searchsorted(edges, time_s, "right") - 1, 0, len(bouts) - 1)
    demand_bpm = np.array([bout.demand_bpm for bout in bouts])[which]
    return simulate_heart(seed, time_s, demand_bpm, faults), simulate_body(seed, bouts, time_s)
