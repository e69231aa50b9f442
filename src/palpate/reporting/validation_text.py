"""A detector's validation in words: its findings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from palpate.detector_validation import Options, RecordRun
from palpate.evaluation.ec57_statistics import FEWEST_RECORDS
from palpate.reporting.text_tables import count, number, signed_tenths
from palpate.reporting.validation_tables import (
    class_rows,
    failure_rows,
    record_rows,
    stress_rows,
    timing_row,
    total_rows,
    without_noise,
)

# A class with fewer beats than this says little about a detector.
_FEWEST_BEATS = 100
# Where a noise curve is said to have fallen; common practice, no source.
_F1_TO_KEEP_PCT = 95.0


def validation_findings(runs: Sequence[RecordRun], options: Options) -> list[str]:
    """Return the findings as sentences, the most important first."""
    if without_noise(runs):
        told = [_overall(runs, options), *_where(runs), *_timing(runs), *_classes(runs)]
        told += _noise(runs)
    else:
        told = ["No record could be scored."]
    failed = failure_rows(runs)
    if failed:
        told.append(
            f"{options.detector} failed on {_plural(len(failed), 'run')}, which are not counted; "
            f"the first: {failed[0]['reason'].rstrip('.')}."
        )
    return told


def _overall(runs: Sequence[RecordRun], options: Options) -> str:
    gross, low, high, _ = total_rows(runs)
    records = _plural(len(without_noise(runs)), "record")
    if gross["beats"] == 0:
        return (
            f"There is no beat to find in {records}: the annotations hold none that is scored, and "
            f"all {_plural(gross['extra'], 'mark')} of {options.detector} are extra."
        )
    found, right = (
        f"{number(2)(gross[key])} %{_interval(low[key], high[key])}"
        for key in ("sensitivity_pct", "positive_predictivity_pct")
    )
    beats = f"{count(gross['beats'])} beats in {records}"
    if gross["found"] + gross["extra"] == 0:
        return f"{options.detector} marks nothing: it misses all {beats}."
    told = f"{options.detector} finds {found} of {beats}; {right} of its marks are beats."
    if len(without_noise(runs)) < FEWEST_RECORDS:
        told += f" A 95 % interval takes at least {FEWEST_RECORDS} records."
    return told


def _interval(low: float, high: float) -> str:
    return "" if np.isnan(low) else f" (95 % interval {low:.2f} to {high:.2f} %)"


def _where(runs: Sequence[RecordRun]) -> list[str]:
    rows = [row for row in record_rows(runs) if "missed" in row]
    rows.sort(key=lambda row: row["missed"] + row["extra"], reverse=True)
    errors = np.array([row["missed"] + row["extra"] for row in rows])
    total = int(errors.sum())
    if total == 0:
        return ["It makes no error at all on these records."]
    half = int(np.searchsorted(np.cumsum(errors), total / 2)) + 1
    names = ", ".join(row["record"] for row in rows[:half])
    share = 100 * errors[:half].sum() / total
    if half == len(rows):
        return []
    return [
        f"{share:.0f} % of its {count(total)} errors are in {half} of {len(rows)} records: {names}."
    ]


def _timing(runs: Sequence[RecordRun]) -> list[str]:
    row = timing_row(runs)
    if not row["n"]:
        return []
    return [
        f"Of the beats it finds, its marks lie a median of {signed_tenths(row['p50_ms'])} ms from "
        f"the annotations, 90 % of them between {signed_tenths(row['p5_ms'])} and "
        f"{signed_tenths(row['p95_ms'])} ms; {row['within_50ms_pct']:.2f} % are within 50 ms."
    ]


def _classes(runs: Sequence[RecordRun]) -> list[str]:
    rows = [row for row in class_rows(runs) if row["beats"] >= _FEWEST_BEATS]
    worst = min(rows, key=lambda row: row["sensitivity_pct"], default={"missed": 0})
    if len(rows) < 2 or not worst["missed"]:
        return []
    return [
        f"Of the kinds with at least {_FEWEST_BEATS} beats, it misses {worst['meaning']} beats "
        f"most often: {count(worst['missed'])} of {count(worst['beats'])} "
        f"({100 - worst['sensitivity_pct']:.2f} %)."
    ]


def _noise(runs: Sequence[RecordRun]) -> list[str]:
    rows = [row for row in stress_rows(runs) if np.isfinite(row["f1_pct"])]
    if not rows:
        return []
    first, last = rows[0], rows[-1]
    low = next((row for row in rows if row["f1_pct"] < _F1_TO_KEEP_PCT), None)
    fall = (
        f"it stays above {_F1_TO_KEEP_PCT:g} %"
        if low is None
        else f"at {number(0)(low['snr_db'])} dB it is below {_F1_TO_KEEP_PCT:g} %"
    )
    return [
        f"Under noise, F1 is {first['f1_pct']:.1f} % at {number(0)(first['snr_db'])} dB and "
        f"{last['f1_pct']:.1f} % at {number(0)(last['snr_db'])} dB; {fall}."
    ]


def _plural(amount: int, thing: str) -> str:
    return f"{count(amount)} {thing}" + ("" if amount == 1 else "s")
