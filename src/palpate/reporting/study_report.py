"""Write a study: one page, its tables and its figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from palpate import __version__
from palpate.evaluation.scoring import ALL
from palpate.reporting.findings import CARE_FROM, TRUST_FROM, capital, grade_of
from palpate.reporting.folder import STUDY
from palpate.reporting.glance import Glance, GlanceCell, glance_of
from palpate.reporting.page import CAUTIONS, environment
from palpate.reporting.report import Report, fill_report
from palpate.reporting.study_figures import study_figures
from palpate.reporting.study_tables import comparison_row, pooled_row, session_row, study_summary
from palpate.reporting.study_text import (
    COMPARISON_COLUMNS,
    LIMITS,
    StudyFindings,
    comparison_rows,
    pooled_columns,
    pooled_rows,
    study_findings,
)
from palpate.reporting.style import data_uri
from palpate.reporting.text_tables import Column, grid_of, write_text_tables
from palpate.reporting.values import write_csv
from palpate.study import FEWEST_SESSIONS, StudyResult
from palpate.study.pooling import activities_of
from palpate.study.sessions import FEWEST_WINDOWS

_CHANGES = {
    "firmware": "One firmware against another",
    "band": "One band against another, in the same sessions",
    "source": "One source against another, on the same wrist",
}


def write_study(result: StudyResult, folder: Path, *, title: str) -> Report:
    """Write ``report.html``, CSV, JSON, Markdown and LaTeX tables and ``figures/``.

    Raises
    ------
    InputError
        If the folder cannot be written; what was there stays.
    """
    result = _bands_together(result)
    told = study_findings(result)

    def tables(draft: Path) -> None:
        write_csv(draft / "sessions.csv", map(session_row, result.errors))
        write_csv(draft / "pooled.csv", map(pooled_row, result.pooled))
        write_csv(draft / "comparisons.csv", map(comparison_row, result.comparisons))
        write_text_tables(draft, dict(_tables(result)))

    return fill_report(
        folder,
        mark=STUDY,
        figures=study_figures(result),
        findings=told.lines(),
        summary=study_summary(result),
        tables=tables,
        page=lambda pictures: study_page(result, told, pictures, title=title),
    )


def _bands_together(result: StudyResult) -> StudyResult:
    """Put what is pooled in order of the bands, a band's firmwares next to each other."""
    bands = list(dict.fromkeys(one.condition.band for one in result.pooled))
    pooled = sorted(result.pooled, key=lambda one: bands.index(one.condition.band))
    return replace(result, pooled=tuple(pooled))


def study_page(
    result: StudyResult,
    told: StudyFindings,
    pictures: Mapping[str, bytes],
    *,
    title: str,
) -> str:
    """Return the page as self-contained HTML: every figure is inside it."""
    return (
        environment()
        .get_template("study.html")
        .render(
            title=title,
            result=result,
            findings=told,
            glance=_glance(result),
            limits=LIMITS,
            figures={name: data_uri(svg) for name, svg in pictures.items()},
            activities=[(name, grid_of(*table)) for name, table in _activity_tables(result)],
            comparisons=[(name, grid_of(*table)) for name, table in _comparison_tables(result)],
            fewest_windows=FEWEST_WINDOWS,
            fewest_sessions=FEWEST_SESSIONS,
            grades={"trust": TRUST_FROM, "care": CARE_FROM},
            cautions=CAUTIONS,
            version=__version__,
        )
    )


def _glance(result: StudyResult) -> Glance:
    """Arrange what the findings grade: every condition in every activity."""
    cells = {
        (one.condition.name, one.activity): GlanceCell(
            grade_of(one.share_within.mean, one.coverage.mean) if one.enough else "few",
            one.share_within.mean,
            one.mae_bpm.mean,
        )
        for one in result.pooled
    }
    return glance_of(activities_of(result.pooled), cells)


_Table = tuple[list[dict[str, Any]], tuple[Column, ...]]


def _tables(result: StudyResult) -> list[tuple[str, _Table]]:
    return [*_activity_tables(result), *_comparison_tables(result)]


def _activity_tables(result: StudyResult) -> list[tuple[str, _Table]]:
    tables = []
    for activity in activities_of(result.pooled):
        rows = pooled_rows([one for one in result.pooled if one.activity == activity])
        title = "The whole session" if activity == ALL else capital(activity)
        tables.append((title, (rows, pooled_columns())))
    return tables


def _comparison_tables(result: StudyResult) -> list[tuple[str, _Table]]:
    tables: list[tuple[str, _Table]] = []
    for changed, title in _CHANGES.items():
        held = [one for one in result.comparisons if one.changed == changed]
        if held:
            tables.append((title, (comparison_rows(held), COMPARISON_COLUMNS)))
    return tables
