"""`palpate study`: what many explained sessions tell together."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from palpate.cli import Console

HELP = "pool the reports of many sessions: how far to trust each band, and what a firmware changed"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument(
        "reports",
        type=Path,
        nargs="+",
        metavar="REPORT",
        help="folders that palpate explain has written, the oldest session first",
    )
    parser.add_argument(
        "-o", "--output", type=Path, required=True, help="folder for the page and its tables"
    )
    parser.add_argument("--title", default="Study", help="title of the page")


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Read the reports, pool and compare, write the page."""
    from palpate.reporting.folder import STUDY, check_output
    from palpate.reporting.report_folder import read_reports
    from palpate.reporting.study_report import write_study
    from palpate.study import study_sessions

    check_output(arguments.output, mark=STUDY)
    result = study_sessions(read_reports(arguments.reports))
    report = write_study(result, arguments.output, title=arguments.title)
    for line in report.findings:
        console.say(line)
    console.say(str(report.page))
    console.result(report.summary)
    return 0
