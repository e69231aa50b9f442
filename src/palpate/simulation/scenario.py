"""The hut-supply evening: who does what when, with which bands, and what goes wrong.

A supply run to a mountain hut: rest, a step-mill to warm up, crates lifted onto a cargo
bike, a gravel track, recovery. Heart-rate demands and movement sizes are our choices,
within what adults do; nothing here is taken from a person.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from palpate.signals import Activity, FloatArray
from palpate.simulation.faults import (
    CadenceCoupling,
    ClockError,
    ContactLoss,
    Ectopy,
    ElectrodeMotion,
    EstimatorLatency,
    Fault,
    LowPerfusion,
    MotionCoupling,
    PressureChange,
    Shaking,
)
from palpate.simulation.synthesis import stream
from palpate.validation import checked_positive

Movement = Literal["still", "handling", "stepping", "lifting", "gravel"]
CHEST = "chest"
LIFT_THEN_REST: tuple[tuple[int, int, float, Movement], ...] = (
    (20, 40, 180.0, "lifting"),
    (50, 75, 90.0, "handling"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bout:
    """A stretch with one demand and one kind of movement.

    Neighbouring bouts of the same ``activity`` form one activity; an empty name is a
    transition, which belongs to none.
    """

    activity: str
    duration_s: float
    demand_bpm: float
    movement: Movement

    def __post_init__(self) -> None:
        checked_positive(self.duration_s, f"duration_s of bout {self.activity!r}")
        checked_positive(self.demand_bpm, f"demand_bpm of bout {self.activity!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A wrist band: where it sits, how it samples, and how good it is.

    ``clock_offset_s`` and ``clock_drift_ppm`` are what the session sheet states.
    ``pulse_delay_s`` is from R peak to pulse foot at the wrist at rest; ``latency_s``
    and ``smoothing_s`` describe the band's own heart rate.
    """

    name: str
    placement: str
    firmware: str
    fs_hz: float
    with_gyro: bool
    clock_offset_s: float
    clock_drift_ppm: float = 0.0
    pulse_delay_s: float = 0.25
    perfusion_pct: tuple[float, float] = (1.6, 0.7)
    light_noise: float = 0.015
    latency_s: float = 2.0
    smoothing_s: float = 4.0


ALDER = Band(
    name="Alder", placement="left wrist", firmware="3.2", fs_hz=100.0, with_gyro=True,
    clock_offset_s=3.0,
)  # fmt: skip
BIRCH = Band(
    name="Birch", placement="right wrist", firmware="0.9", fs_hz=64.0, with_gyro=False,
    clock_offset_s=6.0, pulse_delay_s=0.262, perfusion_pct=(1.1, 0.5), light_noise=0.03,
    latency_s=4.0, smoothing_s=8.0,
)  # fmt: skip
BANDS = (ALDER, BIRCH)


def hut_supply(seed: int, *, scale: float = 1.0) -> tuple[Bout, ...]:
    """Return the bouts of the evening, about 37 min; ``scale`` shortens or stretches it."""
    rng = stream(seed, "scenario")

    def bout(activity: str, full_s: float, demand_bpm: float, movement: Movement) -> Bout:
        return Bout(
            activity=activity,
            duration_s=float(max(1, round(full_s * scale))),
            demand_bpm=demand_bpm,
            movement=movement,
        )

    walk = bout("", 40.0, 92.0, "handling")
    return (
        bout("rest", 240.0, 64.0, "still"),
        walk,
        bout("step-mill", 510.0, 141.0, "stepping"),
        walk,
        *_lifting_sets(rng, max(1, round(7 * scale))),
        walk,
        bout("gravel track", 216.0, 128.0, "gravel"),
        bout("gravel track", 108.0, 146.0, "gravel"),
        bout("gravel track", 216.0, 134.0, "gravel"),
        bout("recovery", 270.0, 72.0, "still"),
    )


def _lifting_sets(rng: np.random.Generator, count: int) -> list[Bout]:
    """Sets of 20 to 40 s that end before the heart has settled, with rests between."""
    bouts: list[Bout] = []
    for _ in range(count):
        for shortest_s, longest_s, demand_bpm, movement in LIFT_THEN_REST:
            bouts.append(
                Bout(
                    activity="crate lifting",
                    duration_s=float(rng.integers(shortest_s, longest_s, endpoint=True)),
                    demand_bpm=demand_bpm + rng.uniform(-8.0, 8.0),
                    movement=movement,
                )
            )
    return bouts


def bout_edges(bouts: Sequence[Bout]) -> FloatArray:
    """Return the session seconds at which bouts begin and the last one ends, ``(bouts + 1,)``."""
    return np.concatenate(([0.0], np.cumsum([b.duration_s for b in bouts])))


def activities_of(bouts: Sequence[Bout]) -> tuple[Activity, ...]:
    """Join neighbouring bouts of one name into activities."""
    joined: list[Activity] = []
    edges = bout_edges(bouts)
    for i, bout in enumerate(bouts):
        start_s, end_s = float(edges[i]), float(edges[i + 1])
        if i and bout.activity and bouts[i - 1].activity == bout.activity:
            start_s = joined.pop().start_s
        if bout.activity:
            joined.append(Activity(bout.activity, start_s, end_s))
    return tuple(joined)


def hut_faults(bouts: Sequence[Bout], bands: Sequence[Band] = BANDS) -> tuple[Fault, ...]:
    """Return what goes wrong in the hut-supply evening; later bands fare worse.

    The doses are our choice: they leave the step-mill sound and the gravel track nearly
    so, and break the lifting.
    """
    faults: list[Fault] = []
    edges = bout_edges(bouts)
    sets = [i for i, bout in enumerate(bouts) if bout.movement == "lifting"]
    for worse, band in enumerate(bands):
        factor = 1.0 + 0.5 * worse
        for i, bout in enumerate(bouts):
            faults += _bout_faults(bout, band.name, float(edges[i]), float(edges[i + 1]), factor)
        late_s, drift_ppm = (-1.8, 25.0) if worse else (0.3, 0.0)
        faults.append(
            ClockError(source=band.name, start_s=0.0, end_s=edges[-1], dose=late_s,
                       drift_ppm=drift_ppm)
        )  # fmt: skip
        if worse:
            faults.append(
                LowPerfusion(source=band.name, start_s=0.0, end_s=0.4 * edges[1], dose=0.88)
            )
    for i in sets[1::4]:
        faults.append(ElectrodeMotion(source=CHEST, start_s=edges[i], end_s=edges[i + 1], dose=0.7))
    faults.append(Ectopy(source=CHEST, start_s=edges[-2], end_s=edges[-1], dose=0.04))
    return tuple(faults)


def _bout_faults(
    bout: Bout, source: str, start_s: float, end_s: float, factor: float
) -> list[Fault]:
    where: dict[str, Any] = {"source": source, "start_s": start_s, "end_s": end_s}
    if bout.movement == "stepping":
        return [CadenceCoupling(**where, dose=0.45 * factor)]
    if bout.movement == "gravel":
        return [Shaking(**where, dose=2.4 * factor)]
    if bout.movement == "lifting":
        middle_s = 0.5 * (start_s + end_s)
        return [
            MotionCoupling(**where, dose=2.0 * factor),
            PressureChange(**where, dose=3.0 * factor),
            ContactLoss(
                source=source, start_s=middle_s, end_s=end_s, dose=min(0.55 * factor, 0.95)
            ),
            EstimatorLatency(source=source, start_s=start_s, end_s=end_s + 40.0, dose=6.0 * factor),
        ]
    if bout.movement == "handling":
        return [MotionCoupling(**where, dose=(1.1 if bout.activity else 0.6) * factor)]
    return []
