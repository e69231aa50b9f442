"""Findings in plain words, never stronger than the data behind them."""

from __future__ import annotations

import math

from palpate.evaluation.scoring import ActivityError
from palpate.explanation.causes import UNEXPLAINED
from palpate.explanation.dose_response import DoseResponse
from palpate.results import SessionResult, SourceResult

FEW_WINDOWS = 30  # a minute of 2-s steps; fewer say little (common practice, no source)
NO_WRIST = "There is no wrist recording, so this is the ECG reference alone."
FEWEST_TO_RANK = 10
MOST_CAUSES_NAMED = 2
ONE_SESSION = (
    "This is one session. It shows what happened here, not what a device does in general: at "
    "least five sessions per activity are wanted (common practice, no source)."
)


def findings(result: SessionResult) -> list[str]:
    """Return the sentences that stand at the top of the report."""
    if not result.sources:
        return [_reference_sentence(result), NO_WRIST]
    about_sources = [" ".join(_source_sentences(source)) for source in result.sources]
    return [_reference_sentence(result), *about_sources, ONE_SESSION]


def _reference_sentence(result: SessionResult) -> str:
    windows = result.windows
    step_s = result.options.step_s
    doubtful = int((~windows["trusted"].astype(bool)).sum())
    total = duration_text(len(windows) * step_s)
    if not doubtful:
        return f"The ECG reference is trusted in all of its {len(windows)} windows."
    return (
        f"The ECG reference is not trusted for {duration_text(doubtful * step_s)} of {total}; "
        "those windows are not scored."
    )


def _source_sentences(source: SourceResult) -> list[str]:
    whole = source.by_activity[-1]
    if not whole.errors.n:
        return [f"{source.name}: no window could be scored."]
    lines = [
        f"{source.name}: {_share(whole)} of {whole.errors.n} scored windows are within tolerance, "
        f"mean absolute error {whole.errors.mae_bpm:.1f} bpm."
    ]
    named = [row for row in source.by_activity[:-1] if row.errors.n]
    if named:
        weakest = min(named, key=lambda row: row.errors.share_within)
        lines += _weakest_sentences(source, weakest)
    rises = [r for r in source.events if r.event.kind == "rise"]
    if rises:
        seen = sum(r.detected for r in rises)
        lines.append(f"It saw {seen} of the {len(rises)} rises of the heart rate.")
    return [*lines, *_cause_sentences(source)]


def _weakest_sentences(source: SourceResult, weakest: ActivityError) -> list[str]:
    if weakest.errors.share_within == 1.0:
        return ["No activity has a window outside it."]
    few = f", only {weakest.errors.n} windows" if weakest.errors.n < FEW_WINDOWS else ""
    lines = [
        f"It is weakest in {weakest.activity}: {_share(weakest)} within tolerance, "
        f"{weakest.errors.mae_bpm:.1f} bpm{few}."
    ]
    excess = next(
        (e for e in (source.dose.excess if source.dose else ()) if e.activity == weakest.activity),
        None,
    )
    if excess is not None and excess.low_bpm > 0:
        lines.append(
            f"That is {excess.excess_bpm:.0f} bpm ({excess.low_bpm:.0f} to {excess.high_bpm:.0f}) "
            "more than its motion intensity explains."
        )
    return lines


def _cause_sentences(source: SourceResult) -> list[str]:
    counts = source.causes.counts()
    outside = sum(counts.values())
    if outside < FEWEST_TO_RANK:
        return []
    unexplained = counts.pop(UNEXPLAINED)
    ranked = sorted(counts.items(), key=lambda item: -item[1])[:MOST_CAUSES_NAMED]
    named = [f"{name} ({100 * n / outside:.0f} %)" for name, n in ranked if n]
    lines = []
    if named:
        lines.append(
            f"What put its {outside} windows outside tolerance is, above all, "
            f"{' and '.join(named)}; {100 * unexplained / outside:.0f} % stay unexplained."
        )
    if source.split is not None and source.split.n_missed + source.split.n_never_had_it:
        lines.append(
            f"In {100 * source.split.missed_share:.0f} % of them the light carried the pulse and "
            "the algorithm missed it."
        )
    return lines


def motion_sentence(dose: DoseResponse) -> str:
    """Say at which motion intensity the mean error leaves tolerance, if it does."""
    start = f"Mean error leaves the tolerance of {dose.tolerance_bpm:.0f} bpm"
    if math.isnan(dose.limit):
        return (
            "Mean error stays within tolerance at every motion intensity seen, so intensity "
            "alone does not say where it fails."
        )
    if dose.limit <= dose.grid[0]:
        return f"{start} at every motion intensity seen, so intensity does not explain it."
    low, high = (
        "beyond the range seen" if math.isnan(edge) else f"{edge * 1e3:.0f}"
        for edge in (dose.limit_low, dose.limit_high)
    )
    return (
        f"{start} at a motion intensity of {dose.limit * 1e3:.0f} mg "
        f"(95 % interval {low} to {high})."
    )


def _share(row: ActivityError) -> str:
    return f"{100 * row.errors.share_within:.0f} %"


def duration_text(seconds: float) -> str:
    """Return a duration as a person would say it: ``"45 s"``, ``"3 min 20 s"``, ``"40 min"``."""
    minutes, rest = divmod(round(seconds), 60)
    if not minutes:
        return f"{rest} s"
    return f"{minutes} min {rest} s" if rest else f"{minutes} min"
