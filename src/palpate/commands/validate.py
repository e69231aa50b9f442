"""`palpate validate`: any beat detector on any annotated WFDB records, by the EC57 protocol."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from palpate.commands.arguments import between, count, names, not_negative, numbers, seed

if TYPE_CHECKING:
    from palpate.cli import Console

HELP = "score a beat detector on annotated ECG records (ANSI/AAMI EC57), with or without noise"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("folder", type=Path, help="folder of annotated WFDB records")
    parser.add_argument(
        "--detector",
        default="palpate",
        metavar="NAME",
        help="palpate (default), one of its methods, neurokit:NAME, or module:function, which is "
        "called as function(ecg, fs_hz) and returns sample numbers",
    )
    parser.add_argument("-o", "--output", type=Path, help="folder for the page and its tables")
    parser.add_argument(
        "--lead", default="0", metavar="N", help="signal to use: 0 (default), 1, ... or all"
    )
    parser.add_argument(
        "--records", type=names, default=(), metavar="A[,B...]", help="only these records"
    )
    parser.add_argument(
        "--annotator", default="atr", metavar="EXT", help="reference annotations (default: atr)"
    )
    parser.add_argument(
        "--workers", type=count, default=1, metavar="N", help="records at a time (default: 1)"
    )
    parser.add_argument(
        "--noise",
        default="",
        metavar="RECORD",
        help="noise stress: a WFDB record of noise (path without extension), or "
        "generated:electrode, generated:muscle, generated:baseline",
    )
    parser.add_argument(
        "--snr",
        type=numbers,
        metavar="DB[,DB...]",
        help="signal-to-noise ratios in dB (default: 24,18,12,6,0,-6)",
    )
    parser.add_argument("--seed", type=seed, default=0, metavar="N", help="of generated noise")
    parser.add_argument(
        "--learning",
        type=not_negative,
        default=300.0,
        metavar="S",
        help="unscored start, s (EC57: 300)",
    )
    parser.add_argument(
        "--match-window",
        type=between(0.001, 2.0),
        default=0.15,
        metavar="S",
        help="in s (EC57: 0.15)",
    )


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Run the detector over the records, say what came out, write the report if asked to."""
    from palpate.detector_validation import Options, records_to_run, validate_detector
    from palpate.reporting.folder import VALIDATION, check_output
    from palpate.reporting.text_tables import markdown_table
    from palpate.reporting.validation_columns import RECORD_COLUMNS, STRESS_COLUMNS
    from palpate.reporting.validation_tables import (
        record_rows,
        shown_total_rows,
        stress_rows,
        validation_summary,
    )
    from palpate.reporting.validation_text import validation_findings
    from palpate.validation import InputError

    if arguments.snr is not None and not arguments.noise:
        raise InputError("--snr is the ratio to a noise; name the noise with --noise")
    if arguments.output is not None:
        check_output(arguments.output, mark=VALIDATION)
    options = Options(
        detector=arguments.detector,
        lead=arguments.lead,
        annotator=arguments.annotator,
        learning_s=arguments.learning,
        window_s=arguments.match_window,
        noise=arguments.noise,
        seed=arguments.seed,
    )
    if arguments.snr is not None:
        options = replace(options, snr_db=arguments.snr)
    records = records_to_run(arguments.folder, options, arguments.records)
    total = len(records) * (1 + (len(options.snr_db) if options.noise else 0))
    steps = validate_detector(arguments.folder, options, records=records, workers=arguments.workers)
    runs = list(console.progress(steps, total, "records"))
    console.say(markdown_table([*record_rows(runs), *shown_total_rows(runs)], RECORD_COLUMNS))
    if options.noise:
        console.say(markdown_table(stress_rows(runs), STRESS_COLUMNS))
    for line in validation_findings(runs, options):
        console.say(line)
    if arguments.output is not None:
        from palpate.reporting.validation_report import write_validation

        name = arguments.folder.resolve().name
        report = write_validation(runs, options, arguments.output, folder_name=name)
        console.say(str(report.page))
    console.result(validation_summary(runs, options))
    return 1 if any(run.failure for run in runs) else 0
