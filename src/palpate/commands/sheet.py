"""`palpate sheet`: a draft of the session sheet for one file or several."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from palpate.cli import Console

HELP = "draft a session sheet for files from their channels"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument(
        "files",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="EDF, WFDB, text, MATLAB or an activity file; each becomes a recording, and "
        "alder_acc.csv and alder_hr.csv beside alder.csv or alder_ppg.csv one with it",
    )
    parser.add_argument(
        "-o", "--output", type=Path, metavar="SHEET.toml", help="where to write it (else shown)"
    )


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Draft the sheet and write or show it."""
    from palpate.io import draft_sheet, replacing
    from palpate.validation import InputError

    output: Path | None = arguments.output
    if output is None:
        text = draft_sheet(*arguments.files)
        console.say(text)
        console.result({"sheet": text})
        return 0
    if output.suffix.lower() != ".toml":
        raise InputError(f"{output} must end in .toml, so that it is read as a sheet")
    if output.exists():
        raise InputError(f"{output} exists; name another file, or remove it first")
    text = draft_sheet(*arguments.files, folder=output.parent)
    with replacing(output) as part:
        part.write_text(text, encoding="utf-8")
    console.say(f"{output}: a draft; check its roles and fill in what is left open")
    console.result({"path": str(output)})
    return 0
