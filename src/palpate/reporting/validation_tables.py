"""Tables of a detector's validation: rows of plain values; nothing is drawn or printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, TypeAlias

import numpy as np

from palpate import __version__
from palpate.detector_validation import Options, RecordRun
from palpate.evaluation.ec57_statistics import (
    Ratio,
    average_statistics,
    class_sensitivity,
    gross_intervals,
    gross_statistics,
)
from palpate.reporting.values import plain
from palpate.signals import FloatArray, IntArray

Row: TypeAlias = dict[str, Any]

SCHEMA = 1
GROSS, AVERAGE = "gross", "average"
GROSS_LOW, GROSS_HIGH = "gross, 95 % from", "gross, 95 % to"
CLASS_NAMES = {
    "N": "normal and bundle branch block",
    "S": "supraventricular ectopic",
    "V": "ventricular ectopic",
    "F": "fusion",
    "Q": "paced or unclassifiable",
}
_STATISTICS = {
    "sensitivity_pct": "qrs_sensitivity",
    "positive_predictivity_pct": "qrs_positive_predictivity",
    "f1_pct": "qrs_f1",
}
_TIMING_PERCENTILES = (5, 25, 50, 75, 95)


def without_noise(runs: Sequence[RecordRun]) -> list[RecordRun]:
    """Return the scored runs on records as they are."""
    return [run for run in runs if np.isnan(run.snr_db) and run.score is not None]


def record_rows(runs: Sequence[RecordRun]) -> list[Row]:
    """Return a row per record without noise, failures included."""
    return [_record_row(run) for run in runs if np.isnan(run.snr_db)]


def total_rows(runs: Sequence[RecordRun]) -> list[Row]:
    """Return the rows gross (pooled counts), its 95 % bounds, and average (mean of records).

    The bounds are NaN where the records are too few to draw from.
    """
    scored = without_noise(runs)
    matrices = [_counts(run) for run in scored]
    average = average_statistics(matrices)
    rows = [_record_row(run) for run in scored]
    strict = [run.score.strict_f1 for run in scored if run.score is not None]
    pooled = Ratio(
        sum(ratio.numerator for ratio in strict), sum(ratio.denominator for ratio in strict)
    )
    gross: Row = {"record": GROSS, "lead": "", **_count_row(sum(matrices, _no_counts()))}
    gross |= {"f1_50ms_pct": pooled.percent, "rr_error_rms_ms": _pooled_rr_error_ms(scored)}
    gross |= {"runtime_ms": float(np.sum([row["runtime_ms"] for row in rows]))}
    mean: Row = {"record": AVERAGE, "lead": ""}
    mean |= {column: average[name] for column, name in _STATISTICS.items()}
    for column in ("f1_50ms_pct", "rr_error_rms_ms", "runtime_ms"):
        mean[column] = _mean([row[column] for row in rows])
    bounds = gross_intervals(matrices)
    low, high = (
        {"record": name, "lead": ""} | {key: bounds[of][side] for key, of in _STATISTICS.items()}
        for side, name in enumerate((GROSS_LOW, GROSS_HIGH))
    )
    return [gross, low, high, mean]


def shown_total_rows(runs: Sequence[RecordRun]) -> list[Row]:
    """Return the rows of :func:`total_rows` for the eye: bounds that are NaN are no rows."""
    gross, low, high, average = total_rows(runs)
    known = any(np.isfinite(low[column]) for column in _STATISTICS)
    return [gross, low, high, average] if known else [gross, average]


def class_rows(runs: Sequence[RecordRun]) -> list[Row]:
    """Return per AAMI class how many beats there are and how many were found, pooled."""
    found = class_sensitivity(sum((_counts(run) for run in without_noise(runs)), _no_counts()))
    return [
        {
            "class": name,
            "meaning": CLASS_NAMES[name],
            "beats": ratio.denominator,
            "found": ratio.numerator,
            "missed": ratio.denominator - ratio.numerator,
            "sensitivity_pct": ratio.percent,
        }
        for name, ratio in found.items()
    ]


def timing_errors_ms(runs: Sequence[RecordRun]) -> FloatArray:
    """Return the pooled errors of all paired beats, ms, detection − annotation."""
    errors = [run.score.ec57.timing_error_s for run in without_noise(runs) if run.score]
    return np.asarray(1e3 * np.concatenate([np.empty(0), *errors]))


def timing_row(runs: Sequence[RecordRun]) -> Row:
    """Return the distribution of the timing errors in ms, and the share of them within 50 ms."""
    errors = timing_errors_ms(runs)
    row: Row = {"n": errors.size, "mean_ms": _mean(errors)}
    row["sd_ms"] = float(errors.std(ddof=1)) if errors.size > 1 else float("nan")
    for percentile in _TIMING_PERCENTILES:
        row[f"p{percentile}_ms"] = (
            float(np.percentile(errors, percentile)) if errors.size else float("nan")
        )
    row["within_50ms_pct"] = 100.0 * _mean(np.abs(errors) <= 50.0)
    return row


def stress_rows(runs: Sequence[RecordRun]) -> list[Row]:
    """Return gross statistics per ratio of signal to added noise, best first."""
    levels = sorted({run.snr_db for run in runs if np.isfinite(run.snr_db)}, reverse=True)
    rows = []
    for level in levels:
        mine = [run for run in runs if run.snr_db == level and run.score is not None]
        matrices = [_counts(run) for run in mine]
        rows.append(
            {"snr_db": level, "records": len(mine)} | _count_row(sum(matrices, _no_counts()))
        )
    return rows


def stress_record_rows(runs: Sequence[RecordRun]) -> list[Row]:
    """Return a row per record and ratio of signal to added noise."""
    return [{"snr_db": run.snr_db} | _record_row(run) for run in runs if np.isfinite(run.snr_db)]


def failure_rows(runs: Sequence[RecordRun]) -> list[Row]:
    """Return the records on which the detector failed, and why."""
    return [
        {"record": run.record, "snr_db": run.snr_db, "reason": run.failure}
        for run in runs
        if run.failure
    ]


def validation_summary(runs: Sequence[RecordRun], options: Options) -> Row:
    """Return everything as plain values that JSON can hold; undefined is None."""
    gross, low, high, average = total_rows(runs)
    summary: Row = plain(
        {
            "schema": SCHEMA,
            "palpate_version": __version__,
            "options": asdict(options),
            "n_records": len(without_noise(runs)),
            "gross": gross,
            "gross_95_pct_from": low,
            "gross_95_pct_to": high,
            "average": average,
            "classes": class_rows(runs),
            "timing": timing_row(runs),
            "records": record_rows(runs),
            "noise_stress": stress_rows(runs),
            "noise_stress_records": stress_record_rows(runs),
            "failures": failure_rows(runs),
        }
    )
    return summary


def _record_row(run: RecordRun) -> Row:
    row: Row = {"record": run.record, "lead": run.lead}
    if run.score is None:
        return row | {"failure": run.failure}
    ec57 = run.score.ec57
    return row | {
        **_count_row(ec57.counts),
        "f1_50ms_pct": run.score.strict_f1.percent,
        "rr_error_rms_ms": 1e3 * ec57.rr_error_rms_s,
        "timing_median_ms": _median(1e3 * ec57.timing_error_s),
        "runtime_ms": 1e3 * run.runtime_s,
    }


def _count_row(counts: IntArray) -> Row:
    statistics = gross_statistics([counts])
    found = statistics.qrs_sensitivity.numerator
    return {
        "beats": statistics.qrs_sensitivity.denominator,
        "found": found,
        "missed": statistics.qrs_sensitivity.denominator - found,
        "extra": statistics.qrs_positive_predictivity.denominator - found,
        **{column: getattr(statistics, name).percent for column, name in _STATISTICS.items()},
    }


def _pooled_rr_error_ms(runs: Sequence[RecordRun]) -> float:
    results = [run.score.ec57 for run in runs if run.score is not None and run.score.ec57.n_rr]
    total = sum(result.n_rr for result in results)
    squares = sum(result.n_rr * result.rr_error_rms_s**2 for result in results)
    return 1e3 * float(np.sqrt(squares / total)) if total else float("nan")


def _counts(run: RecordRun) -> IntArray:
    return _no_counts() if run.score is None else run.score.ec57.counts


def _no_counts() -> IntArray:
    return np.zeros((7, 7), dtype=np.intp)


def _mean(values: Any) -> float:
    array = np.asarray(values, dtype=np.float64)
    return float(np.nanmean(array)) if np.isfinite(array).any() else float("nan")


def _median(values: FloatArray) -> float:
    return float(np.median(values)) if values.size else float("nan")
