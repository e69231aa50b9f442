"""Write a session's report: one page, its tables and its figures, all or nothing."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from palpate.reporting.figures import session_figures
from palpate.reporting.findings import findings
from palpate.reporting.folder import SESSION, filling
from palpate.reporting.page import session_page
from palpate.reporting.style import save_figure, svg_bytes
from palpate.reporting.tables import reference_rows, summary, window_rows, write_csv
from palpate.results import SessionResult


@dataclass(frozen=True, slots=True)
class Report:
    """Where the page lies, and what it says."""

    page: Path
    findings: tuple[str, ...]
    summary: dict[str, Any]


def write_report(result: SessionResult, folder: Path) -> Report:
    """Write ``report.html``, ``windows.csv``, ``reference.csv``, ``summary.json``, ``figures/``.

    Everything is made in a temporary folder beside its place and then moved there, so
    that a fault leaves what was there before.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    told, numbers, drawn = findings(result), summary(result), session_figures(result)
    lines = told.lines()
    with filling(folder, mark=SESSION) as draft:
        pictures = {}
        for name, figure in drawn.items():
            pictures[name] = svg_bytes(figure)
            save_figure(figure, draft / "figures", name, pictures[name])
        write_csv(draft / "windows.csv", window_rows(result))
        write_csv(draft / "reference.csv", reference_rows(result))
        text = json.dumps({**numbers, "findings": lines}, indent=2, allow_nan=False)
        (draft / SESSION).write_text(text + "\n", encoding="utf-8")
        page = session_page(result, told, pictures)
        (draft / "report.html").write_text(page, encoding="utf-8")
    return Report(folder / "report.html", tuple(lines), numbers)
