"""Whether one condition does better than another, activity by activity.

Compared are conditions that differ in one thing: the firmware of a band, the band, or the
source. The measure is the session's mean absolute error. Where both were there in at least
two sessions, their differences within sessions are compared (paired, Student's t), since
the evening is the same for both; else the sessions' means are (Welch's t, 1947, Biometrika
34:28). Judged is the difference at equal motion, since no two rides are alike; as measured
where motion is unknown or too different. Over all comparisons of a study with enough
sessions, the chance of calling any difference that is none is held at 5 % (Holm 1979, Scand J
Stat 6:65).

difference = second - first: negative where the second is better.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal, NamedTuple

import numpy as np
from scipy import stats

from palpate.signals import FloatArray
from palpate.study.equal_motion import errors_at_equal_motion, motion_in_common
from palpate.study.pooling import FEWEST_SESSIONS
from palpate.study.sessions import FEWEST_WINDOWS, Condition, SessionErrors

FEWEST_PAIRS = 2
LEVEL = 0.05

Verdict = Literal["better", "worse", "no difference shown", "too few sessions"]
Changed = Literal["firmware", "band", "source"]


class Difference(NamedTuple):
    """Mean absolute error of the second less that of the first, its 95 % interval, and p.

    Interval and p, the chance of such a difference if there were none, are of this
    comparison alone.
    """

    mean_bpm: float
    low_bpm: float
    high_bpm: float
    p: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """The second condition against the first in one activity.

    Parameters
    ----------
    changed
        What differs between the two.
    paired
        Whether the same sessions were compared.
    n_first, n_second
        Sessions that entered; the number of pairs, twice, if paired.
    as_measured, at_equal_motion
        The difference, and what it would be had all sessions moved alike (see
        ``equal_motion``); None where their motion is unknown or too different to tell.
    motion_ratio
        Median motion intensity of the second's sessions over that of the first's.
    p
        Chance of such a difference as is judged if there were none, adjusted for all
        comparisons that had enough sessions; of this comparison alone where it had not.
    verdict
        On the second; ``too few sessions`` with fewer than five on either side.
    """

    changed: Changed
    first: Condition
    second: Condition
    activity: str
    paired: bool
    n_first: int
    n_second: int
    as_measured: Difference
    at_equal_motion: Difference | None
    motion_ratio: float
    p: float
    verdict: Verdict

    @property
    def judged(self) -> Difference:
        """The difference that the verdict is on."""
        return self.at_equal_motion or self.as_measured

    @property
    def enough(self) -> bool:
        """Whether there are as many sessions as are wanted on both sides."""
        return min(self.n_first, self.n_second) >= FEWEST_SESSIONS


def compare_conditions(errors: Iterable[SessionErrors]) -> tuple[Comparison, ...]:
    """Compare all conditions that differ in one thing, in every activity both were in.

    A comparison that has no interval (a single session on a side) is left out. Firmware
    comes in the order of appearance, so that give the older sessions first.
    """
    held = list(errors)
    conditions = dict.fromkeys(one.condition for one in held)
    activities = dict.fromkeys(one.activity for one in held)
    made = [
        comparison
        for first, second in combinations(conditions, 2)
        if (changed := _changed(first, second)) is not None
        for activity in activities
        if (comparison := _compared(changed, first, second, activity, held)) is not None
    ]
    return tuple(_with_verdicts(made))


def _changed(first: Condition, second: Condition) -> Changed | None:
    """Return the one thing that differs; a firmware belongs to its band."""
    if first.band != second.band:
        return "band" if first.source == second.source else None
    if first.firmware != second.firmware:
        return "firmware" if first.source == second.source else None
    return "source"


def _compared(
    changed: Changed,
    first: Condition,
    second: Condition,
    activity: str,
    errors: Sequence[SessionErrors],
) -> Comparison | None:
    sides = [
        {e.session: e for e in errors if e.condition == side and e.activity == activity}
        for side in (first, second)
    ]
    shared = [session for session in sides[0] if session in sides[1]]
    paired = len(shared) >= FEWEST_PAIRS
    if changed == "band" and not paired:
        return None  # two bands of different evenings: the evenings would be compared
    if paired:
        sides = [{session: side[session] for session in shared} for side in sides]
    if min(len(side) for side in sides) < 2:
        return None
    before, after = ([*side.values()] for side in sides)
    moved = [float(np.median([e.mad_g for e in side])) for side in (before, after)]
    as_measured = _difference(
        *(np.array([e.errors.mae_bpm for e in side]) for side in (before, after)), paired=paired
    )
    at_equal_motion = _difference_at_equal_motion(before, after, paired=paired)
    return Comparison(
        changed=changed,
        first=first,
        second=second,
        activity=activity,
        paired=paired,
        n_first=len(before),
        n_second=len(after),
        as_measured=as_measured,
        at_equal_motion=at_equal_motion,
        motion_ratio=moved[1] / moved[0] if moved[0] > 0 else float("nan"),
        p=(at_equal_motion or as_measured).p,
        verdict="too few sessions",
    )


def _difference_at_equal_motion(
    before: Sequence[SessionErrors], after: Sequence[SessionErrors], *, paired: bool
) -> Difference | None:
    known = [np.isfinite(one.motion_g) for one in (*before, *after)]
    if min(np.count_nonzero(windows) for windows in known) < FEWEST_WINDOWS:
        return None
    held = list(zip((*before, *after), known, strict=True))
    motion = [one.motion_g[windows] for one, windows in held]
    n = len(before)
    if not motion_in_common(np.concatenate(motion[:n]), np.concatenate(motion[n:])):
        return None
    errors = errors_at_equal_motion(motion, [one.error_bpm[windows] for one, windows in held])
    return _difference(errors[:n], errors[n:], paired=paired)


def _difference(before: FloatArray, after: FloatArray, *, paired: bool) -> Difference:
    if paired:
        parts, df = [(after - before).var(ddof=1) / before.size], before.size - 1.0
    else:
        parts = [side.var(ddof=1) / side.size for side in (before, after)]
        freedom = sum(
            part**2 / (side.size - 1) for part, side in zip(parts, (before, after), strict=True)
        )
        df = sum(parts) ** 2 / freedom if freedom > 0 else 1.0
    difference, error = float(after.mean() - before.mean()), float(np.sqrt(sum(parts)))
    reach = float(stats.t.ppf(1.0 - LEVEL / 2.0, df)) * error
    if error > 0:
        p = 2.0 * float(stats.t.sf(abs(difference) / error, df))
    else:
        p = float(difference == 0.0)  # no spread at all
    return Difference(difference, difference - reach, difference + reach, p)


def _with_verdicts(comparisons: Sequence[Comparison]) -> Iterator[Comparison]:
    counted = [one.p for one in comparisons if one.enough]
    adjusted = iter(holm(np.array(counted)).tolist())
    for one in comparisons:
        if not one.enough:
            yield one
            continue
        p = next(adjusted)
        better: Verdict = "better" if one.judged.mean_bpm < 0 else "worse"
        yield replace(one, p=p, verdict=better if p < LEVEL else "no difference shown")


def holm(p: FloatArray) -> FloatArray:
    """Return p values ``(n,)`` adjusted for their number by Holm's step-down rule."""
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * (p.size - np.arange(p.size)))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted
