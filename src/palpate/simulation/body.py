"""What both wrists share: the body's cadence, the lifting of crates, the ground's roughness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from palpate.signals import FloatArray
from palpate.simulation.scenario import Bout, Movement, bout_edges
from palpate.simulation.synthesis import stream, wander

RHYTHM_PER_MIN: dict[Movement, float] = {"stepping": 97.0, "gravel": 66.0}
RHYTHM_SPREAD = 0.05  # between sessions
RHYTHM_WANDER, RHYTHM_WANDER_S = 0.02, 15.0
LIFT_EVERY_S = (2.6, 4.2)
LIFT_LASTS_S = 1.5
VIGOUR, VIGOUR_S = 0.15, 1.2
GROUND_SWELL, GROUND_S = 0.5, 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """The body's movement on session seconds.

    ``time_s``, ``phase_rad``, ``per_min`` (cadence; NaN where there is none), ``vigour``
    of the steps and ``roughness`` of the ground (both near 1) share the grid ``(n,)``;
    ``lift_s`` holds the moment at which each crate is grabbed, ``(lifts,)``.
    """

    time_s: FloatArray
    phase_rad: FloatArray
    per_min: FloatArray
    vigour: FloatArray
    roughness: FloatArray
    lift_s: FloatArray

    def at(self, values: FloatArray, time_s: FloatArray) -> FloatArray:
        """Interpolate one of the grid's columns."""
        return np.interp(time_s, self.time_s, values)


def simulate_body(seed: int, bouts: Sequence[Bout], time_s: FloatArray) -> Body:
    """Return the movement that both wrists share, on a uniform grid ``(n,)``."""
    step_s = float(time_s[1] - time_s[0])
    rng = stream(seed, "rhythm")
    nominal = np.array([RHYTHM_PER_MIN.get(bout.movement, np.nan) for bout in bouts])
    which = np.clip(np.searchsorted(bout_edges(bouts), time_s, "right") - 1, 0, len(bouts) - 1)
    wandering = wander(rng, time_s.size, step_s=step_s, time_s=RHYTHM_WANDER_S)
    own = 1.0 + rng.uniform(-RHYTHM_SPREAD, RHYTHM_SPREAD)
    per_min = nominal[which] * own * (1.0 + RHYTHM_WANDER * wandering)
    steps = wander(stream(seed, "vigour"), time_s.size, step_s=step_s, time_s=VIGOUR_S)
    ground = wander(stream(seed, "ground"), time_s.size, step_s=step_s, time_s=GROUND_S)
    return Body(
        time_s=time_s,
        phase_rad=2.0 * np.pi * np.cumsum(np.nan_to_num(per_min)) / 60.0 * step_s,
        per_min=per_min,
        vigour=1.0 + VIGOUR * steps,
        roughness=np.exp(GROUND_SWELL * ground),
        lift_s=_lift_times(seed, bouts),
    )


def _lift_times(seed: int, bouts: Sequence[Bout]) -> FloatArray:
    rng = stream(seed, "lifts")
    found: list[FloatArray] = [np.zeros(0)]
    for start_s, bout in zip(bout_edges(bouts)[:-1], bouts, strict=True):
        if bout.movement == "lifting":
            count = int(bout.duration_s / LIFT_EVERY_S[0])
            times_s = start_s + np.cumsum(rng.uniform(*LIFT_EVERY_S, size=count))
            found.append(times_s[times_s < start_s + bout.duration_s - LIFT_LASTS_S])
    return np.concatenate(found)
