"""Whether one condition does better than another, activity by activity.

Compared are conditions that differ in one thing: the firmware of a band, the band, or the
source. The measure is the session's mean absolute error, as a ratio (`ratios`). Sessions in
which both were are compared in pairs, since the evening is the same for both. Other firmwares
are compared by the sessions of wearers who wore both; bands of different evenings are not
compared, nor are whole sessions, which differ in what was done in them.

Judged is the ratio at equal motion, since no two rides are alike; as measured where motion
is unknown or too different. Each question has a family of its own: what a firmware changed in
one source, which band is better in it, and which source is. Over all of a family's comparisons
with enough sessions, the chance of calling any difference that does not exist is held at 5 %
(Holm 1979, Scand J Stat 6:65), so that a device's answer does not depend on how many estimators
were run beside it.

ratio = second / first: below 1 where the second is better.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal

import numpy as np

from palpate.evaluation.overlap import LEAST_IN_COMMON, within_middle
from palpate.evaluation.scoring import ALL
from palpate.signals import FloatArray
from palpate.study.pooling import FEWEST_SESSIONS, typical_of_sessions
from palpate.study.ratios import LEVEL, Ratio, paired_ratio, unpaired_ratio
from palpate.study.sessions import FEWEST_WINDOWS, Condition, SessionErrors

Verdict = Literal["better", "worse", "no difference shown", "too few sessions"]
Changed = Literal["firmware", "band", "source"]


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
    first_mae_bpm, second_mae_bpm
        Typical errors of the sessions that entered, as measured.
    wrist_too
        Whether the second side was never worn where the first was.
    as_measured, at_equal_motion
        The ratio of errors, and what it would be had all sessions moved alike; None where
        their motion is unknown or too different to tell.
    motion_ratio
        Median motion intensity of the second's sessions over that of the first's; NaN if
        unknown.
    p
        Chance of such a ratio as is judged if both were alike, adjusted for all of the
        ``family`` that had enough sessions; of this comparison alone where it had not.
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
    first_mae_bpm: float
    second_mae_bpm: float
    wrist_too: bool
    as_measured: Ratio
    at_equal_motion: Ratio | None
    motion_ratio: float
    p: float
    verdict: Verdict

    @property
    def judged(self) -> Ratio:
        """The ratio that the verdict is on."""
        return self.at_equal_motion or self.as_measured

    @property
    def family(self) -> tuple[str, str]:
        """The question that it answers together with others: what changed, in which source."""
        return self.changed, "" if self.changed == "source" else self.first.source

    @property
    def enough(self) -> bool:
        """Whether there are as many sessions as are wanted on both sides."""
        return min(self.n_first, self.n_second) >= FEWEST_SESSIONS


def compare_conditions(errors: Iterable[SessionErrors]) -> tuple[Comparison, ...]:
    """Compare all conditions that differ in one thing, in every activity both were in.

    A comparison that has no interval (a single session on a side) is left out. Firmware
    comes in the order of appearance, so give the older sessions first. Where nothing has an
    activity, whole sessions are compared.
    """
    held = list(errors)
    conditions = dict.fromkeys(one.condition for one in held)
    activities = dict.fromkeys(one.activity for one in held)
    made = [
        comparison
        for first, second in combinations(conditions, 2)
        if (changed := _changed(first, second)) is not None
        for activity in [name for name in activities if name != ALL] or activities
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
    before, after, paired = _sides(*sides)
    if changed == "band" and not paired:
        return None  # two bands of different evenings: the evenings would be compared
    as_measured = _ratio(before, after, paired=paired, at_equal_motion=False)
    if as_measured is None:
        return None
    at_equal_motion = _ratio(before, after, paired=paired, at_equal_motion=True)
    moved = [float(np.median([e.mad_g for e in side])) for side in (before, after)]
    places = [{e.placement for e in side} for side in (before, after)]
    return Comparison(
        changed=changed,
        first=first,
        second=second,
        activity=activity,
        paired=paired,
        n_first=len(before),
        n_second=len(after),
        first_mae_bpm=_typical(before),
        second_mae_bpm=_typical(after),
        wrist_too="" not in places[0] | places[1] and places[0].isdisjoint(places[1]),
        as_measured=as_measured,
        at_equal_motion=at_equal_motion,
        motion_ratio=moved[1] / moved[0] if min(moved) > 0 else float("nan"),
        p=(at_equal_motion or as_measured).p,
        verdict="too few sessions",
    )


def _sides(
    first: dict[str, SessionErrors], second: dict[str, SessionErrors]
) -> tuple[list[SessionErrors], list[SessionErrors], bool]:
    """Return the sessions of both sides to compare, and whether they are pairs.

    Pairs, where there are enough of them or nothing but pairs; else the sessions that only one
    side was in, of wearers whom both sides have (of all, where some wearer has no name).
    """
    shared = [session for session in first if session in second]
    if len(shared) >= min(FEWEST_SESSIONS, len(first), len(second)) > 0:
        return [first[session] for session in shared], [second[session] for session in shared], True
    apart = [[e for name, e in side.items() if name not in shared] for side in (first, second)]
    wearers = [{e.wearer for e in side} for side in apart]
    if "" not in wearers[0] | wearers[1]:
        both = wearers[0] & wearers[1]
        apart = [[e for e in side if e.wearer in both] for side in apart]
    return apart[0], apart[1], False


def _typical(held: Sequence[SessionErrors]) -> float:
    return typical_of_sessions([e.errors.mae_bpm for e in held]).mean


def _ratio(
    before: Sequence[SessionErrors],
    after: Sequence[SessionErrors],
    *,
    paired: bool,
    at_equal_motion: bool,
) -> Ratio | None:
    """Return the ratio of errors; None where the sessions cannot tell it."""
    if not before or not after:
        return None
    first, second = (np.array([e.errors.mae_bpm for e in side]) for side in (before, after))
    motion = None
    if at_equal_motion:
        if not _moved_alike(before, after):
            return None
        motion = np.array([e.mean_motion_g for e in (*before, *after)])
        if motion.min() <= 0.0:
            return None
    if paired:
        moved = None if motion is None else motion[first.size :] / motion[: first.size]
        return paired_ratio(first, second, moved)
    wearers = [e.wearer for e in (*before, *after)]
    return unpaired_ratio(first, second, motion=motion, wearers=wearers if all(wearers) else ())


def _moved_alike(before: Sequence[SessionErrors], after: Sequence[SessionErrors]) -> bool:
    """Return whether all sessions' motion is known and both sides' has enough in common."""
    known = [[e.motion_g[np.isfinite(e.motion_g)] for e in side] for side in (before, after)]
    if min(windows.size for side in known for windows in side) < FEWEST_WINDOWS:
        return False
    first, second = (np.concatenate(side) for side in known)
    return all(
        np.mean(within_middle(one, other)) >= LEAST_IN_COMMON
        for one, other in ((first, second), (second, first))
    )


def _with_verdicts(comparisons: Sequence[Comparison]) -> Iterator[Comparison]:
    families: dict[tuple[str, str], list[float]] = {}
    for one in comparisons:
        if one.enough:
            families.setdefault(one.family, []).append(one.p)
    adjusted = {family: iter(holm(np.array(p)).tolist()) for family, p in families.items()}
    for one in comparisons:
        if not one.enough:
            yield one
            continue
        p = next(adjusted[one.family])
        better: Verdict = "better" if one.judged.ratio < 1.0 else "worse"
        yield replace(one, p=p, verdict=better if p < LEVEL else "no difference shown")


def holm(p: FloatArray) -> FloatArray:
    """Return p values ``(n,)`` adjusted for their number by Holm's step-down rule."""
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * (p.size - np.arange(p.size)))
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(stepped, 1.0)
    return adjusted
