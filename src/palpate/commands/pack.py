"""`palpate pack`: one file that holds a whole session, with where it came from."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from palpate.cli import Console

HELP = "pack a session sheet and all of its files into one HDF5 store"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument(
        "input", type=Path, help="a session sheet (.toml), or one recording with --layout"
    )
    parser.add_argument(
        "-o", "--output", type=Path, required=True, metavar="FILE.h5", help="the store to write"
    )
    parser.add_argument(
        "--layout", help="how to read a single recording: a shipped layout's name or a .toml file"
    )


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Read the session and write the store."""
    from palpate.io import open_session, write_store

    session = open_session(arguments.input, arguments.layout, say=console.say)
    path = write_store(session, arguments.output)
    size = path.stat().st_size
    console.say(f"{path}: {len(session.recordings)} recordings, {size / 1e6:.1f} MB")
    console.result(
        {"path": str(path), "bytes": size, "recordings": [r.name for r in session.recordings]}
    )
    return 0
