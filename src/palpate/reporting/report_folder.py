"""Read back what a session's report holds: the other half of ``report`` and ``tables``."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from palpate.evaluation.scoring import OUTSIDE
from palpate.reporting.tables import SCHEMA
from palpate.signals import FloatArray, WindowTable
from palpate.study import Condition, SessionSource
from palpate.validation import InputError

_NUMBERS = ("reference_bpm", "estimate_bpm", "error_bpm", "tolerance_bpm", "motion_mad_g")
_WORDS = ("activity", "status", "cause")


@dataclass(frozen=True, slots=True)
class _Report:
    folder: Path
    summary: dict[str, Any]

    @property
    def place(self) -> str:
        return str(self.folder)


def read_reports(folders: Sequence[Path]) -> tuple[SessionSource, ...]:
    """Read the sources of every session from folders that ``palpate explain`` has written.

    A session's name is its title; the folder's name is added where titles repeat.

    Raises
    ------
    InputError
        If a folder holds no such report, two hold the same recordings, or their windows or
        tolerance differ.
    """
    reports = [_report(folder) for folder in folders]
    _check_different_sessions(reports)
    _check_same_options(reports)
    titles = [report.summary["title"] for report in reports]
    names = [
        title if titles.count(title) == 1 else f"{title} ({report.folder.resolve().name})"
        for title, report in zip(titles, reports, strict=True)
    ]
    return tuple(
        source
        for name, report in zip(names, reports, strict=True)
        for source in _sources(name, report)
    )


def _report(folder: Path) -> _Report:
    path = folder / "summary.json"
    if not path.is_file():
        raise InputError(
            f"{folder} holds no summary.json; name a folder that palpate explain has written"
        )
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
    except ValueError as fault:
        raise InputError(f"{path} is not JSON ({fault}); run palpate explain again") from fault
    if not isinstance(summary, dict) or summary.get("schema") != SCHEMA:
        raise InputError(f"{path} is of another schema; run palpate explain again")
    return _Report(folder, summary)


def _check_different_sessions(reports: Sequence[_Report]) -> None:
    seen: dict[frozenset[str], _Report] = {}
    for report in reports:
        hashes = frozenset(file["sha256"] for file in report.summary["files"])
        twin = seen.setdefault(hashes, report)
        if hashes and twin is not report:
            raise InputError(
                f"{twin.place} and {report.place} hold the same recordings; a session counts once"
            )


def _check_same_options(reports: Sequence[_Report]) -> None:
    for report in reports[1:]:
        for name in ("window_s", "step_s", "absolute_bpm", "relative"):
            first, here = (r.summary["options"][name] for r in (reports[0], report))
            if first != here:
                raise InputError(
                    f"{report.place} was explained with {name} = {here:g}, {reports[0].place} with "
                    f"{first:g}; explain all sessions with the same options"
                )


def _sources(session: str, report: _Report) -> list[SessionSource]:
    tables = _tables(report.folder / "windows.csv")
    found = []
    for about in report.summary["sources"]:
        band, source = about["band"], about["source"]
        if (band, source) not in tables:
            raise InputError(
                f"{report.folder / 'windows.csv'} has no row of {band}, {source}, which "
                "summary.json lists; run palpate explain again"
            )
        rises = [event for event in about["events"] if event["kind"] == "rise"]
        found.append(
            SessionSource(
                session=session,
                wearer=report.summary["wearer"],
                condition=Condition(band, about.get("firmware", ""), source),
                windows=tables[band, source],
                rise_s=np.array([event["middle_s"] for event in rises], dtype=np.float64),
                rise_late_s=np.array([event["late_s"] for event in rises], dtype=np.float64),
            )
        )
    return found


def _tables(path: Path) -> dict[tuple[str, str], WindowTable]:
    """Return the windows of every band and source, with the columns that a study needs."""
    held: dict[tuple[str, str], list[dict[str, str]]] = {}
    try:
        with path.open(newline="", encoding="utf-8") as file:
            for row in csv.DictReader(file):
                held.setdefault((row["band"], row["source"]), []).append(row)
        return {key: _table(rows) for key, rows in held.items()}
    except FileNotFoundError as fault:
        raise InputError(f"{path} is missing; run palpate explain again") from fault
    except (KeyError, ValueError) as fault:
        raise InputError(f"{path} is damaged ({fault}); run palpate explain again") from fault


def _table(rows: Sequence[dict[str, str]]) -> WindowTable:
    words = {name: np.array([row[name] for row in rows]) for name in _WORDS}
    words["cause"] = np.where(words["status"] == OUTSIDE, words["cause"], "")
    return WindowTable(
        _column(rows, "start_s"),
        _column(rows, "end_s"),
        {**{name: _column(rows, name) for name in _NUMBERS}, **words},
    )


def _column(rows: Sequence[dict[str, str]], name: str) -> FloatArray:
    """Return a column of numbers; an empty cell, and one that is not there, are NaN."""
    return np.array([float(row.get(name) or "nan") for row in rows])
