"""Write a detector's validation: one page, its tables and its figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from matplotlib.figure import Figure

from palpate import __version__
from palpate.detector_validation import Options, RecordRun
from palpate.evaluation.ec57_statistics import FEWEST_RECORDS
from palpate.reporting.folder import VALIDATION
from palpate.reporting.page import CAUTIONS, environment
from palpate.reporting.report import Report, fill_report
from palpate.reporting.style import data_uri
from palpate.reporting.text_tables import grid_of, write_text_tables
from palpate.reporting.validation_columns import (
    CLASS_COLUMNS,
    RECORD_COLUMNS,
    STRESS_COLUMNS,
    TOTAL_COLUMNS,
)
from palpate.reporting.validation_figures import (
    errors_figure,
    excerpt_figure,
    gallery_excerpts,
    stress_figure,
    timing_figure,
)
from palpate.reporting.validation_tables import (
    class_rows,
    failure_rows,
    record_rows,
    shown_total_rows,
    stress_record_rows,
    stress_rows,
    timing_errors_ms,
    timing_row,
    total_rows,
    validation_summary,
    without_noise,
)
from palpate.reporting.validation_text import validation_findings
from palpate.reporting.values import write_csv


def write_validation(
    runs: Sequence[RecordRun], options: Options, output: Path, *, folder_name: str
) -> Report:
    """Write ``report.html``, CSV, JSON, Markdown and LaTeX tables and ``figures/``.

    Raises
    ------
    InputError
        If ``output`` cannot be written; what was there stays.
    """
    told = validation_findings(runs, options)
    return fill_report(
        output,
        mark=VALIDATION,
        figures=validation_figures(runs),
        findings=told,
        summary=validation_summary(runs, options),
        tables=lambda draft: _write_tables(runs, options, draft),
        page=lambda pictures: validation_page(
            runs, options, told, pictures, folder_name=folder_name
        ),
    )


def validation_page(
    runs: Sequence[RecordRun],
    options: Options,
    told: Sequence[str],
    pictures: Mapping[str, bytes],
    *,
    folder_name: str,
) -> str:
    """Return the page as self-contained HTML: every figure is inside it."""
    uris = {name: data_uri(svg) for name, svg in pictures.items()}
    return (
        environment()
        .get_template("validation.html")
        .render(
            title=f"{options.detector} on {folder_name}",
            findings=told,
            totals=grid_of(shown_total_rows(runs), TOTAL_COLUMNS),
            records=grid_of(record_rows(runs), RECORD_COLUMNS),
            classes=grid_of(class_rows(runs), CLASS_COLUMNS),
            stress=grid_of(stress_rows(runs), STRESS_COLUMNS),
            failures=failure_rows(runs),
            figures=uris,
            gallery=[uris[name] for name in sorted(uris) if name.startswith("worst_")],
            options=options,
            enough_records=len(without_noise(runs)) >= FEWEST_RECORDS,
            fewest_records=FEWEST_RECORDS,
            caution=CAUTIONS[0],
            version=__version__,
        )
    )


def validation_figures(runs: Sequence[RecordRun]) -> dict[str, Figure]:
    """Draw every figure, by the name it is saved under."""
    drawn: dict[str, Figure] = {}
    if without_noise(runs):
        drawn["errors"] = errors_figure(record_rows(runs))
        drawn["timing"] = timing_figure(
            timing_errors_ms(runs), median_ms=timing_row(runs)["p50_ms"]
        )
    for place, excerpt in enumerate(gallery_excerpts(runs), start=1):
        name = f"worst_{place}_{excerpt.record}_{excerpt.stretch.start_s:.0f}s"
        drawn[name] = excerpt_figure(excerpt)
    stress = stress_rows(runs)
    if stress:
        drawn["noise_stress"] = stress_figure(stress)
    return drawn


def _write_tables(runs: Sequence[RecordRun], options: Options, draft: Path) -> None:
    records, classes, stress = record_rows(runs), class_rows(runs), stress_rows(runs)
    files = {
        "records": [*records, *total_rows(runs)],
        "classes": classes,
        "noise_stress": stress,
        "noise_stress_records": stress_record_rows(runs),
    }
    for name, rows in files.items():
        if rows:
            write_csv(draft / f"{name}.csv", rows)
    shown = {
        "Beat-by-beat comparison, ANSI/AAMI EC57": (
            [*records, *shown_total_rows(runs)],
            RECORD_COLUMNS,
        ),
        "Sensitivity by beat class": (classes, CLASS_COLUMNS),
        "Noise stress, gross statistics": (stress, STRESS_COLUMNS),
    }
    write_text_tables(
        draft,
        {f"{caption}: {options.detector}": table for caption, table in shown.items() if table[0]},
    )
