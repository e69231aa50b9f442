"""Write a report's folder: its page, its numbers, its tables and its figures, all or nothing."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from palpate.reporting.folder import filling
from palpate.reporting.style import save_figure, svg_bytes

PAGE = "report.html"


@dataclass(frozen=True, slots=True)
class Report:
    """Where the page lies, what it says, and every number of it."""

    page: Path
    findings: tuple[str, ...]
    summary: dict[str, Any]


def fill_report(
    folder: Path,
    *,
    mark: str,
    figures: Mapping[str, Figure],
    findings: Sequence[str],
    summary: Mapping[str, Any],
    tables: Callable[[Path], None],
    page: Callable[[Mapping[str, bytes]], str],
) -> Report:
    """Write ``report.html``, the JSON file ``mark``, the tables and ``figures/``.

    Everything is made in a temporary folder beside its place and then moved there, so
    that a fault leaves what was there before.

    Parameters
    ----------
    folder
        Where to write.
    mark
        The JSON file's name, one of `palpate.reporting.folder.WRITERS`.
    figures
        By the name of their files.
    findings, summary
        What the JSON file holds.
    tables
        Writes the tables into the folder it is given.
    page
        Returns the page's HTML, given every figure as SVG by its name.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    with filling(folder, mark=mark) as draft:
        pictures = {name: svg_bytes(figure) for name, figure in figures.items()}
        for name, figure in figures.items():
            save_figure(figure, draft / "figures", name, pictures[name])
        tables(draft)
        text = json.dumps({**summary, "findings": list(findings)}, indent=2, allow_nan=False)
        (draft / mark).write_text(text + "\n", encoding="utf-8")
        (draft / PAGE).write_text(page(pictures), encoding="utf-8")
    return Report(folder / PAGE, tuple(findings), dict(summary))
