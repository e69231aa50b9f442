"""Write a session's report: one page, its tables and its figures."""

from __future__ import annotations

from pathlib import Path

from palpate.reporting.figures import session_figures
from palpate.reporting.findings import findings
from palpate.reporting.folder import SESSION
from palpate.reporting.page import session_page
from palpate.reporting.report import Report, fill_report
from palpate.reporting.tables import reference_rows, summary, window_rows
from palpate.reporting.values import write_csv
from palpate.results import SessionResult


def write_report(result: SessionResult, folder: Path) -> Report:
    """Write ``report.html``, ``windows.csv``, ``reference.csv``, ``summary.json``, ``figures/``.

    Raises
    ------
    InputError
        If the folder cannot be written; what was there stays.
    """
    told = findings(result)

    def tables(draft: Path) -> None:
        write_csv(draft / "windows.csv", window_rows(result))
        write_csv(draft / "reference.csv", reference_rows(result))

    return fill_report(
        folder,
        mark=SESSION,
        figures=session_figures(result),
        findings=told.lines(),
        summary=summary(result),
        tables=tables,
        page=lambda pictures: session_page(result, told, pictures),
    )
