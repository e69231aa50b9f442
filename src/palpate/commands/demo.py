"""`palpate demo`: simulate the hut-supply session, write its files, and explain them."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from palpate.commands.arguments import seed
from palpate.commands.explain import add_analysis_arguments, checked_options, explain_into

if TYPE_CHECKING:
    from palpate.cli import Console

HELP = "simulate a session of a mountain-hut supply crew and explain it"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        default=Path("palpate-demo"),
        help="folder for the session's files and the report (default: %(default)s)",
    )
    parser.add_argument(
        "--seed",
        type=seed,
        default=1,
        help="another seed is another evening (default: %(default)s)",
    )
    add_analysis_arguments(parser)


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Simulate, write the files a tester would have exported, and run the main job on them."""
    from palpate.io import open_session
    from palpate.reporting.folder import SESSION, check_output
    from palpate.simulation import simulate_session, write_session

    options = checked_options(arguments)
    check_output(arguments.output, mark=SESSION)
    console.say("simulating rest, step-mill, crate lifting, gravel track and recovery")
    sheet = write_session(simulate_session(seed=arguments.seed), arguments.output / "session")
    console.say(f"the session's files and sheet: {sheet}")
    session = open_session(sheet)
    console.result(explain_into(arguments.output, session, options, console))
    return 0
