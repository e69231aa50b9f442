"""Sentences on the rises of the heart rate: which the wrist saw, how late, and how high."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence

from palpate.evaluation.scoring import ALL
from palpate.explanation.events import LATEST_S
from palpate.reporting.source_numbers import activity_at
from palpate.reporting.text_tables import proportion
from palpate.results import SourceResult
from palpate.signals import Activity

WHOLE_FROM = 0.9
"""Share of a rise's height that is as good as all of it (own choice)."""


def rise_sentences(
    source: SourceResult, activity: str, activities: tuple[Activity, ...]
) -> list[str]:
    """Say of a source's rises in an activity how many it saw, how late, and how high."""
    rises = [
        response
        for response in source.events
        if response.event.kind == "rise"
        and activity in (ALL, activity_at(activities, response.event.middle_s))
    ]
    judged = [rise for rise in rises if not math.isnan(rise.seen_share)]
    late_s = [rise.late_s for rise in judged if rise.detected]
    told = rises_told(len(late_s), len(judged), late_s, [rise.seen_share for rise in judged])
    if blind := len(rises) - len(judged):
        told.append(f"It gave no heart rate during {_of_rises(blind, len(rises))}.")
    return told


def _of_rises(some: int, n: int) -> str:
    if n == 1:
        return "the only rise in heart rate"
    return f"{'any' if some == n else some} of {n} rises in heart rate"


def rises_told(
    seen: int, n: int, late_s: Sequence[float], seen_share: Sequence[float] = ()
) -> list[str]:
    """Say how many of ``n`` rises of the heart rate were seen, and how late those were.

    ``seen_share`` says how much of the height of each of them the wrist climbed, where known.
    """
    if not n:
        return []
    typical_s = statistics.median(late_s) if late_s else 0.0
    typically = "a median of " if len(late_s) > 1 else ""
    at_least = "at least " if typical_s >= LATEST_S else ""
    late = f", {typically}{at_least}{typical_s:.0f} s late" if typical_s >= 1.0 else ""
    height = _height_told(seen_share)
    if n == 1:
        return [f"It {'saw' if seen else 'missed'} the only rise in heart rate{late}{height}."]
    return [f"It saw {seen or 'none'} of {n} rises in heart rate{late}{height}."]


def _height_told(seen_share: Sequence[float]) -> str:
    """Say how much of the rises' height was climbed, where it is worth saying that some was not."""
    share = statistics.median(seen_share) if seen_share else 1.0
    if share > WHOLE_FROM:
        return ""
    whose = "its height" if len(seen_share) == 1 else "their height (median)"
    return f"; it climbed {proportion(share)} of {whose}"
