"""Pictures of a session: causes, agreement, error against motion, and which there are in all.

Every function takes finished results and returns a Matplotlib figure; none makes a number.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from palpate.evaluation.scoring import scored_windows
from palpate.explanation.dose_response import DoseResponse
from palpate.reporting.source_numbers import causes_by_activity, named_activity
from palpate.reporting.style import (
    BAD,
    INK,
    MAX_ERROR_SHOWN_BPM,
    MUTED,
    canvas,
    colour_cycle,
    figure_style,
    legend_below,
    legend_rows,
)
from palpate.reporting.text_tables import signed_tenths
from palpate.reporting.timeline_figures import reference_figure, session_figure
from palpate.results import BandResult, SessionResult, SourceResult
from palpate.signals import Session

CAUSE_COLOURS = {
    "reference fault": "#22282f",
    "clock error": "#8a7a00",
    "cadence lock": "#0072b2",
    "motion swamping": "#56b4e9",
    "shaking": "#cc79a7",
    "contact change": "#d55e00",
    "low perfusion": "#e69f00",
    "tracking lag": "#009e73",
    "held reading": "#8c5a3c",
    "harmonic error": "#7b4fa3",
    "irregular rhythm": "#b8a1d9",
    "unexplained": "#c9ced4",
}
NARROW_IN = 5.6
"""What a telephone shows without scrolling."""
INTENSITY_TICKS_MG = (0, 10, 30, 60, 100, 150, 200, 300, 400, 600, 800, 1000, 1500, 2000)
LONGEST_LABEL = 28
LABEL_BOX: dict[str, Any] = {"facecolor": "white", "alpha": 0.75, "lw": 0, "pad": 1}
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


def dose_figure(session: Session, source: SourceResult, dose: DoseResponse) -> Figure:
    """Absolute error against motion intensity: every window, quantile bins, monotone fit."""
    with figure_style():
        names = _activity_colours(dose.activities, session)
        rows = legend_rows(len(names) + 2, columns=2)
        shown_bpm = np.minimum(dose.absolute_error_bpm, MAX_ERROR_SHOWN_BPM)
        figure, (axis,) = canvas(NARROW_IN, 3.1, legend=rows)
        for name, colour in names:
            mine = dose.activity == name
            axis.plot(
                dose.intensity[mine] * 1e3,
                shown_bpm[mine],
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
            bbox=LABEL_BOX,
        )
        _scale_intensity(axis, *(dose.grid[[0, -1]] * 1e3))
        tops = (shown_bpm, dose.fit_bpm, centre, [dose.tolerance_bpm])
        axis.set_ylim(0.0, 1.05 * max(np.max(each) for each in tops))  # intervals may reach beyond
        axis.set_xlabel("motion intensity: mean amplitude deviation (mg)")
        axis.set_ylabel("absolute error (bpm)")
        axis.set_title(f"{source.name}: error against motion")
        legend_below(figure, axis, columns=2)
    return figure


def _scale_intensity(axis: Axes, low_mg: float, high_mg: float) -> None:
    """Show a wide range on a square-root scale from 0, a narrow one as it is."""
    if high_mg <= 0.0:
        return
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
    rows = causes_by_activity(source)
    labels = [
        f"{textwrap.shorten(name, LONGEST_LABEL, placeholder=' …')} ({row['n']})"
        for row in rows
        for name in [named_activity(row["activity"])]
    ]
    shown = [cause for cause in CAUSE_COLOURS if rows[-1]["shares"][cause] > 0]
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
            share = [100.0 * row["shares"][cause] for row in rows]
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
            (errors.bias_bpm, "-", f"bias {signed_tenths(errors.bias_bpm)}"),
            (errors.loa_low_bpm, "--", signed_tenths(errors.loa_low_bpm)),
            (errors.loa_high_bpm, "--", signed_tenths(errors.loa_high_bpm)),
        ):
            right.axhline(value, color=INK, lw=1.0, ls=dash)
            right.annotate(
                text,
                (1.0, value),
                xycoords=("axes fraction", "data"),
                xytext=(-3, 3),
                textcoords="offset points",
                ha="right",
                bbox=LABEL_BOX,
            )
        right.set_xlabel("reference (bpm)")
        right.set_ylabel("error (bpm)")
        right.set_title("error, bias and 95 % limits of agreement")
        if session.activities:
            legend_below(figure, right, columns=3)
    return figure


def _activity_colours(names: Iterable[str], session: Session) -> list[tuple[str, str]]:
    """Give every activity the colour it has in all figures of the session; grey between them."""
    known = list(dict.fromkeys(a.name for a in session.activities))
    colours = dict(zip(known, colour_cycle(len(known)), strict=True))
    present = set(names)
    return [(name, colours.get(name, MUTED)) for name in ["", *known] if name in present]


def _unnamed(session: Session) -> str:
    return "between activities" if session.activities else "every window"
