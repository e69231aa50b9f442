"""What a study is made of: one heart-rate source in one session, and its errors by activity."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from palpate.evaluation.agreement import ErrorSummary
from palpate.evaluation.scoring import ALL, OUTSIDE, errors_by_activity, scored_windows
from palpate.signals import FloatArray, StrArray, WindowTable

FEWEST_WINDOWS = 30
"""A minute of 2-s steps; an activity with fewer scored windows says little of a session
(common practice, no source)."""


@dataclass(frozen=True, slots=True, order=True)
class Condition:
    """What gives a heart rate and can be compared: a band with its firmware, and a source.

    ``source`` is one of our estimators on the band's raw light, or its own series.
    """

    band: str
    firmware: str
    source: str

    @property
    def device(self) -> str:
        """Band and firmware, for tables and legends."""
        return f"{self.band} {self.firmware}".strip()

    @property
    def name(self) -> str:
        """Band, firmware and source, for tables and legends."""
        return f"{self.device}, {self.source}"


@dataclass(frozen=True, slots=True, eq=False)
class SessionSource:
    """One condition in one session.

    Parameters
    ----------
    session
        Its name, unique within the study.
    wearer
        Who wore the band; may be empty.
    condition
        What gave the heart rate.
    windows
        The columns of :func:`palpate.evaluation.scoring.score_windows` with ``cause`` (text,
        empty within tolerance) and ``motion_mad_g`` (NaN where there is none).
    rise_activity, rise_late_s
        ``(m,)`` activity of every rise of the reference during which the source gave a heart
        rate, empty between activities, and how late it showed it, s; NaN where it did not.
    placement
        Where the band was worn, the wrist for instance; may be empty.
    """

    session: str
    wearer: str
    condition: Condition
    windows: WindowTable
    rise_activity: StrArray
    rise_late_s: FloatArray
    placement: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class SessionErrors:
    """How far off one condition was in one activity of one session.

    ``error_bpm`` holds the scored windows' errors, ``motion_g`` their motion intensity, NaN
    where there is none; ``coverage`` is the share of windows with a trusted reference that
    have an estimate;
    ``causes`` counts the windows outside tolerance by cause; ``rise_late_s`` is that of the
    activity's rises.
    """

    session: str
    wearer: str
    condition: Condition
    activity: str
    errors: ErrorSummary
    error_bpm: FloatArray
    motion_g: FloatArray
    coverage: float
    causes: Mapping[str, int]
    rise_late_s: FloatArray
    placement: str = ""

    @property
    def mad_g(self) -> float:
        """Median motion intensity of the scored windows, g."""
        return median_of_known(self.motion_g)

    @property
    def mean_motion_g(self) -> float:
        """Mean motion intensity of the scored windows, g."""
        return float(np.nanmean(self.motion_g))


def session_errors(sources: Iterable[SessionSource]) -> tuple[SessionErrors, ...]:
    """Summarise every source by activity, the whole session last under the name ``all``.

    An activity with fewer than `FEWEST_WINDOWS` scored windows is left out.
    """
    return tuple(found for source in sources for found in _by_activity(source))


def sessions_left_out(sources: Iterable[SessionSource]) -> dict[str, int]:
    """Count by activity the sessions where some source has fewer than `FEWEST_WINDOWS`."""
    few = {
        (row.activity, source.session)
        for source in sources
        for row in errors_by_activity(source.windows)
        if row.activity != ALL and row.errors.n < FEWEST_WINDOWS
    }
    return dict(Counter(activity for activity, _ in sorted(few)))


def _by_activity(source: SessionSource) -> list[SessionErrors]:
    windows, scored = source.windows, scored_windows(source.windows)
    found = []
    for row in errors_by_activity(windows):
        if row.errors.n < FEWEST_WINDOWS:
            continue
        mine = (windows["activity"] == row.activity) | (row.activity == ALL)
        rises = (source.rise_activity == row.activity) | (row.activity == ALL)
        outside = mine & (windows["status"] == OUTSIDE)
        found.append(
            SessionErrors(
                session=source.session,
                wearer=source.wearer,
                condition=source.condition,
                activity=row.activity,
                errors=row.errors,
                error_bpm=windows["error_bpm"][mine & scored],
                motion_g=windows["motion_mad_g"][mine & scored],
                coverage=row.coverage,
                causes=Counter(windows["cause"][outside].tolist()),
                rise_late_s=source.rise_late_s[rises],
                placement=source.placement,
            )
        )
    return found


def median_of_known(values: ArrayLike) -> float:
    """Return the median of what is finite; NaN where nothing is."""
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    return float(np.median(known)) if known.size else float("nan")
