"""Numbers of a source that the page, the figures and the summary share, each made once."""

from __future__ import annotations

import math
import statistics
from typing import Any

import numpy as np

from palpate.evaluation.scoring import ALL, OUTSIDE, scored_windows
from palpate.explanation.doubt import area_under_roc
from palpate.explanation.events import EventResponse
from palpate.motion import FLAGS
from palpate.results import BandResult, SourceResult
from palpate.signals import Activity

BETWEEN = "between activities"


def causes_by_activity(source: SourceResult) -> list[dict[str, Any]]:
    """Return per activity, the whole last, the share of scored windows that each cause put out."""
    scored, table = scored_windows(source.windows), source.causes.windows
    rows = []
    for name in (row.activity for row in source.by_activity if row.errors.n):
        mine = scored if name == ALL else scored & (table["activity"] == name)
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

    ``n_no_estimate`` rises had no heart rate to judge.
    """
    groups: dict[str, list[EventResponse]] = {}
    for response in source.events:
        if response.event.kind == "rise":
            name = activity_at(activities, response.event.middle_s)
            groups.setdefault(name or BETWEEN, []).append(response)
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
    """Return how well doubt told without the reference ranks the windows; NaN if it cannot."""
    scored = scored_windows(source.windows) & np.isfinite(source.windows["doubt"])
    outside = np.asarray(source.windows["status"][scored] == OUTSIDE)
    return area_under_roc(outside, source.windows["doubt"][scored])


def _median(values: list[float]) -> float:
    known = [value for value in values if not math.isnan(value)]
    return statistics.median(known) if known else math.nan
