"""A study in words: its findings, and how the cells of its tables are written."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from palpate.evaluation.scoring import ALL
from palpate.heartrate import METHODS
from palpate.reporting.findings import (
    GRADES,
    MOST_CAUSES_NAMED,
    WORTH_SAYING,
    ActivityFinding,
    BandFinding,
    grade_of,
    others_told,
    reading,
    shares_told,
)
from palpate.reporting.rise_text import rises_told
from palpate.reporting.source_numbers import named_activity
from palpate.reporting.text_tables import (
    UNDEFINED,
    Column,
    number,
    proportion,
    signed_tenths,
    tenths,
    with_interval,
)
from palpate.study import FEWEST_SESSIONS, Comparison, Condition, PooledErrors, StudyResult
from palpate.study.comparison import Changed
from palpate.study.pooling import FEWEST_OUTSIDE, GOOD_R
from palpate.study.ratios import Ratio
from palpate.study.sessions import FEWEST_WINDOWS

LIMITS = "What can this not tell?"
OTHER_MOTION = 1.25
"""Sides whose motion differs by more are said to differ in it (own choice)."""


def pooled_columns() -> tuple[Column, ...]:
    """Return the columns of the table of an activity; a row holds a ``PooledErrors`` as ``it``."""
    return (
        Column("name", "source", str),
        _of("sessions", lambda one: str(len(one.sessions))),
        _of("mean absolute error (bpm)", lambda one: with_interval(*one.mae_bpm)),
        _of("bias (bpm)", lambda one: signed_tenths(one.bias_bpm.mean)),
        _of(
            "95 % limits of agreement (bpm)",
            lambda one: _range(signed_tenths(one.loa_low_bpm), signed_tenths(one.loa_high_bpm)),
        ),
        _of("within tolerance", lambda one: proportion(*one.share_within)),
        _of("with estimate", lambda one: proportion(one.coverage.mean)),
        _of(
            f"median r (sessions ≥ {GOOD_R:g})",
            lambda one: f"{_text(2, one.median_r)} ({one.n_good_r})",
        ),
        _of(
            "rises seen",
            _rises,
        ),
        Column("why", "why outside", str),
    )


COMPARISON_COLUMNS = (
    Column("activity", "activity", str),
    Column("first", "first", str),
    Column("second", "second", str),
    Column("verdict", "the second is", str),
    Column("it", "sessions", lambda one: f"{one.n_first} and {one.n_second}, {_design(one)}"),
    Column("it", "error, second / first", lambda one: _ratio(one.as_measured)),
    Column("it", "at equal motion", lambda one: _ratio(one.at_equal_motion)),
    Column("it", "p", lambda one: "< 0.001" if one.p < 0.001 else _text(3, one.p)),
    Column("it", "motion, second / first", lambda one: _text(2, one.motion_ratio)),
)


def pooled_rows(pooled: Sequence[PooledErrors]) -> list[dict[str, Any]]:
    """Return rows for :func:`pooled_columns`."""
    return [
        {"name": one.condition.name, "it": one, "why": causes_text(one) or UNDEFINED}
        for one in pooled
    ]


def comparison_rows(comparisons: Sequence[Comparison]) -> list[dict[str, Any]]:
    """Return rows for `COMPARISON_COLUMNS`."""
    return [
        {
            "activity": "whole session" if one.activity == ALL else one.activity,
            "first": one.first.name,
            "second": one.second.name,
            "it": one,
            "verdict": one.verdict,
        }
        for one in comparisons
    ]


@dataclass(frozen=True, slots=True)
class StudyFindings:
    """What stands at the top: bands as in a session's report, answers by question, limits."""

    bands: tuple[BandFinding, ...]
    answers: Mapping[str, Sequence[str]]
    limits: Sequence[str]

    def lines(self) -> list[str]:
        """Return the findings as lines of text, for the terminal and the summary."""
        about_bands = [line for band in self.bands for line in band.lines()]
        answers = [
            line
            for question, told in (*self.answers.items(), (LIMITS, self.limits))
            if told
            for line in (question, *(f"  {answer}" for answer in told))
        ]
        return [*about_bands, *answers]


def study_findings(result: StudyResult) -> StudyFindings:
    """Return the findings: how far to trust each band, what changed, what is left open."""
    devices = dict.fromkeys(one.condition.device for one in result.pooled)
    answers = {
        "What did the firmware change?": told_comparisons(result, "firmware"),
        "Which band does better?": told_comparisons(result, "band"),
    }
    return StudyFindings(
        bands=tuple(_band_finding(device, result.pooled) for device in devices),
        answers={
            question: [_change(held) for held in pairs]
            for question, pairs in answers.items()
            if pairs
        },
        limits=_limits(result),
    )


def causes_text(one: PooledErrors) -> str:
    """Name the commonest causes of the windows outside tolerance, with their shares."""
    ranked = list(one.cause_shares.items())[:MOST_CAUSES_NAMED]
    return ", ".join(
        f"{cause} {proportion(share)}"
        for place, (cause, share) in enumerate(ranked)
        if place == 0 or share >= WORTH_SAYING
    )


def _band_finding(device: str, pooled: Sequence[PooledErrors]) -> BandFinding:
    """Judge a band by its first source, its own heart rate where it gives one."""
    mine = [one for one in pooled if one.condition.device == device]
    source = mine[0].condition.source
    own = [one for one in mine if one.condition.source == source]
    named = [one for one in own if one.activity != ALL]
    told = [_activity_finding(one, mine) for one in named or own]
    whole = next((one for one in own if one.activity == ALL), own[-1])
    return BandFinding(
        band=device,
        about="",
        overall=f"{reading(source)}: {_numbers(whole)}",
        activities=tuple(sorted(told, key=lambda one: GRADES.index(one.grade))),
    )


def _activity_finding(one: PooledErrors, everything: Sequence[PooledErrors]) -> ActivityFinding:
    judged = grade_of(one.share_within.mean, one.coverage.mean)
    grade, good = judged if one.enough else "few", judged == "good"
    why = [] if good else [_why(one)]
    others = {
        other.condition.source: other.share_within.mean
        for other in everything
        if other.activity == one.activity and other.condition.source in METHODS and other is not one
    }
    why += [] if good else others_told(others)
    late_s = one.rise_late_s[np.isfinite(one.rise_late_s)].tolist()
    why += rises_told(one.n_rises_seen, one.rise_late_s.size, late_s)
    return ActivityFinding(named_activity(one.activity), grade, _numbers(one), tuple(why))


def _why(one: PooledErrors) -> str:
    n = one.n_with_causes
    if not n:
        return f"No session has {FEWEST_OUTSIDE} windows outside tolerance, too few to rank causes."
    among = "In one session" if n == 1 else f"On average over {n} sessions"
    return shares_told(one.cause_shares, among)


def _numbers(one: PooledErrors) -> str:
    n = len(one.sessions)
    return (
        f"{proportion(*one.share_within)} of the windows of {n} session{'s' * (n != 1)} within "
        f"tolerance, off by {with_interval(*one.mae_bpm)} bpm in a typical session."
    )


def told_comparisons(result: StudyResult, changed: Changed) -> list[list[Comparison]]:
    """Return the comparisons of every two bands or firmwares by what they are judged by."""
    judged = {one.condition.device: one.condition for one in reversed(result.pooled)}.values()
    pairs: dict[tuple[Condition, Condition], list[Comparison]] = {}
    for one in result.comparisons:
        if one.changed == changed and one.first in judged and one.second in judged:
            pairs.setdefault((one.first, one.second), []).append(one)
    return list(pairs.values())


def compared_names(one: Comparison) -> str:
    """Name what is compared, and by which source: ``"B against A (device)"``."""
    return f"{one.second.device} against {one.first.device} ({one.second.source})"


def _change(held: Sequence[Comparison]) -> str:
    """Say of two bands or firmwares what the second does better or worse, by activity."""
    all_equal = all(one.at_equal_motion for one in held)
    parts = [
        f"{verdict} in {', '.join(_size(one, say_equal=not all_equal) for one in shown)}"
        for verdict in ("better", "worse")
        if (shown := [one for one in held if one.verdict == verdict])
    ]
    for verdict in ("no difference shown", "too few sessions"):
        left = [one for one in held if one.verdict == verdict]
        if left:
            parts.append(f"{verdict} in {_any_or(left, len(held))}")
    equally = ", at equal motion" if all_equal else ""
    return f"{compared_names(held[0])}{equally}: {'; '.join(parts)}."


def _any_or(left: Sequence[Comparison], n_all: int) -> str:
    told = [_undecided(one) for one in left]
    if len(left) == n_all and told == [named_activity(one.activity) for one in left]:
        return "any activity"
    return ", ".join(told)


def _undecided(one: Comparison) -> str:
    """Name the activity; what its own interval shows, and all together do not, is said."""
    name, judged = named_activity(one.activity), one.judged
    if one.verdict == "too few sessions" or judged.low <= 1.0 <= judged.high:
        return name
    seen = f"{_percent(judged.ratio)}, shown by itself but not among all that is compared"
    return f"{name} ({seen})"


def _size(one: Comparison, *, say_equal: bool) -> str:
    low, high = sorted(abs(100.0 * (edge - 1.0)) for edge in (one.judged.low, one.judged.high))
    told = f"{_percent(one.judged.ratio)}, {low:.0f} to {high:.0f}"
    told += " at equal motion" if one.at_equal_motion and say_equal else ""
    told += f"; {tenths(one.second_mae_bpm)} against {tenths(one.first_mae_bpm)} bpm"
    if one.motion_ratio > OTHER_MOTION or one.motion_ratio < 1.0 / OTHER_MOTION:
        times = f"with {one.motion_ratio:.1f} times the motion"
        telling = (one.motion_ratio > 1.0) == (one.verdict == "worse")
        if one.at_equal_motion:
            told += f" as measured, {times}"
        else:
            told += f", but {times}, which may be why" if telling else f", though {times}"
    return f"{named_activity(one.activity)} ({told})"


def _percent(ratio: float) -> str:
    """Say a ratio of errors: ``"38 % less error"``."""
    return f"{abs(100.0 * (ratio - 1.0)):.0f} % {'less' if ratio < 1.0 else 'more'} error"


def _ratio(one: Ratio | None) -> str:
    if one is None:
        return UNDEFINED
    return with_interval(*one[:3], write=lambda number: f"{number:.2f}")


def _limits(result: StudyResult) -> list[str]:
    few = dict.fromkeys(one.condition.device for one in result.pooled if not one.enough)
    told = []
    if not result.pooled:
        told.append(f"No session has {FEWEST_WINDOWS} scored windows, so there is nothing to pool.")
    if result.pooled and result.left_out:
        total = len(result.sessions)
        told += [
            f"In {n} of {total} sessions {name} is too short to count (fewer than "
            f"{FEWEST_WINDOWS} scored windows of some source)."
            for name, n in result.left_out.items()
        ]
    if few:
        told.append(
            f"Fewer than {FEWEST_SESSIONS} sessions of an activity prove nothing (common practice, "
            f"no source); some activities of {', '.join(few)} have fewer."
        )
    told += [
        f"{second.device} was never worn where {first.device} was, so the device and the "
        "place on the body cannot be told apart."
        for first, second in dict.fromkeys(
            (one.first, one.second) for one in result.comparisons if one.wrist_too
        )
        if first.source == result.pooled[0].condition.source
    ]
    if len(result.wearers) == 1:
        told.append("All sessions are of one wearer and say nothing about other people's wrists.")
    return told


def _design(one: Comparison) -> str:
    return "the same" if one.paired else "different"


def _rises(one: PooledErrors) -> str:
    n = one.rise_late_s.size
    return f"{one.n_rises_seen} of {n}" if n else UNDEFINED


def _of(heading: str, text: Callable[[PooledErrors], str]) -> Column:
    return Column("it", heading, text)


def _range(low: str, high: str) -> str:
    return UNDEFINED if low == UNDEFINED else f"{low} to {high}"


def _text(digits: int, value: float) -> str:
    return UNDEFINED if math.isnan(value) else number(digits)(value)
