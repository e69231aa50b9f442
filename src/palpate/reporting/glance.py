"""The grid at the top of a page: every source in every activity, graded as the findings are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple


class GlanceCell(NamedTuple):
    """A grade of `palpate.reporting.findings.GRADES`, and the two numbers shown."""

    grade: str
    share_within: float
    mae_bpm: float


class Glance(NamedTuple):
    """``rows`` holds a name and one cell per activity, None where there is nothing."""

    activities: Sequence[str]
    rows: Sequence[tuple[str, Sequence[GlanceCell | None]]]


def glance_of(activities: Sequence[str], cells: Mapping[tuple[str, str], GlanceCell]) -> Glance:
    """Arrange cells, keyed by source and activity, in rows by source in order of appearance."""
    names = dict.fromkeys(name for name, _ in cells)
    rows = [(name, [cells.get((name, activity)) for activity in activities]) for name in names]
    return Glance(activities, rows)
