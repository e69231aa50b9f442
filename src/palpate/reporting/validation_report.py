"""Write a detector's validation: one page, its tables and its figures."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from matplotlib.figure import Figure

from palpate.detector_validation import Options, RecordRun
from palpate.reporting.folder import VALIDATION, filling
from palpate.reporting.style import save_figure, svg_bytes
from palpate.reporting.tables import write_csv
from palpate.reporting.text_tables import latex_table, markdown_table
from palpate.reporting.validation_columns import (
    CLASS_COLUMNS,
    RECORD_COLUMNS,
    STRESS_COLUMNS,
)
from palpate.reporting.validation_figures import (
    errors_figure,
    excerpt_figure,
    gallery_excerpts,
    stress_figure,
    timing_figure,
)
from palpate.reporting.validation_page import validation_findings, validation_page
from palpate.reporting.validation_tables import (
    Row,
    class_rows,
    record_rows,
    stress_record_rows,
    stress_rows,
    timing_errors_ms,
    total_rows,
    validation_summary,
    without_noise,
)


@dataclass(frozen=True, slots=True)
class ValidationReport:
    """Where the page lies, what it says, and every number of it."""

    page: Path
    findings: tuple[str, ...]
    summary: Row


def write_validation(
    runs: Sequence[RecordRun], options: Options, output: Path, *, folder_name: str
) -> ValidationReport:
    """Write ``report.html``, CSV, JSON, Markdown and LaTeX tables and ``figures/``.

    Everything is made in a temporary folder first and then moved to its place, so that a
    fault leaves what was there before.

    Raises
    ------
    InputError
        If ``output`` cannot be written.
    """
    drawn = validation_figures(runs)
    told = validation_findings(runs, options)
    summary = validation_summary(runs, options)
    pictures = {name: svg_bytes(figure) for name, figure in drawn.items()}
    page = validation_page(runs, options, told, pictures, folder_name=folder_name)
    with filling(output, mark=VALIDATION) as draft:
        for name, figure in drawn.items():
            save_figure(figure, draft / "figures", name, pictures[name])
        _write_tables(runs, options, draft)
        numbers = json.dumps({**summary, "findings": told}, indent=2, allow_nan=False)
        (draft / VALIDATION).write_text(numbers + "\n", encoding="utf-8")
        (draft / "report.html").write_text(page, encoding="utf-8")
    return ValidationReport(output / "report.html", tuple(told), summary)


def validation_figures(runs: Sequence[RecordRun]) -> dict[str, Figure]:
    """Draw every figure, by the name it is saved under."""
    drawn: dict[str, Figure] = {}
    if without_noise(runs):
        drawn["errors"] = errors_figure(record_rows(runs))
        drawn["timing"] = timing_figure(timing_errors_ms(runs))
    for place, excerpt in enumerate(gallery_excerpts(runs), start=1):
        name = f"worst_{place}_{excerpt.record}_{excerpt.stretch.start_s:.0f}s"
        drawn[name] = excerpt_figure(excerpt)
    stress = stress_rows(runs)
    if stress:
        drawn["noise_stress"] = stress_figure(stress)
    return drawn


def _write_tables(runs: Sequence[RecordRun], options: Options, draft: Path) -> None:
    every_record = [*record_rows(runs), *total_rows(runs)]
    tables = {
        "records": (every_record, RECORD_COLUMNS, "Beat-by-beat comparison, ANSI/AAMI EC57"),
        "classes": (class_rows(runs), CLASS_COLUMNS, "Sensitivity by beat class"),
        "noise_stress": (stress_rows(runs), STRESS_COLUMNS, "Noise stress, gross statistics"),
    }
    present = {name: table for name, table in tables.items() if table[0]}
    for name, (rows, _, _) in present.items():
        write_csv(draft / f"{name}.csv", iter(rows))
    by_record = stress_record_rows(runs)
    if by_record:
        write_csv(draft / "noise_stress_records.csv", iter(by_record))
    markdown, latex = [], []
    for rows, columns, caption in present.values():
        titled = f"{caption}: {options.detector}"
        markdown.append(f"## {titled}\n\n{markdown_table(rows, columns)}")
        latex.append(latex_table(rows, columns, caption=titled))
    (draft / "tables.md").write_text("\n".join(markdown), encoding="utf-8")
    (draft / "tables.tex").write_text("\n".join(latex), encoding="utf-8")
