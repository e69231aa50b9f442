"""Score a heart rate against the reference, window by window and by activity.

Conventions: error = estimate - reference; a window is scored only where the
reference is trusted and an estimate exists; the others are counted under the
reason why they are not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.evaluation.agreement import ErrorSummary, error_summary, tolerance_bpm
from palpate.signals import WHOLE_SESSION, BoolArray, FloatArray, RateSeries, WindowTable

WITHIN, OUTSIDE = "within", "outside"
UNTRUSTED, NO_ESTIMATE = "reference untrusted", "no estimate"
ALL = WHOLE_SESSION


@dataclass(frozen=True, slots=True)
class ActivityError:
    """How far off a source was in one activity, and how many windows could not be scored."""

    activity: str
    n_windows: int
    n_untrusted: int
    n_no_estimate: int
    errors: ErrorSummary

    @property
    def coverage(self) -> float:
        """Share of the windows with a trusted reference that have an estimate."""
        trusted = self.n_windows - self.n_untrusted
        return (trusted - self.n_no_estimate) / trusted if trusted else float("nan")


def score_windows(
    reference: WindowTable, rate: RateSeries, *, absolute_bpm: float = 5.0, relative: float = 0.10
) -> WindowTable:
    """Return the reference's windows with the estimate, its error and what became of each.

    Parameters
    ----------
    reference
        Has the columns ``hr_bpm``, ``trusted`` and ``activity``.
    rate
        One row per window; windows the reference lacks are left out.

    Returns
    -------
    WindowTable
        ``activity``, ``reference_bpm``, ``estimate_bpm``, ``error_bpm``,
        ``tolerance_bpm``, ``confidence`` and ``status``: ``within`` or ``outside``
        tolerance, ``reference untrusted``, or ``no estimate``.
    """
    estimates = WindowTable(
        rate.start_s, rate.end_s, {"estimate_bpm": rate.hr_bpm, "confidence": rate.confidence}
    )
    table = WindowTable(
        reference.start_s,
        reference.end_s,
        {"activity": reference["activity"], "reference_bpm": reference["hr_bpm"]},
    ).joined(estimates)
    error = table["estimate_bpm"] - table["reference_bpm"]
    tolerance = tolerance_bpm(table["reference_bpm"], absolute_bpm=absolute_bpm, relative=relative)
    untrusted = ~reference["trusted"] | ~np.isfinite(table["reference_bpm"])
    status = np.select(
        [untrusted, ~np.isfinite(table["estimate_bpm"]), np.abs(error) <= tolerance],
        [UNTRUSTED, NO_ESTIMATE, WITHIN],
        default=OUTSIDE,
    )
    return table.with_columns(error_bpm=error, tolerance_bpm=tolerance, status=status)


def trusted_rate(reference: WindowTable) -> FloatArray:
    """Return the reference's rate per window, NaN where it is not trusted."""
    return np.where(reference["trusted"], reference["hr_bpm"], np.nan)


def scored_windows(windows: WindowTable) -> BoolArray:
    """True where reference and estimate are both usable, ``(n,)``."""
    return np.isin(windows["status"], (WITHIN, OUTSIDE))


def errors_by_activity(windows: WindowTable) -> tuple[ActivityError, ...]:
    """Summarise scored windows per named activity in order of appearance, then over all."""
    names = [name for name in dict.fromkeys(windows["activity"].tolist()) if name]
    everything = np.ones(len(windows), dtype=bool)
    groups = [(name, windows["activity"] == name) for name in names]
    return tuple(_summary(name, windows, mine) for name, mine in [*groups, (ALL, everything)])


def _summary(name: str, windows: WindowTable, mine: BoolArray) -> ActivityError:
    status = windows["status"][mine]
    scored = scored_windows(windows) & mine
    return ActivityError(
        activity=name,
        n_windows=int(mine.sum()),
        n_untrusted=int(np.count_nonzero(status == UNTRUSTED)),
        n_no_estimate=int(np.count_nonzero(status == NO_ESTIMATE)),
        errors=error_summary(
            windows["reference_bpm"][scored],
            windows["estimate_bpm"][scored],
            tolerance=windows["tolerance_bpm"][scored],
        ),
    )
