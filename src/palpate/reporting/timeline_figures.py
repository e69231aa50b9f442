"""Pictures of a session over time: rates, errors and motion, one above the other.

Every function takes finished results and returns a Matplotlib figure; none makes a number.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from palpate.evaluation.scoring import OUTSIDE, scored_windows, trusted_rate
from palpate.reporting.style import (
    BAD,
    FAINT,
    MAX_ERROR_SHOWN_BPM,
    MUTED,
    REFERENCE,
    canvas,
    colour_cycle,
    figure_style,
)
from palpate.results import BandResult, SessionResult, SourceResult

FLAG_COLOURS = {
    "still": "#cfd8e3",
    "rhythmic": "#0072b2",
    "bursty": "#e69f00",
    "shaking": "#cc79a7",
}
"""Windows of unknown motion have no intensity to draw."""
WIDE_IN = 8.4
LONG_WINDOWS = 5000  # areas of more points than a page has pixels are drawn as pixels
MOST_TIME_TICKS = 9
TIME_STEPS_S = (5, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200)


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
        if doubtful.any():
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
    for colour, source in _coloured(result, band):
        axis.plot(middle_s, source.windows["estimate_bpm"], color=colour, label=source.source)
    axis.set_ylabel("heart rate (bpm)")
    axis.legend(loc="upper right", ncols=1 + len(band.sources))
    _leave_headroom(axis)


def _coloured(result: SessionResult, band: BandResult) -> list[tuple[str, SourceResult]]:
    """Give every source of a band the colour that its kind has in all figures of the session."""
    names = list(dict.fromkeys(source.source for source in result.sources))
    colours = colour_cycle(len(names))
    return [(colours[names.index(source.source)], source) for source in band.sources]


def _draw_errors(axis: Axes, result: SessionResult, band: BandResult) -> None:
    middle_s = result.windows.middle_s
    for colour, source in _coloured(result, band):
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
    intensity_mg = windows["mad_g"] * 1e3
    step_s = windows.step_s if len(windows) > 1 else windows.end_s[0] - windows.start_s[0]
    edges_s = np.append(windows.middle_s, windows.middle_s[-1] + step_s) - step_s / 2.0
    present = [flag for flag in FLAG_COLOURS if (windows["flag"] == flag).any()]
    for flag in present:
        axis.stairs(
            np.where(windows["flag"] == flag, intensity_mg, np.nan),
            edges_s,
            fill=True,
            color=FLAG_COLOURS[flag],
            lw=0,
            label=flag,
            rasterized=len(windows) > LONG_WINDOWS,
        )
    axis.set_ylabel("motion (mg)")
    if present:
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
