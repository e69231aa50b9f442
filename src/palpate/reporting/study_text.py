"""A study in words: its findings, and how the cells of its tables are written."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from palpate.evaluation.scoring import ALL
from palpate.reporting.validation_text import UNDEFINED, Column, number
from palpate.study import FEWEST_SESSIONS, Comparison, PooledErrors, StudyResult
from palpate.study.pooling import GOOD_R

MOST_CAUSES_NAMED = 2
FEWEST_TO_RANK = 10
OTHER_MOTION = 1.25
"""Sides whose motion differs by more are said to differ in it (own choice)."""


def pooled_columns() -> tuple[Column, ...]:
    """Return the columns of the table of an activity; a row holds a ``PooledErrors`` as ``it``."""
    return (
        Column("name", "source", str),
        _of("sessions", lambda one: str(len(one.sessions))),
        _of("mean absolute error (bpm)", lambda one: with_interval(*one.mae_bpm)),
        _of("bias (bpm)", lambda one: _signed(one.bias_bpm.mean)),
        _of(
            "95 % limits of agreement (bpm)",
            lambda one: _range(_signed(one.loa_low_bpm), _signed(one.loa_high_bpm)),
        ),
        _of("within tolerance", lambda one: _percent(one.share_within.mean)),
        _of("with an estimate", lambda one: _percent(one.coverage.mean)),
        _of(
            f"correlation r, median; sessions at {GOOD_R:g} or more",
            lambda one: f"{_text(2, one.median_r)}; {one.n_good_r}",
        ),
        _of("rises seen", lambda one: f"{one.n_rises_seen} of {one.n_rises}"),
        Column("why", "why outside tolerance", str),
    )


COMPARISON_COLUMNS = (
    Column("activity", "activity", str),
    Column("first", "first", str),
    Column("second", "second", str),
    Column("it", "sessions", lambda one: f"{one.n_first} and {one.n_second}, {_design(one)}"),
    Column(
        "it",
        "second − first, mean absolute error (bpm)",
        lambda one: with_interval(one.difference_bpm, one.low_bpm, one.high_bpm, write=_signed),
    ),
    Column("it", "p", lambda one: "< 0.001" if one.p < 0.001 else _text(3, one.p)),
    Column("it", "motion, second / first", lambda one: _text(2, one.motion_ratio)),
    Column("verdict", "the second is", str),
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
            "activity": one.activity,
            "first": one.first.name,
            "second": one.second.name,
            "it": one,
            "verdict": one.verdict,
        }
        for one in comparisons
    ]


def study_findings(result: StudyResult) -> list[str]:
    """Return the findings as sentences, the most important first."""
    sources = dict.fromkeys(one.condition for one in result.pooled)
    told = [_what_there_is(result)]
    for condition in sources:
        told += _about([one for one in result.pooled if one.condition == condition])
    told += _changes([one for one in result.comparisons if one.changed != "source"])
    return [*told, *_cautions(result)]


def causes_text(one: PooledErrors) -> str:
    """Name the commonest causes of the windows outside tolerance, with their shares."""
    outside = sum(one.causes.values())
    if outside < FEWEST_TO_RANK:
        return ""
    ranked = list(one.causes.items())[:MOST_CAUSES_NAMED]
    return ", ".join(f"{cause} {100 * n / outside:.0f} %" for cause, n in ranked)


def with_interval(
    middle: float, low: float, high: float, *, write: Callable[[float], str] | None = None
) -> str:
    """Write a number and its interval, ``"2.1 (1.4 to 2.8)"``; the number alone without one."""
    write = write or (lambda value: _text(1, value))
    text = write(middle)
    return text if math.isnan(low) else f"{text} ({_range(write(low), write(high))})"


def _what_there_is(result: StudyResult) -> str:
    n, wearers = len(result.sessions), len(result.wearers)
    who = f" of {wearers} wearer{'s' * (wearers != 1)}" if wearers else ""
    return f"{n} session{'s' * (n != 1)}{who}. Every session counts once, whatever its length."


def _about(pooled: Sequence[PooledErrors]) -> list[str]:
    """Say of one condition where it is best, where it is weakest, and why."""
    named = [one for one in pooled if one.activity != ALL] or list(pooled)
    weakest = max(named, key=lambda one: one.mae_bpm.mean)
    best = min(named, key=lambda one: one.mae_bpm.mean)
    lines = [f"{weakest.condition.name}: off by {_error_in(best)}"]
    if weakest is not best:
        lines[0] += f" at best, by {_error_in(weakest)} at worst"
    if why := causes_text(weakest):
        lines.append(f"there outside tolerance above all by {why}")
    if weakest.n_rises:
        lines.append(f"it saw {weakest.n_rises_seen} of the {weakest.n_rises} rises there")
    return ["; ".join(lines) + "."]


def _error_in(one: PooledErrors) -> str:
    return f"{with_interval(*one.mae_bpm)} bpm in {_activity(one.activity)}"


def _changes(comparisons: Sequence[Comparison]) -> list[str]:
    """Say what a firmware or a band changed; where nothing is shown, say so once per pair."""
    told = []
    for pair in dict.fromkeys((one.first, one.second) for one in comparisons):
        held = [one for one in comparisons if (one.first, one.second) == pair]
        shown = [one for one in held if one.verdict in ("better", "worse")]
        told += [_change(one) for one in shown]
        if not shown:
            few = not any(one.enough for one in held)
            why = f"; fewer than {FEWEST_SESSIONS} sessions on a side" if few else ""
            told.append(
                f"{pair[1].name} against {pair[0].name}: no difference is shown in any "
                f"activity{why}."
            )
    return told


def _change(one: Comparison) -> str:
    size = with_interval(abs(one.difference_bpm), *sorted((abs(one.low_bpm), abs(one.high_bpm))))
    text = (
        f"{one.second.name} is {one.verdict} than {one.first.name} in {_activity(one.activity)}: "
        f"mean absolute error {'smaller' if one.difference_bpm < 0 else 'larger'} by {size} bpm"
    )
    if max(one.motion_ratio, 1.0 / one.motion_ratio) > OTHER_MOTION:
        text += f", but with {one.motion_ratio:.1f} times the motion, which may be why"
    return f"{text}."


def _cautions(result: StudyResult) -> list[str]:
    few = dict.fromkeys(one.activity for one in result.pooled if not one.enough)
    told = []
    if few:
        told.append(
            f"Fewer than {FEWEST_SESSIONS} sessions of a source prove nothing (common practice, "
            f"no source); so few there are in {', '.join(_activity(name) for name in few)}."
        )
    if len(result.wearers) == 1:
        told.append("All sessions are of one wearer and say nothing about other people's wrists.")
    return told


def _activity(name: str) -> str:
    return "the whole session" if name == ALL else name


def _design(one: Comparison) -> str:
    return "the same" if one.paired else "different"


def _of(heading: str, text: Callable[[PooledErrors], str]) -> Column:
    return Column("it", heading, text)


def _range(low: str, high: str) -> str:
    return UNDEFINED if low == UNDEFINED else f"{low} to {high}"


def _text(digits: int, value: float) -> str:
    return UNDEFINED if math.isnan(value) else number(digits)(value)


def _signed(value: float) -> str:
    return UNDEFINED if math.isnan(value) else f"{value:+.1f}".replace("-", "−")


def _percent(value: float) -> str:
    return UNDEFINED if math.isnan(value) else f"{100 * value:.0f} %"
