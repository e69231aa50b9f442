"""Pictures of a study: every session's error by activity, and what differs between conditions."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FormatStrFormatter, LogLocator, NullLocator

from palpate.evaluation.scoring import ALL
from palpate.reporting.study_text import compared_names, told_comparisons
from palpate.reporting.style import BAD, INK, MUTED, SERIES, figure_style
from palpate.study import Comparison, PooledErrors, StudyResult
from palpate.study.comparison import Verdict
from palpate.study.pooling import activities_of

ROW_INCHES = 0.17
VERDICT_COLOURS: dict[Verdict, str] = {
    "better": SERIES[2],
    "worse": BAD,
    "no difference shown": INK,
    "too few sessions": MUTED,
}


def study_figures(result: StudyResult) -> dict[str, Figure]:
    """Draw every figure of the study, by the name of its file."""
    drawn = {}
    if result.pooled:
        drawn["errors"] = errors_figure(result.pooled)
    pairs = [*told_comparisons(result, "firmware"), *told_comparisons(result, "band")]
    if pairs:
        drawn["comparisons"] = comparisons_figure(pairs)
    return drawn


def errors_figure(pooled: Sequence[PooledErrors]) -> Figure:
    """Mean absolute error by activity and device, a panel per source: sessions, mean, interval."""
    activities = activities_of(pooled)
    devices = list(dict.fromkeys(one.condition.device for one in pooled))
    sources = list(dict.fromkeys(one.condition.source for one in pooled))
    colours = dict(zip(devices, SERIES * len(devices), strict=False))
    row_inches = ROW_INCHES * (len(devices) + 1)
    with figure_style():
        figure = Figure(figsize=(9.6, 1.5 + row_inches * len(activities)))
        axes = figure.subplots(1, len(sources), sharey=True, squeeze=False)[0]
        for axis, source in zip(axes, sources, strict=True):
            for one in (one for one in pooled if one.condition.source == source):
                device = one.condition.device
                shift = (devices.index(device) + 1) / (len(devices) + 1) - 0.5
                _draw_errors(axis, one, activities.index(one.activity) + shift, colours[device])
            for row in range(1, len(activities)):
                axis.axhline(row - 0.5, color=MUTED, lw=0.5)
            axis.set_title(source)
            axis.set_xlim(left=0)
            axis.grid(axis="y", visible=False)
        for device in devices:
            axes[0].plot([], [], "o-", ms=5, color=colours[device], label=device)
        axes[0].set_yticks(range(len(activities)), [_label(name) for name in activities])
        axes[0].set_ylim(len(activities) - 0.5, -0.5)
        figure.set_layout_engine("constrained", wspace=0.06)
        figure.supxlabel("mean absolute error (bpm)", fontsize="medium")
        figure.legend(loc="outside upper center", ncols=len(devices))
    return figure


def comparisons_figure(pairs: Sequence[Sequence[Comparison]]) -> Figure:
    """Ratios of mean absolute errors, a panel per pair of bands or firmwares.

    As judged, with intervals; where that is at equal motion, a ring stands at the ratio as
    measured.
    """
    with figure_style():
        rows = [len(held) for held in pairs]
        figure = Figure(figsize=(9.6, 1.1 + 0.5 * len(pairs) + 0.28 * sum(rows)))
        axes = figure.subplots(len(pairs), 1, sharex=True, squeeze=False, height_ratios=rows)[:, 0]
        for axis, held in zip(axes, pairs, strict=True):
            _draw_comparisons(axis, held)
        axes[-1].set_xscale("log")
        axes[-1].xaxis.set_major_locator(LogLocator(subs=(1.0, 1.5, 2.0, 3.0, 5.0, 7.0)))
        axes[-1].xaxis.set_major_formatter(FormatStrFormatter("%g"))
        axes[-1].xaxis.set_minor_locator(NullLocator())
        axes[-1].set_xlabel("mean absolute error, second / first; left of 1 the second is better")
        everything = [one for held in pairs for one in held]
        for verdict in dict.fromkeys(one.verdict for one in everything):
            axes[0].plot([], [], "o-", ms=7, lw=2, color=VERDICT_COLOURS[verdict], label=verdict)
        if any(one.at_equal_motion for one in everything):
            axes[0].plot([], [], "o", ms=7, mfc="none", color=INK, label="as measured")
        figure.legend(loc="outside lower center", ncols=5)
    return figure


def _draw_comparisons(axis: Axes, held: Sequence[Comparison]) -> None:
    for row, one in enumerate(held):
        colour, judged = VERDICT_COLOURS[one.verdict], one.judged
        axis.plot([judged.low, judged.high], [row, row], color=colour, lw=2)
        axis.plot(judged.ratio, row, "o", ms=7, color=colour)
        if one.at_equal_motion:
            axis.plot(one.as_measured.ratio, row, "o", ms=7, mfc="none", color=colour)
    axis.axvline(1.0, color=INK, lw=0.8)
    axis.set_yticks(range(len(held)), [_label(one.activity) for one in held])
    axis.set_ylim(len(held) - 0.5, -0.5)
    axis.set_title(compared_names(held[0]))


def _draw_errors(axis: Axes, one: PooledErrors, at: float, colour: str) -> None:
    values = one.session_mae_bpm
    axis.plot(values, np.full(values.size, at), "o", ms=4, mec="none", alpha=0.45, color=colour)
    axis.plot([one.mae_bpm.low, one.mae_bpm.high], [at, at], color=colour, lw=2)
    axis.plot(one.mae_bpm.mean, at, "|", ms=11, mew=2.4, color=colour)


def _label(activity: str) -> str:
    return "whole session" if activity == ALL else activity
