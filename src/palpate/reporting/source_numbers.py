"""Numbers of a source that the page, the figures and the summary share, each made once."""

from __future__ import annotations

import math
import statistics
from typing import Any

import numpy as np

from palpate.evaluation.bootstrap import BLOCK_S
from palpate.evaluation.scoring import ALL, OUTSIDE, WITHIN, scored_windows
from palpate.evaluation.share_interval import ACTIVITY_BLOCK_S, share_of_windows
from palpate.explanation.doubt import area_under_roc
from palpate.explanation.events import EventResponse
from palpate.motion import FLAGS
from palpate.results import BandResult, SourceResult
from palpate.signals import Activity, BoolArray, WindowTable

BETWEEN = "between activities"
FEWEST_TO_TELL_APART = 10
"""Windows on each side; of fewer, which are mostly one episode, a ranking says nothing (own
choice)."""


def named_activity(activity: str) -> str:
    """Name an activity for the eye."""
    return "the whole session" if activity == ALL else activity


def windows_in(windows: WindowTable, activity: str) -> BoolArray:
    """Return which windows are of an activity, ``(n,)``; all of them for the whole session."""
    if activity == ALL:
        return np.ones(len(windows), dtype=bool)
    return np.asarray(windows["activity"] == activity)


def share_interval_in(
    windows: WindowTable, activity: str, yes: BoolArray, counted: BoolArray
) -> tuple[float, float]:
    """Return the 95 % interval for the share of ``yes`` among an activity's counted windows."""
    counted = counted & windows_in(windows, activity)
    block_s = BLOCK_S if activity == ALL else ACTIVITY_BLOCK_S
    return share_of_windows(windows, yes, counted, block_s=block_s)


def within_interval(source: SourceResult, activity: str) -> tuple[float, float]:
    """Return the 95 % interval of the share of scored windows within tolerance."""
    within = source.windows["status"] == WITHIN
    return share_interval_in(source.windows, activity, within, scored_windows(source.windows))


def causes_by_activity(source: SourceResult) -> list[dict[str, Any]]:
    """Return per activity, the whole last, the share of scored windows that each cause put out."""
    scored, table = scored_windows(source.windows), source.causes.windows
    rows = []
    for name in (row.activity for row in source.by_activity if row.errors.n):
        mine = scored & windows_in(table, name)
        causes = table["cause"][mine]
        shares = {cause: float(np.mean(causes == cause)) for cause in source.causes.counts()}
        rows.append({"activity": name, "n": int(mine.sum()), "shares": shares})
    return rows


def outside_by_flag(source: SourceResult, band: BandResult) -> list[dict[str, Any]]:
    """Return per motion flag how many windows are scored and which share is outside tolerance."""
    if "flag" not in band.motion:
        return []
    scored, outside = scored_windows(source.windows), source.windows["status"] == OUTSIDE
    rows = []
    for flag in FLAGS:
        mine = scored & (band.motion["flag"] == flag)
        if mine.any():
            share = float(outside[mine].mean())
            rows.append({"flag": flag, "n": int(mine.sum()), "outside_share": share})
    return rows


def rises_by_activity(
    source: SourceResult, activities: tuple[Activity, ...]
) -> list[dict[str, Any]]:
    """Return per activity the reference's rises, those seen, and medians of how much and how late.

    ``n_no_estimate`` rises had no heart rate to judge. Without activities, all rises are of the
    whole session.
    """
    elsewhere = BETWEEN if activities else ALL
    groups: dict[str, list[EventResponse]] = {}
    for response in source.events:
        if response.event.kind == "rise":
            name = activity_at(activities, response.event.middle_s)
            groups.setdefault(name or elsewhere, []).append(response)
    return [
        {
            "activity": activity,
            "n": len(held),
            "n_seen": sum(r.detected for r in held),
            "n_no_estimate": sum(math.isnan(r.seen_share) for r in held),
            "seen_share": _median([r.seen_share for r in held]),
            "late_s": _median([r.late_s for r in held]),
        }
        for activity, held in groups.items()
    ]


def activity_at(activities: tuple[Activity, ...], at_s: float) -> str:
    """Return the activity at a time; ``""`` between activities."""
    return next((a.name for a in activities if a.start_s <= at_s < a.end_s), "")


def doubt_auc(source: SourceResult) -> float:
    """Return how well doubt told without the reference ranks the windows.

    NaN with fewer than `FEWEST_TO_TELL_APART` windows within or outside tolerance.
    """
    scored = scored_windows(source.windows) & np.isfinite(source.windows["doubt"])
    outside = np.asarray(source.windows["status"][scored] == OUTSIDE)
    if min(outside.sum(), (~outside).sum()) < FEWEST_TO_TELL_APART:
        return math.nan
    return area_under_roc(outside, source.windows["doubt"][scored])


def _median(values: list[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return statistics.median(known) if known else math.nan
