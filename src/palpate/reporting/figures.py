"""Pictures of a session: what the wrist said, how far off it was, and how that goes with motion.

Every function takes finished results and returns a Matplotlib figure; none computes.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from palpate.evaluation.scoring import ALL, OUTSIDE, scored_windows, trusted_rate
from palpate.explanation.dose_response import DoseResponse
from palpate.reporting.style import (
    BAD,
    FAINT,
    INK,
    MUTED,
    REFERENCE,
    SERIES,
    canvas,
    figure_style,
    legend_below,
    legend_rows,
)
from palpate.results import BandResult, SessionResult, SourceResult
from palpate.signals import Session

FLAG_COLOURS = {
    "still": "#cfd8e3",
    "rhythmic": "#0072b2",
    "bursty": "#e69f00",
    "shaking": "#cc79a7",
    "unknown": "#ffffff",
}
CAUSE_COLOURS = {
    "reference fault": "#22282f",
    "clock error": "#8a7a00",
    "cadence lock": "#0072b2",
    "motion swamping": "#56b4e9",
    "shaking": "#cc79a7",
    "contact change": "#d55e00",
    "low perfusion": "#e69f00",
    "tracking lag": "#009e73",
    "harmonic error": "#7b4fa3",
    "irregular rhythm": "#b8a1d9",
    "unexplained": "#c9ced4",
}
WIDE_IN, NARROW_IN = 8.4, 5.6
"""Widths of a course over time and of the others, which a telephone shows without scrolling."""
MAX_ERROR_SHOWN_BPM = 80.0
INTENSITY_TICKS_MG = (0, 10, 30, 60, 100, 150, 200, 300, 400, 600, 800, 1000, 1500, 2000)
LONG_WINDOWS = 5000  # areas of more points than a page has pixels are drawn as pixels
LONGEST_LABEL = 28
MOST_TIME_TICKS = 9
TIME_STEPS_S = (5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200)
DOTS: dict[str, Any] = {
    "ls": "none",
    "marker": "o",
    "ms": 3.6,
    "alpha": 0.55,
    "mec": "none",
    "rasterized": True,
}


def session_figures(result: SessionResult) -> dict[str, Figure]:
    """Draw every figure of the report, by the name of its file."""
    drawn = {"reference": reference_figure(result)}
    for index, band in enumerate(result.bands):
        drawn[figure_name(index, band)] = session_figure(result, band)
        for source in band.sources:
            if source.dose is not None:
                drawn[figure_name(index, band, source, "motion")] = dose_figure(
                    result.session, source, source.dose
                )
            if any(source.causes.counts().values()):
                drawn[figure_name(index, band, source, "causes")] = causes_figure(source)
            if source.by_activity[-1].errors.n > 1:
                drawn[figure_name(index, band, source, "agreement")] = agreement_figure(
                    result.session, source
                )
    return drawn


def figure_name(
    index: int, band: BandResult, source: SourceResult | None = None, what: str = "session"
) -> str:
    """Return the unique, safe file stem of a band's or a source's figure."""
    words = [str(index + 1), band.recording.name, source.source if source else "", what]
    text = "_".join(word for word in words if word).lower()
    return "".join(c if c.isascii() and c.isalnum() else "_" for c in text)


def session_figure(result: SessionResult, band: BandResult) -> Figure:
    """Heart rates, error and motion of one band over the session, one above the other."""
    moved = "mad_g" in band.motion
    heights = [3.0, 1.6] + ([1.3] if moved else [])
    with figure_style():
        figure, axes = canvas(
            *(WIDE_IN, 1.2 * sum(heights)), rows=len(heights), heights=heights, top_in=0.62
        )
        _draw_rates(axes[0], result, band)
        _draw_errors(axes[1], result, band)
        if moved:
            _draw_motion(axes[2], band)
        for axis in axes:
            _shade_activities(axis, result)
        axes[0].set_title(f"{band.recording.name}: heart rate over the session", pad=20)
        _name_activities(axes[0], result)
        _show_time(axes[-1], result)
    return figure


def dose_figure(session: Session, source: SourceResult, dose: DoseResponse) -> Figure:
    """Absolute error against motion intensity: every window, quantile bins, monotone fit."""
    with figure_style():
        names = _activity_colours(dose.activities, session)
        rows = legend_rows(len(names) + 2, columns=2)
        figure, (axis,) = canvas(NARROW_IN, 3.1, legend=rows)
        for name, colour in names:
            mine = dose.activity == name
            axis.plot(
                dose.intensity[mine] * 1e3,
                np.minimum(dose.absolute_error_bpm[mine], MAX_ERROR_SHOWN_BPM),
                color=colour,
                label=name or _unnamed(session),
                **DOTS,
            )
        axis.fill_between(
            dose.grid * 1e3, dose.fit_low_bpm, dose.fit_high_bpm, color=INK, alpha=0.14, lw=0
        )
        axis.plot(dose.grid * 1e3, dose.fit_bpm, color=INK, lw=2, label="monotone fit, 95 %")
        centre = dose.bin_mean_bpm
        axis.errorbar(
            dose.bin_intensity * 1e3,
            centre,
            yerr=np.abs(np.vstack((centre - dose.bin_low_bpm, dose.bin_high_bpm - centre))),
            fmt="o",
            ms=5,
            mfc="white",
            color=INK,
            lw=1.0,
            label="tenths of the windows",
        )
        axis.axhline(dose.tolerance_bpm, color=BAD, lw=1.1, ls="--")
        axis.annotate(
            f"tolerance {dose.tolerance_bpm:.0f} bpm",
            (1.0, dose.tolerance_bpm),
            xycoords=("axes fraction", "data"),
            xytext=(-4, 3),
            textcoords="offset points",
            ha="right",
            color=BAD,
        )
        _scale_intensity(axis, *(dose.grid[[0, -1]] * 1e3))
        axis.set_ylim(0, None)
        axis.set_xlabel("motion intensity: mean amplitude deviation (mg)")
        axis.set_ylabel("absolute error (bpm)")
        axis.set_title(f"{source.name}: error against motion")
        legend_below(figure, axis, columns=2)
    return figure


def _scale_intensity(axis: Axes, low_mg: float, high_mg: float) -> None:
    """Show a wide range on a square-root scale from 0, a narrow one as it is."""
    if low_mg > 0.3 * high_mg:
        axis.set_xlim(0.95 * low_mg, 1.05 * high_mg)
        return
    axis.set_xscale("function", functions=(lambda x: np.sqrt(np.maximum(x, 0)), np.square))
    shown = [0.0]
    for tick in INTENSITY_TICKS_MG:
        if tick <= 1.05 * high_mg and np.sqrt(tick) - np.sqrt(shown[-1]) > 0.09 * np.sqrt(high_mg):
            shown.append(tick)
    axis.set_xticks(shown)
    axis.set_xlim(0.0, 1.05 * high_mg)


def causes_figure(source: SourceResult) -> Figure:
    """Share of each activity's scored windows that each cause put outside tolerance."""
    table = source.causes.windows
    scored = scored_windows(source.windows)
    rows = [row.activity for row in source.by_activity if row.errors.n]
    masks = [scored if name == ALL else scored & (table["activity"] == name) for name in rows]
    labels = [
        f"{textwrap.shorten(name, LONGEST_LABEL, placeholder=' …')} ({int(mine.sum())})"
        for name, mine in zip(rows, masks, strict=True)
    ]
    shown = [cause for cause in CAUSE_COLOURS if (table["cause"][scored] == cause).any()]
    with figure_style():
        lines = legend_rows(len(shown), columns=3)
        figure, (axis,) = canvas(
            *(NARROW_IN, 0.34 * len(rows)),
            left_in=0.25 + 0.085 * max(map(len, labels)),
            legend=lines,
        )
        begun = np.zeros(len(rows))
        places = np.arange(len(rows))
        axis.set_yticks(places, labels)
        for cause in shown:
            share = [100.0 * (table["cause"][mine] == cause).mean() for mine in masks]
            colour = CAUSE_COLOURS[cause]
            axis.barh(places, share, left=begun, height=0.62, color=colour, label=cause)
            begun += share
        axis.set_xlim(0, 100)
        axis.invert_yaxis()
        axis.grid(axis="y", visible=False)
        axis.set_xlabel("scored windows outside tolerance (%)")
        axis.set_title(f"{source.name}: why")
        legend_below(figure, axis, columns=3)
    return figure


def agreement_figure(session: Session, source: SourceResult) -> Figure:
    """Estimate against reference, and error against reference with the limits of agreement."""
    errors = source.by_activity[-1].errors
    scored = scored_windows(source.windows)
    reference, estimate, error = (
        source.windows[name][scored] for name in ("reference_bpm", "estimate_bpm", "error_bpm")
    )
    activity = source.windows["activity"][scored]
    names = list(dict.fromkeys(activity.tolist()))
    with figure_style():
        rows = legend_rows(len(names), columns=3) if session.activities else 0
        figure, (left, right) = canvas(NARROW_IN, 5.0, rows=2, gap_in=0.85, legend=rows)
        for name, colour in _activity_colours(names, session):
            mine = activity == name
            left.plot(reference[mine], estimate[mine], color=colour, **DOTS)
            right.plot(
                reference[mine], error[mine], color=colour, label=name or _unnamed(session), **DOTS
            )
        ends = [
            np.min([reference.min(), estimate.min()]),
            np.max([reference.max(), estimate.max()]),
        ]
        left.plot(ends, ends, color=MUTED, lw=1)
        left.set_xlabel("reference (bpm)")
        left.set_ylabel("estimate (bpm)")
        left.set_title(f"{source.name}: estimate against reference")
        for value, dash, text in (
            (errors.bias_bpm, "-", f"bias {errors.bias_bpm:+.1f}"),
            (errors.loa_low_bpm, "--", f"{errors.loa_low_bpm:+.1f}"),
            (errors.loa_high_bpm, "--", f"{errors.loa_high_bpm:+.1f}"),
        ):
            right.axhline(value, color=INK, lw=1.0, ls=dash)
            right.annotate(
                text,
                (1.0, value),
                xycoords=("axes fraction", "data"),
                xytext=(-3, 3),
                textcoords="offset points",
                ha="right",
                bbox={"facecolor": "white", "alpha": 0.75, "lw": 0, "pad": 1},
            )
        right.set_xlabel("reference (bpm)")
        right.set_ylabel("error (bpm)")
        right.set_title("error, bias and 95 % limits of agreement")
        if session.activities:
            legend_below(figure, right, columns=3)
    return figure


def reference_figure(result: SessionResult) -> Figure:
    """The beat reference over the session, with the stretches that are not trusted."""
    windows = result.windows
    middle_s = windows.middle_s
    with figure_style():
        figure, (axis,) = canvas(WIDE_IN, 1.9, top_in=0.62)
        axis.plot(middle_s, windows["hr_bpm"], color=FAINT, lw=1.2)
        trusted = trusted_rate(windows)
        axis.plot(middle_s, trusted, color=REFERENCE, label="trusted")
        doubtful = ~windows["trusted"].astype(bool)
        axis.plot(
            middle_s[doubtful],
            windows["hr_bpm"][doubtful],
            "x",
            ms=4,
            color=BAD,
            label="not trusted",
        )
        _shade_activities(axis, result)
        axis.set_title("beat reference from the ECG", pad=20)
        _name_activities(axis, result)
        axis.set_ylabel("heart rate (bpm)")
        _show_time(axis, result)
        axis.legend(loc="upper right", ncols=2)
        _leave_headroom(axis)
    return figure


def _draw_rates(axis: Axes, result: SessionResult, band: BandResult) -> None:
    windows = result.windows
    middle_s = windows.middle_s
    trusted = trusted_rate(windows)
    axis.plot(middle_s, trusted, color=REFERENCE, lw=2.4, label="reference (ECG)")
    for colour, source in zip(_cycle(len(band.sources)), band.sources, strict=True):
        axis.plot(middle_s, source.windows["estimate_bpm"], color=colour, label=source.source)
    axis.set_ylabel("heart rate (bpm)")
    axis.legend(loc="upper right", ncols=1 + len(band.sources))
    _leave_headroom(axis)


def _draw_errors(axis: Axes, result: SessionResult, band: BandResult) -> None:
    middle_s = result.windows.middle_s
    for colour, source in zip(_cycle(len(band.sources)), band.sources, strict=True):
        error = np.where(scored_windows(source.windows), source.windows["error_bpm"], np.nan)
        shown = np.clip(error, -MAX_ERROR_SHOWN_BPM, MAX_ERROR_SHOWN_BPM)
        axis.plot(middle_s, shown, color=colour, lw=0.9)
        off = source.windows["status"] == OUTSIDE
        axis.plot(middle_s[off], shown[off], ".", ms=3.2, color=colour, rasterized=True)
    if band.sources:
        tolerance = band.sources[0].windows["tolerance_bpm"]
        axis.fill_between(
            middle_s,
            -tolerance,
            tolerance,
            color="#009e73",
            alpha=0.15,
            lw=0,
            rasterized=middle_s.size > LONG_WINDOWS,
        )
    axis.axhline(0.0, color=MUTED, lw=0.8)
    axis.set_ylabel("error (bpm)")


def _draw_motion(axis: Axes, band: BandResult) -> None:
    windows = band.motion
    middle_s = windows.middle_s
    intensity_mg = windows["mad_g"] * 1e3
    flags = windows["flag"]
    for flag, colour in FLAG_COLOURS.items():
        mine = flags == flag
        if mine.any() and flag != "unknown":
            axis.fill_between(
                middle_s,
                intensity_mg,
                where=mine,
                step="mid",
                color=colour,
                lw=0,
                label=flag,
                rasterized=middle_s.size > LONG_WINDOWS,
            )
    axis.set_ylabel("motion (mg)")
    axis.legend(loc="upper right", ncols=4)
    axis.set_ylim(0, 1.35 * float(np.nanmax(intensity_mg, initial=1.0)))


def _shade_activities(axis: Axes, result: SessionResult) -> None:
    for index, activity in enumerate(result.session.activities):
        if index % 2 == 0:
            axis.axvspan(activity.start_s, activity.end_s, color="#f2f4f7", lw=0, zorder=0)


def _name_activities(axis: Axes, result: SessionResult) -> None:
    for activity in result.session.activities:
        axis.annotate(
            activity.name,
            ((activity.start_s + activity.end_s) / 2.0, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 4),
            textcoords="offset points",
            ha="center",
            fontsize=9.5,
            color=MUTED,
            annotation_clip=True,
        )


def _leave_headroom(axis: Axes) -> None:
    """Make room for a legend above the curves."""
    bottom, top = axis.get_ylim()
    axis.set_ylim(bottom, top + 0.18 * (top - bottom))


def _show_time(axis: Axes, result: SessionResult) -> None:
    first_s, last_s = result.windows.start_s[0], result.windows.end_s[-1]
    wanted_s = (last_s - first_s) / MOST_TIME_TICKS
    step_s = next((step for step in TIME_STEPS_S if step >= wanted_s), TIME_STEPS_S[-1])
    axis.set_xlabel("session time (min:s)")
    axis.xaxis.set_major_locator(MultipleLocator(step_s))
    axis.xaxis.set_major_formatter(FuncFormatter(_minutes))
    axis.set_xlim(first_s, last_s)


def _minutes(value: float, _position: object = None) -> str:
    sign, value = ("-", -value) if value < 0 else ("", value)
    return f"{sign}{int(value // 60)}:{int(value % 60):02d}"


def _activity_colours(names: Iterable[str], session: Session) -> list[tuple[str, str]]:
    """Give every activity the colour it has in all figures of the session; grey between them."""
    known = list(dict.fromkeys(a.name for a in session.activities))
    colours = dict(zip(known, _cycle(len(known)), strict=True))
    present = set(names)
    return [(name, colours.get(name, MUTED)) for name in ["", *known] if name in present]


def _unnamed(session: Session) -> str:
    return "between activities" if session.activities else "every window"


def _cycle(count: int) -> list[str]:
    return [SERIES[i % len(SERIES)] for i in range(count)]
