"""Read back what a session's report holds: the other half of ``report`` and ``tables``."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from palpate.evaluation.scoring import NO_ESTIMATE, OUTSIDE, UNTRUSTED, WITHIN
from palpate.reporting.folder import SESSION
from palpate.reporting.tables import SCHEMA
from palpate.signals import FloatArray, WindowTable
from palpate.study import Condition, SessionSource
from palpate.validation import InputError

_NUMBERS = ("reference_bpm", "estimate_bpm", "error_bpm", "tolerance_bpm", "motion_mad_g")
_WORDS = ("activity", "status", "cause")
_STATUSES = (WITHIN, OUTSIDE, UNTRUSTED, NO_ESTIMATE)


@dataclass(frozen=True, slots=True)
class _Report:
    folder: Path
    title: str
    wearer: str
    options: dict[str, Any]
    hashes: frozenset[str]
    n_windows: int
    sources: list[dict[str, Any]]

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
    titles = [report.title for report in reports]
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
    path = folder / SESSION
    if not path.is_file():
        inside = sorted(report.parent for report in folder.glob(f"*/{SESSION}"))
        remedy = (
            f"name the reports in it, such as {inside[0]}"
            if inside
            else "name a folder that palpate explain has written"
        )
        raise InputError(f"{folder} holds no {SESSION}; {remedy}")
    with _as_written(path):
        summary = json.loads(path.read_text(encoding="utf-8"))
        if summary["schema"] != SCHEMA:
            raise InputError(f"{path} is of another schema; run palpate explain again")
        return _Report(
            folder=folder,
            title=str(summary["title"]),
            wearer=str(summary["wearer"]),
            options=dict(summary["options"]),
            hashes=frozenset(file["sha256"] for file in summary["files"]),
            n_windows=int(summary["reference"]["n_windows"]),
            sources=list(summary["sources"]),
        )


@contextmanager
def _as_written(path: Path) -> Iterator[None]:
    """Say which file is not as ``palpate explain`` wrote it."""
    try:
        yield
    except InputError:
        raise
    except FileNotFoundError as fault:
        raise InputError(f"{path} is missing; run palpate explain again") from fault
    except KeyError as fault:
        raise InputError(
            f"{path} lacks {fault}, so another version of palpate wrote it, or it was changed; run "
            "palpate explain again"
        ) from fault
    except (IndexError, TypeError, AttributeError, ValueError) as fault:
        raise InputError(
            f"{path} is not as palpate explain wrote it ({type(fault).__name__}: {fault}); run "
            "palpate explain again"
        ) from fault


def _check_different_sessions(reports: Sequence[_Report]) -> None:
    seen: dict[frozenset[str], _Report] = {}
    for report in reports:
        twin = seen.setdefault(report.hashes, report)
        if report.hashes and twin is not report:
            raise InputError(
                f"{twin.place} and {report.place} hold the same recordings; a session counts once"
            )


def _check_same_options(reports: Sequence[_Report]) -> None:
    for report in reports[1:]:
        for name in ("window_s", "step_s", "absolute_bpm", "relative"):
            first, here = (r.options.get(name) for r in (reports[0], report))
            if first != here:
                raise InputError(
                    f"{report.place} was explained with {name} = {here}, {reports[0].place} with "
                    f"{first}; explain all sessions with the same options"
                )


def _sources(session: str, report: _Report) -> list[SessionSource]:
    path = report.folder / "windows.csv"
    with _as_written(path):
        tables = _tables(path)
    with _as_written(report.folder / SESSION):
        return [
            _source(session, report, about, _checked_table(path, tables, about, report.n_windows))
            for about in report.sources
        ]


def _source(
    session: str, report: _Report, about: dict[str, Any], windows: WindowTable
) -> SessionSource:
    rises = [
        event
        for event in about["events"]
        if event["kind"] == "rise" and event["seen_share"] is not None
    ]
    return SessionSource(
        session=session,
        wearer=report.wearer,
        condition=Condition(about["band"], about.get("firmware", ""), about["source"]),
        windows=windows,
        rise_activity=np.array([event["activity"] for event in rises], dtype=np.str_),
        rise_late_s=np.array([event["late_s"] for event in rises], dtype=np.float64),
        placement=about.get("placement", ""),
    )


def _checked_table(
    path: Path,
    tables: dict[tuple[str, str], WindowTable],
    about: dict[str, Any],
    n_windows: int,
) -> WindowTable:
    """Return the windows of one source, if all of them are there."""
    band, source = about["band"], about["source"]
    found = tables.get((band, source))
    if found is None or len(found) != n_windows:
        n = "no row" if found is None else f"{len(found)} of {n_windows} rows"
        raise InputError(
            f"{path} has {n} of {band}, {source}, which {SESSION} lists; run palpate explain again"
        )
    return found


def _tables(path: Path) -> dict[tuple[str, str], WindowTable]:
    """Return the windows of every band and source, with the columns that a study needs."""
    held: dict[tuple[str, str], list[dict[str, str]]] = {}
    with path.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            held.setdefault((row["band"], row["source"]), []).append(row)
    return {key: _table(rows) for key, rows in held.items()}


def _table(rows: Sequence[dict[str, str]]) -> WindowTable:
    words = {name: np.array([row[name] for row in rows]) for name in _WORDS}
    strange = set(words["status"].tolist()) - set(_STATUSES)
    if strange:
        raise ValueError(f"a window's status is {min(strange)!r}")
    words["cause"] = np.where(words["status"] == OUTSIDE, words["cause"], "")
    return WindowTable(
        _column(rows, "start_s"),
        _column(rows, "end_s"),
        {**{name: _column(rows, name) for name in _NUMBERS}, **words},
    )


def _column(rows: Sequence[dict[str, str]], name: str) -> FloatArray:
    """Return a column of numbers; an empty cell, and one that is not there, are NaN."""
    return np.array([float(row.get(name) or "nan") for row in rows])
