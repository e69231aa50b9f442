"""`palpate look`: what is in a file, before anything is made of it."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from palpate.cli import Console

HELP = "list what is in a file: channels, rates, duration, gaps, clipping, hashes"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument(
        "files",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="EDF, WFDB, text, MATLAB, a session sheet (.toml) or a store (.h5)",
    )


def run(arguments: argparse.Namespace, console: Console) -> int:
    """List every file."""
    from palpate.io.listing import describe
    from palpate.reporting.listing_text import listing_summary, listing_text

    listings = []
    for number, file in enumerate(arguments.files):
        listing = describe(file, say=console.say)
        listings.append(listing_summary(listing))
        console.say(("\n" if number else "") + listing_text(listing))
    console.result({"files": listings})
    return 0
