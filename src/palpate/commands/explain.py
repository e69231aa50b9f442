"""`palpate explain`: from a session's files to a page that says how wrong the wrist was."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from palpate.commands.arguments import between, names, not_negative

if TYPE_CHECKING:
    from palpate.cli import Console
    from palpate.results import Options
    from palpate.signals import Session

HELP = "say how wrong each wrist heart rate was, when, why, and how that depends on motion"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument(
        "inputs",
        type=Path,
        nargs="+",
        metavar="INPUT",
        help="a session sheet (.toml), a packed session (.h5), or one recording; of several, each "
        "gets a folder named after it in the output",
    )
    parser.add_argument(
        "-o", "--output", type=Path, required=True, help="folder for the report and its tables"
    )
    parser.add_argument(
        "--layout", help="how to read a single recording: a shipped layout's name or a .toml file"
    )
    parser.add_argument(
        "--store",
        type=Path,
        metavar="FILE.h5",
        help="also keep the session and its tables of windows in one HDF5 store",
    )
    add_analysis_arguments(parser)


def add_analysis_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments that shape the analysis."""
    parser.add_argument(
        "--methods",
        type=names,
        default="conventional,robust",
        metavar="NAME[,NAME...]",
        help="wrist estimators to run on raw light: conventional, adaptive, robust, "
        "robust_online (default: %(default)s)",
    )
    parser.add_argument(
        "--window",
        type=between(4.0, 120.0),
        default=8.0,
        metavar="S",
        help="window length, s (default: %(default)g)",
    )
    parser.add_argument(
        "--step",
        type=between(0.1, 120.0),
        default=2.0,
        metavar="S",
        help="window step, s (default: %(default)g)",
    )
    parser.add_argument(
        "--tolerance-bpm",
        type=not_negative,
        default=5.0,
        metavar="BPM",
        help="absolute tolerance, bpm (default: %(default)g)",
    )
    parser.add_argument(
        "--tolerance-share",
        type=between(0.0, 1.0),
        default=0.10,
        metavar="X",
        help="tolerance as a share of the reference, 0.05 for 5 %% (default: %(default)g); the "
        "larger of the two counts",
    )


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Read each input, run the main job on it, write its report."""
    from palpate.io import checked_store_name, open_session
    from palpate.reporting.folder import SESSION, check_output
    from palpate.validation import InputError

    options = checked_options(arguments)
    if arguments.store is not None:
        checked_store_name(arguments.store)
        if len(arguments.inputs) > 1:
            raise InputError("--store keeps one session; explain the inputs one by one")
    folders = report_folders(arguments.inputs, arguments.output)
    for folder in folders:
        check_output(folder, mark=SESSION)
    summaries = []
    for path, folder in zip(arguments.inputs, folders, strict=True):
        if len(folders) > 1:
            console.say(f"\n{path}")
        session = open_session(path, layout=arguments.layout, say=console.say)
        summaries.append(explain_into(folder, session, options, console, arguments.store))
    console.result(summaries[0] if len(summaries) == 1 else {"sessions": summaries})
    return 0


def report_folders(inputs: Sequence[Path], output: Path) -> list[Path]:
    """Return where each report goes: ``output`` itself for one, a folder in it for several."""
    from palpate.validation import InputError

    if len(inputs) == 1:
        return [output]
    for path in inputs:
        if path.suffix and not path.exists():
            raise InputError(f"{path} does not exist; check the path")
    folders = [output / path.stem for path in inputs]
    for place, folder in enumerate(folders):
        if folder in folders[:place]:
            raise InputError(f"two inputs are called {folder.name}; explain them one by one")
    return folders


def checked_options(arguments: argparse.Namespace) -> Options:
    """Refuse options that cannot be used; return them."""
    from palpate.heartrate import METHODS
    from palpate.results import Options
    from palpate.validation import InputError, checked_choice

    if arguments.step > arguments.window:
        raise InputError(
            f"--step is {arguments.step:g} s, longer than the window of {arguments.window:g} s, so "
            "what lies between windows would be left out; make it shorter"
        )
    return Options(
        window_s=arguments.window,
        step_s=arguments.step,
        methods=tuple(checked_choice(name, METHODS, "--methods") for name in arguments.methods),
        absolute_bpm=arguments.tolerance_bpm,
        relative=arguments.tolerance_share,
    )


def explain_into(
    folder: Path, session: Session, options: Options, console: Console, store: Path | None = None
) -> dict[str, Any]:
    """Explain a session, write everything into ``folder``, say what was found, return it."""
    from palpate.io import write_store
    from palpate.pipeline import explain_session
    from palpate.reporting.session_report import write_report
    from palpate.reporting.tables import stored_tables

    count = len(session.recordings)
    result = explain_session(
        session, options, progress=lambda bands: console.progress(bands, count, "bands")
    )
    report = write_report(result, folder)
    for line in report.findings:
        console.say(line)
    if store is not None:
        console.say(str(write_store(session, store, tables=stored_tables(result))))
    console.say(str(report.page))
    return report.summary
