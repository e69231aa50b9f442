"""Pictures of a detector's validation: where it fails, how it times, what noise does.

Every function takes finished results and returns a Matplotlib figure; none makes a number.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from palpate.detector_validation import Excerpt, RecordRun
from palpate.reporting.style import BAD, FAINT, INK, MUTED, SERIES, figure_style
from palpate.reporting.text_tables import signed_tenths
from palpate.reporting.validation_tables import Row, without_noise
from palpate.signals import FloatArray

MISSED, EXTRA, FOUND = BAD, SERIES[0], SERIES[2]
MAX_BARS = 24
GALLERY_SIZE = 8
PER_RECORD_IN_GALLERY = 2
_TIMING_RANGE_MS = 150.0
# Wider than the sampling interval of common records, or the bars would comb.
_TIMING_BIN_MS = 5.0


def gallery_excerpts(runs: Sequence[RecordRun]) -> list[Excerpt]:
    """Return the worst excerpts of all records without noise, at most two of each."""
    everything = [excerpt for run in without_noise(runs) for excerpt in run.worst]
    chosen: list[Excerpt] = []
    for excerpt in sorted(everything, key=lambda each: -each.stretch.n_errors):
        same = sum(other.record == excerpt.record for other in chosen)
        if same < PER_RECORD_IN_GALLERY and len(chosen) < GALLERY_SIZE:
            chosen.append(excerpt)
    return chosen


def errors_figure(rows: Sequence[Row]) -> Figure:
    """Missed (left) and extra beats (right) per record, the worst record on top."""
    faulty = [row for row in rows if row.get("missed", 0) + row.get("extra", 0) > 0]
    faulty.sort(key=lambda row: row["missed"] + row["extra"], reverse=True)
    worst = faulty[:MAX_BARS]
    place = np.arange(len(worst))
    missed, extra = (np.array([row[name] for row in worst]) for name in ("missed", "extra"))
    with figure_style():
        figure = Figure(figsize=(9.6, 1.3 + 0.24 * len(worst)))
        axis = figure.subplots()
        axis.barh(place, -missed, color=MISSED, height=0.72, label="missed")
        axis.barh(place, extra, color=EXTRA, height=0.72, label="extra")
        for sign, values, side in ((-1, missed, "right"), (1, extra, "left")):
            for y, value in zip(place, values, strict=True):
                axis.annotate(
                    f"{value}",
                    (sign * value, y),
                    xytext=(4 * sign, 0),
                    textcoords="offset points",
                    ha=side,
                    va="center",
                    fontsize=8,
                    color=MUTED if value == 0 else INK,
                )
        axis.axvline(0, color=INK, lw=0.8)
        axis.set_yticks(place, [f"{row['record']}  {row['lead']}" for row in worst])
        axis.invert_yaxis()
        axis.grid(visible=False, axis="y")
        axis.margins(x=0.08, y=0.02)
        axis.xaxis.set_major_locator(MaxNLocator(integer=True))
        axis.xaxis.set_major_formatter(lambda value, _: f"{abs(value):.0f}")
        axis.set_xlabel("beats missed (left) and marks that are not beats (right)")
        axis.set_title(_bars_title(len(worst), len(faulty), len(rows)))
        axis.legend(loc="lower right")
    return figure


def timing_figure(errors_ms: FloatArray, *, median_ms: float) -> Figure:
    """Histogram of detection minus annotation, counts on a logarithmic axis."""
    edges = np.arange(-_TIMING_RANGE_MS, _TIMING_RANGE_MS + _TIMING_BIN_MS, _TIMING_BIN_MS)
    with figure_style():
        figure = Figure(figsize=(9.6, 3.2))
        axis = figure.subplots()
        axis.axvspan(-50, 50, color=FAINT, alpha=0.5, lw=0, label="within 50 ms")
        axis.hist(np.clip(errors_ms, edges[0], edges[-1]), bins=edges.tolist(), color=SERIES[0])
        if errors_ms.size:
            axis.axvline(
                median_ms, color=BAD, lw=1.4, label=f"median {signed_tenths(median_ms)} ms"
            )
        axis.set_yscale("symlog", linthresh=1)
        axis.set_ylim(bottom=0)
        axis.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
        axis.set_xlim(edges[0], edges[-1])
        axis.set_xlabel("detection − annotation (ms)")
        axis.set_ylabel("beats (log scale)")
        axis.set_title("timing error of the beats that were found")
        axis.legend(loc="upper right")
    return figure


def excerpt_figure(excerpt: Excerpt) -> Figure:
    """Every lead of a stretch, with its annotated beats, what was found, missed and extra."""
    stretch = excerpt.stretch
    drawn, low, high = _stacked(excerpt.ecg)
    time_s = stretch.start_s + np.arange(drawn.shape[0]) / excerpt.fs_hz
    span = max(high - low, 1e-9)
    with figure_style():
        figure = Figure(figsize=(9.6, 1.55 + 0.8 * drawn.shape[1]))
        axis = figure.subplots()
        axis.plot(time_s, drawn, color=INK, lw=0.7)
        axis.set_ylim(low - 0.22 * span, high + 0.34 * span)
        _mark_annotations(axis, excerpt, top=high + 0.2 * span)
        found_s = np.setdiff1d(excerpt.estimate_s, excerpt.extra_s)
        below = low - 0.12 * span
        axis.plot(found_s, np.full(found_s.shape, below), "^", ms=5.5, color=FOUND, label="found")
        axis.plot(
            excerpt.extra_s,
            np.full(excerpt.extra_s.shape, below),
            "^",
            ms=7,
            color=EXTRA,
            label="extra",
        )
        for times_s, colour in ((excerpt.missed_s, MISSED), (excerpt.extra_s, EXTRA)):
            for time in times_s:
                axis.axvline(time, color=colour, lw=5, alpha=0.16, zorder=0)
        axis.set_xlim(stretch.start_s, stretch.end_s)
        axis.xaxis.set_major_formatter(lambda value, _: f"{int(value // 60)}:{value % 60:02.0f}")
        axis.set_xlabel("time in the record (min:s)")
        apart = ", set apart" if drawn.shape[1] > 1 else ""
        axis.set_ylabel(f"ECG ({excerpt.unit}){apart}")
        axis.set_title(
            f"{excerpt.record}, {excerpt.lead}: {stretch.n_missed} missed, {stretch.n_extra} extra"
        )
        axis.legend(loc="upper left", bbox_to_anchor=(1.0, 1.02), handletextpad=0.2)
    return figure


def _stacked(ecg: FloatArray) -> tuple[FloatArray, float, float]:
    """Set leads ``(n, k)`` one below the other; return them with the smallest and largest value."""
    known = np.where(np.isfinite(ecg).any(axis=0), ecg, 0.0)
    if ecg.shape[1] == 1 or not ecg.size:
        return ecg, float(np.nanmin(known, initial=0.0)), float(np.nanmax(known, initial=0.0))
    high = np.nanmax(known, axis=0)
    room = 1.1 * (high - np.nanmin(known, axis=0))
    return ecg - high - (np.cumsum(room) - room), -float(room.sum()), 0.0


def stress_figure(rows: Sequence[Row]) -> Figure:
    """Sensitivity, positive predictivity and F1 against the signal-to-noise ratio."""
    snr_db = np.array([row["snr_db"] for row in rows])
    lines = (
        ("sensitivity_pct", "sensitivity", SERIES[0], "o"),
        ("positive_predictivity_pct", "positive predictivity", SERIES[1], "s"),
        ("f1_pct", "F1", INK, "D"),
    )
    with figure_style():
        figure = Figure(figsize=(9.6, 3.9))
        axis = figure.subplots()
        for key, label, colour, marker in lines:
            values = np.array([row[key] for row in rows])
            axis.plot(snr_db, values, marker=marker, ms=5.5, color=colour, label=label)
            if key == "f1_pct":
                for x, y in zip(snr_db, values, strict=True):
                    axis.annotate(
                        f"{y:.1f}",
                        (x, y),
                        xytext=(0, -14),
                        textcoords="offset points",
                        ha="center",
                        fontsize=8.5,
                        bbox={"fc": "white", "ec": "none", "alpha": 0.8, "pad": 0.6},
                    )
        axis.set_xticks(snr_db)
        axis.invert_xaxis()
        axis.margins(y=0.14)
        axis.set_xlabel(
            "signal-to-noise ratio in the noisy stretches (dB); noise grows to the right"
        )
        axis.set_ylabel("percent")
        axis.set_title("noise stress: what is left as noise grows")
        axis.legend(loc="lower left")
    return figure


def _mark_annotations(axis: Axes, excerpt: Excerpt, top: float) -> None:
    for time, symbol in zip(excerpt.reference_s, excerpt.symbol, strict=True):
        missed = bool(np.any(np.isclose(excerpt.missed_s, time)))
        axis.annotate(
            symbol,
            (time, top),
            ha="center",
            va="center",
            fontsize=9,
            fontweight="bold" if missed else "normal",
            color=MISSED if missed else MUTED,
        )
    axis.plot([], [], ls="none", marker=r"$\mathrm{N}$", ms=7, color=MUTED, label="annotated")
    axis.plot([], [], ls="none", marker=r"$\mathrm{N}$", ms=7, color=MISSED, label="missed")


def _bars_title(shown: int, faulty: int, total: int) -> str:
    if shown < faulty:
        return f"errors by record: the worst {shown} of {total} records"
    clean = total - faulty
    return "errors by record" + (f" ({clean} of {total} records have none)" if clean else "")
