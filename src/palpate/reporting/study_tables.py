"""Tables of a study: rows of plain values for CSV and JSON; nothing is drawn."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from palpate import __version__
from palpate.reporting.values import plain
from palpate.study import Comparison, PooledErrors, SessionErrors, StudyResult
from palpate.study.ratios import Ratio

SCHEMA = 1
Row = dict[str, Any]


def session_row(one: SessionErrors) -> Row:
    """Return the figures of a condition in an activity of one session."""
    return {
        **asdict(one.condition),
        "activity": one.activity,
        "session": one.session,
        "wearer": one.wearer,
        **{name: value for name, value in asdict(one.errors).items() if name != "n_undefined"},
        "coverage": one.coverage,
        "mad_g": one.mad_g,
        "n_rises": one.rise_late_s.size,
        "n_rises_seen": int(np.isfinite(one.rise_late_s).sum()),
        **{_column(cause): n for cause, n in one.causes.items()},
    }


def pooled_row(one: PooledErrors) -> Row:
    """Return the figures of a condition in an activity over all of its sessions."""
    means = ("mae_bpm", "bias_bpm", "share_within", "coverage")
    return {
        **asdict(one.condition),
        "activity": one.activity,
        "n_sessions": len(one.sessions),
        "n_wearers": len(one.wearers),
        "n_windows": one.n_windows,
        **{
            f"{name}{part}": value
            for name in means
            for part, value in zip(("", "_low", "_high"), getattr(one, name), strict=True)
        },
        "mean_mae_bpm": float(one.session_mae_bpm.mean()),
        "loa_low_bpm": one.loa_low_bpm,
        "loa_high_bpm": one.loa_high_bpm,
        "median_r": one.median_r,
        "n_good_r": one.n_good_r,
        "mad_g": one.mad_g,
        "n_rises": one.rise_late_s.size,
        "n_rises_seen": one.n_rises_seen,
        **{_column(cause): n for cause, n in one.causes.items()},
    }


def comparison_row(one: Comparison) -> Row:
    """Return the figures of a comparison; of both conditions, each part in a column."""
    undefined = Ratio(*[float("nan")] * 4)
    return {
        **{f"first_{part}": text for part, text in asdict(one.first).items()},
        **{f"second_{part}": text for part, text in asdict(one.second).items()},
        "changed": one.changed,
        "activity": one.activity,
        "paired": one.paired,
        "n_first": one.n_first,
        "n_second": one.n_second,
        "first_mae_bpm": one.first_mae_bpm,
        "second_mae_bpm": one.second_mae_bpm,
        "wrist_too": one.wrist_too,
        **_ratio_columns("ratio", one.as_measured),
        **_ratio_columns("equal_motion_ratio", one.at_equal_motion or undefined),
        "motion_ratio": one.motion_ratio,
        "p": one.p,
        "verdict": one.verdict,
    }


def study_summary(result: StudyResult) -> Row:
    """Return a study's figures as plain values that JSON can hold; undefined is None."""
    found: Row = plain(
        {
            "schema": SCHEMA,
            "palpate_version": __version__,
            "sessions": result.sessions,
            "wearers": result.wearers,
            "pooled": [pooled_row(one) for one in result.pooled],
            "comparisons": [comparison_row(one) for one in result.comparisons],
        }
    )
    return found


def _ratio_columns(name: str, one: Ratio) -> Row:
    return {name: one.ratio, f"{name}_low": one.low, f"{name}_high": one.high}


def _column(cause: str) -> str:
    return f"n_{cause.replace(' ', '_')}"
