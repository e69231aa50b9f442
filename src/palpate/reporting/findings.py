"""Findings in plain words, never stronger than the data behind them."""

from __future__ import annotations

import math

from palpate.evaluation.scoring import ALL, ActivityError
from palpate.explanation.dose_response import DoseResponse, ExcessError
from palpate.pipeline import SessionResult, SourceResult

FEW_WINDOWS = 30  # a minute of 2-s steps; fewer say little (common practice, no source)
ONE_SESSION = (
    "This is one session. It shows what happened here, not what a device does in general: at "
    "least five sessions per activity are wanted (common practice, no source)."
)


def findings(result: SessionResult) -> list[str]:
    """Return the sentences that stand at the top of the report."""
    lines = [_reference_sentence(result)]
    for source in result.sources:
        lines.append(_error_sentence(source))
        if source.dose is not None:
            lines.append(_motion_sentence(source, source.dose))
            lines += [
                _excess_sentence(source, excess)
                for excess in source.dose.excess
                if excess.low_bpm > 0
            ]
    return [*lines, ONE_SESSION]


def _reference_sentence(result: SessionResult) -> str:
    windows = result.windows
    step_s = result.options.step_s
    doubtful = int((~windows["trusted"].astype(bool)).sum())
    total = duration_text(len(windows) * step_s)
    if not doubtful:
        return f"The ECG reference is trusted in all of its {total}."
    return (
        f"The ECG reference is not trusted for {duration_text(doubtful * step_s)} of {total}; "
        "those windows are not scored."
    )


def _error_sentence(source: SourceResult) -> str:
    rows = [r for r in source.by_activity if r.activity != ALL] or list(source.by_activity)
    scored = [r for r in rows if r.errors.n]
    if not scored:
        return f"{source.name}: no window could be scored."
    ranked = sorted(scored, key=lambda r: -r.errors.share_within)
    parts = [_activity_clause(r) for r in ranked]
    return f"{source.name}: within tolerance in " + "; ".join(parts) + "."


def _activity_clause(row: ActivityError) -> str:
    where = "the session" if row.activity == ALL else row.activity
    few = f", only {row.errors.n} windows" if row.errors.n < FEW_WINDOWS else ""
    return (
        f"{row.errors.share_within:.0%} of {where} "
        f"(mean absolute error {row.errors.mae_bpm:.1f} bpm{few})"
    )


def _motion_sentence(source: SourceResult, dose: DoseResponse) -> str:
    start = f"{source.name}: mean error leaves the tolerance of {dose.tolerance_bpm:.0f} bpm"
    if math.isnan(dose.limit):
        return f"{source.name}: mean error stays within tolerance at every motion intensity seen."
    if dose.limit <= dose.grid[0]:
        return f"{start} at every motion intensity seen, so motion intensity does not explain it."
    high = (
        "beyond the range seen" if math.isnan(dose.limit_high) else f"{dose.limit_high * 1e3:.0f}"
    )
    return (
        f"{start} at a motion intensity of {dose.limit * 1e3:.0f} mg "
        f"(95 % interval {dose.limit_low * 1e3:.0f} to {high})."
    )


def _excess_sentence(source: SourceResult, excess: ExcessError) -> str:
    return (
        f"{source.name}: {excess.activity} fails by {excess.excess_bpm:.0f} bpm "
        f"({excess.low_bpm:.0f} to {excess.high_bpm:.0f}) more than its motion intensity explains."
    )


def duration_text(seconds: float) -> str:
    """Return a duration as a person would say it: ``"45 s"``, ``"3 min 20 s"``, ``"40 min"``."""
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"
