"""Pictures of a study: every session's error by activity, and what differs between conditions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from palpate.evaluation.scoring import ALL
from palpate.reporting.style import BAD, INK, MUTED, SERIES, figure_style
from palpate.study import Comparison, PooledErrors, StudyResult

ROW_INCHES = 0.3
VERDICT_COLOURS = {"better": SERIES[2], "worse": BAD}


def study_figures(result: StudyResult) -> dict[str, Figure]:
    """Draw every figure of the study, by the name of its file."""
    drawn = {}
    if result.pooled:
        drawn["errors"] = errors_figure(result.pooled)
    told = [one for one in result.comparisons if one.changed != "source"]
    if told:
        drawn["comparisons"] = comparisons_figure(told)
    return drawn


def errors_figure(pooled: Sequence[PooledErrors]) -> Figure:
    """Mean absolute error by activity and condition: a dot per session, mean and interval."""
    activities = list(dict.fromkeys(one.activity for one in pooled))
    conditions = list(dict.fromkeys(one.condition for one in pooled))
    colours = dict(zip(conditions, SERIES * len(conditions), strict=False))
    found = {(one.activity, one.condition): one for one in pooled}
    with figure_style():
        figure = Figure(figsize=(9.6, 1.3 + ROW_INCHES * len(activities) * (len(conditions) + 1)))
        axis = figure.subplots()
        for row, activity in enumerate(activities):
            for place, condition in enumerate(conditions):
                if one := found.get((activity, condition)):
                    at = row + (place + 1) / (len(conditions) + 1) - 0.5
                    _draw_errors(axis, one, at, colours[condition])
            if row:
                axis.axhline(row - 0.5, color=MUTED, lw=0.5)
        for condition in conditions:
            axis.plot([], [], "o-", ms=5, color=colours[condition], label=condition.name)
        axis.set_yticks(range(len(activities)), [_label(name) for name in activities])
        axis.set_ylim(len(activities) - 0.5, -0.5)
        axis.set_xlim(left=0)
        axis.grid(axis="y", visible=False)
        axis.set_xlabel("mean absolute error (bpm): dots are sessions, bars the 95 % interval")
        axis.set_title("How far off, by activity")
        figure.legend(loc="outside lower center", ncols=2)
    return figure


def comparisons_figure(comparisons: Sequence[Comparison]) -> Figure:
    """Differences in mean absolute error with their intervals; left of zero is better."""
    with figure_style():
        figure = Figure(figsize=(9.6, 1.4 + 0.42 * len(comparisons)))
        axis = figure.subplots()
        for row, one in enumerate(comparisons):
            colour = VERDICT_COLOURS.get(one.verdict, INK if one.enough else MUTED)
            axis.plot([one.low_bpm, one.high_bpm], [row, row], color=colour, lw=2)
            axis.plot(one.difference_bpm, row, "o", ms=7, color=colour)
        axis.axvline(0.0, color=INK, lw=0.8)
        axis.set_yticks(range(len(comparisons)), [_comparison_label(one) for one in comparisons])
        axis.set_ylim(len(comparisons) - 0.5, -0.5)
        axis.set_xlabel("difference of the mean absolute error (bpm); left of zero is better")
        axis.set_title("What changed")
    return figure


def _draw_errors(axis: Axes, one: PooledErrors, at: float, colour: str) -> None:
    values = one.session_mae_bpm
    axis.plot(values, np.full(values.size, at), "o", ms=4, mec="none", alpha=0.45, color=colour)
    axis.plot([one.mae_bpm.low, one.mae_bpm.high], [at, at], color=colour, lw=2)
    axis.plot(one.mae_bpm.mean, at, "|", ms=11, mew=2.4, color=colour)


def _label(activity: str) -> str:
    return "whole session" if activity == ALL else activity


def _comparison_label(one: Comparison) -> str:
    sides = (
        f"{one.second.device} against {one.first.device}"
        if one.changed != "source"
        else f"{one.second.name} against {one.first.source}"
    )
    few = "" if one.enough else " (few sessions)"
    return f"{_label(one.activity)}{few}\n{sides}, {one.second.source}"
