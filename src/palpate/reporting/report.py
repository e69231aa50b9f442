"""Write a session's report: one page, its tables and its figures, all or nothing."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from palpate.reporting.figures import session_figures
from palpate.reporting.findings import findings
from palpate.reporting.page import session_page
from palpate.reporting.style import save_figure, svg_bytes
from palpate.reporting.tables import reference_rows, summary, window_rows, write_csv
from palpate.results import SessionResult
from palpate.validation import InputError


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
    check_output(folder)
    told, numbers, drawn = findings(result), summary(result), session_figures(result)
    pictures = {name: svg_bytes(figure) for name, figure in drawn.items()}
    page = session_page(result, told, pictures)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=folder) as made:
            draft = Path(made)
            (draft / "figures").mkdir()
            for name, figure in drawn.items():
                save_figure(figure, draft / "figures", name, pictures[name])
            write_csv(draft / "windows.csv", window_rows(result))
            write_csv(draft / "reference.csv", reference_rows(result))
            text = json.dumps({**numbers, "findings": told}, indent=2, allow_nan=False)
            (draft / "summary.json").write_text(text + "\n", encoding="utf-8")
            (draft / "report.html").write_text(page, encoding="utf-8")
            _move_all(draft, folder)
    except OSError as fault:
        raise InputError(
            f"cannot write the report into {folder}: {fault.strerror or fault}; choose another "
            "folder with -o or make room"
        ) from fault
    return Report(folder / "report.html", tuple(told), numbers)


def check_output(folder: Path) -> None:
    """Refuse a place that cannot become a folder, before any work is done for it."""
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file; name a folder for the report with -o")
    nearest = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    if not nearest.is_dir() or not os.access(nearest, os.W_OK | os.X_OK):
        raise InputError(f"{nearest} cannot be written to, so the report needs another folder: -o")


def _move_all(draft: Path, folder: Path) -> None:
    shutil.rmtree(folder / "figures", ignore_errors=True)
    for item in sorted(draft.iterdir(), key=lambda path: path.name == "report.html"):
        item.replace(folder / item.name)
