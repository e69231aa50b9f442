"""Tables of a session: rows of plain values for CSV, JSON and the page; nothing is drawn."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, fields
from typing import Any

import numpy as np

from palpate import __version__
from palpate.conditioning import runs
from palpate.io import StoredTable
from palpate.reporting.source_numbers import (
    activity_at,
    causes_by_activity,
    doubt_auc,
    outside_by_flag,
    rises_by_activity,
    within_interval,
)
from palpate.reporting.values import plain
from palpate.results import BandResult, SessionResult, SourceResult
from palpate.signals import WindowTable

SCHEMA = 1
MOST_STRETCHES = 40


def window_rows(result: SessionResult) -> Iterator[dict[str, Any]]:
    """Yield one row per band, source and window, with all that is known of it."""
    for band in result.bands:
        for source in band.sources:
            names = {"band": band.recording.name, "source": source.source}
            table = source_windows(result.windows, band, source)
            for index, row in enumerate(_rows(table)):
                yield {**names, **row, "why": source.causes.sentence(index)}


def reference_rows(result: SessionResult) -> Iterator[dict[str, Any]]:
    """Yield one row per window of the beat reference."""
    return _rows(result.windows)


def source_windows(reference: WindowTable, band: BandResult, source: SourceResult) -> WindowTable:
    """Return all that is known of a source's windows in one table."""
    return source.windows.with_columns(
        cause=source.causes.windows["cause"],
        cause_score=source.causes.windows["cause_score"],
        reference_reason=reference["reason"],
        **{f"motion_{name}": column for name, column in band.motion.columns.items()},
        **{f"light_{name}": column for name, column in band.light.columns.items()},
        **band.oracle.columns,
    )


def stored_tables(result: SessionResult) -> dict[str, StoredTable]:
    """Return the windows of the reference and of every source as tables of a store."""
    tables = {"reference": result.windows}
    for band in result.bands:
        for source in band.sources:
            tables[source.name] = source_windows(result.windows, band, source)
    options = plain(asdict(result.options))
    return {name: StoredTable(table, options) for name, table in tables.items()}


def _rows(table: WindowTable) -> Iterator[dict[str, Any]]:
    columns = {"start_s": table.start_s, "end_s": table.end_s, **table.columns}
    for values in zip(*(column.tolist() for column in columns.values()), strict=True):
        yield dict(zip(columns, values, strict=True))


def summary(result: SessionResult) -> dict[str, Any]:
    """Return the session's figures as plain values that JSON can hold; undefined is None."""
    windows = result.windows
    found: dict[str, Any] = plain(
        {
            "schema": SCHEMA,
            "palpate_version": __version__,
            "title": result.session.title,
            "wearer": result.session.wearer,
            "options": asdict(result.options),
            "reference": {
                "recording": result.reference_recording.name,
                "n_beats": len(result.reference.beats),
                "n_windows": len(windows),
                "n_trusted": int(windows["trusted"].sum()),
                "untrusted_reasons": untrusted_reasons(windows),
            },
            "sources": [
                _source_summary(source, band, result)
                for band in result.bands
                for source in band.sources
            ],
            "files": source_files(result),
        }
    )
    return found


def cause_rows(source: SourceResult) -> list[dict[str, Any]]:
    """Return the causes of a source's errors, most frequent first, each with its best example."""
    table = source.causes.windows
    outside = sum(source.causes.counts().values())
    rows = []
    for name, count in sorted(source.causes.counts().items(), key=lambda item: -item[1]):
        if count:
            mine = np.flatnonzero(table["cause"] == name)
            example = int(mine[np.argmax(np.nan_to_num(table["cause_score"][mine]))])
            rows.append(
                {
                    "cause": name,
                    "n": count,
                    "share": count / outside,
                    "at_s": float(table.start_s[example]),
                    "example": source.causes.sentence(example),
                }
            )
    return rows


def untrusted_reasons(windows: WindowTable) -> dict[str, int]:
    """Count the windows without a trusted reference by reason, most frequent first."""
    reasons = windows["reason"][~windows["trusted"].astype(bool)].tolist()
    return dict(Counter(reasons).most_common())


def untrusted_stretches(
    windows: WindowTable, *, most: int = MOST_STRETCHES
) -> list[dict[str, Any]]:
    """Return the longest stretches without a trusted reference, in order of time.

    Each with its commonest reason, the detector that differs most there and by how much
    (median), and the most deflections in one window that look like a beat but are not.
    """
    rows = []
    for first, last in zip(*runs(~windows["trusted"].astype(bool)), strict=True):
        inside = slice(first, last)
        dissenters = [name for name in windows["dissenter"][inside].tolist() if name]
        apart_bpm = np.abs(windows["disagreement_bpm"][inside])
        apart_bpm = apart_bpm[np.isfinite(apart_bpm)]
        rows.append(
            {
                "start_s": float(windows.start_s[first]),
                "end_s": float(windows.end_s[last - 1]),
                "reason": Counter(windows["reason"][inside].tolist()).most_common(1)[0][0],
                "dissenter": Counter(dissenters).most_common(1)[0][0] if dissenters else "",
                "disagreement_bpm": float(np.median(apart_bpm)) if apart_bpm.size else math.nan,
                "n_rivals": int(windows["n_rivals"][inside].max()),
            }
        )
    longest = sorted(rows, key=lambda row: row["start_s"] - row["end_s"])[:most]
    return sorted(longest, key=lambda row: row["start_s"])


def source_files(result: SessionResult) -> list[dict[str, str]]:
    """List every file the session was read from, with its SHA-256."""
    return [
        {"recording": recording.name, "file": source.name, "sha256": source.sha256}
        for recording in result.session.recordings
        for source in recording.sources
    ]


def _source_summary(
    source: SourceResult, band: BandResult, result: SessionResult
) -> dict[str, Any]:
    dose, recording = source.dose, band.recording
    return {
        "band": source.band,
        "device": recording.device,
        "firmware": recording.firmware,
        "placement": recording.placement,
        "vibration": band.vibration,
        "notes": band.notes,
        "source": source.source,
        "activities": [
            {
                "activity": row.activity,
                "n_windows": row.n_windows,
                "n_untrusted": row.n_untrusted,
                "n_no_estimate": row.n_no_estimate,
                "coverage": row.coverage,
                **{f.name: getattr(row.errors, f.name) for f in fields(row.errors)},
                "share_within_interval": within_interval(source, row.activity),
            }
            for row in source.by_activity
        ],
        "events": [
            {
                **asdict(response.event),
                "activity": activity_at(result.session.activities, response.event.middle_s),
                "height_bpm": response.event.height_bpm,
                "detected": response.detected,
                "seen_share": response.seen_share,
                "late_s": response.late_s,
            }
            for response in source.events
        ],
        "rises": rises_by_activity(source, result.session.activities),
        "motion_flags": outside_by_flag(source, band),
        "causes": source.causes.counts(),
        "causes_by_activity": causes_by_activity(source),
        "doubt_auc": doubt_auc(source),
        "oracle_split": None if source.split is None else asdict(source.split),
        "error_budget": None if source.budget is None else asdict(source.budget),
        "error_variance": None if source.variance is None else asdict(source.variance),
        "motion": None
        if dose is None
        else {
            "tolerance_bpm": dose.tolerance_bpm,
            "leaves_tolerance_at_mad_g": dose.limit,
            "leaves_tolerance_low_g": dose.limit_low,
            "leaves_tolerance_high_g": dose.limit_high,
            "excess": [asdict(excess) for excess in dose.excess],
        },
    }
