"""`palpate fetch`: download an open database, checked by its hashes."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from palpate.commands.arguments import names

if TYPE_CHECKING:
    from palpate.cli import Console

HELP = "download an open database from its public archive; without a name, list them"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("name", nargs="?", help="mitdb, nstdb or wrist")
    parser.add_argument(
        "-o", "--output", type=Path, help="folder for its files (default: a folder of its name)"
    )
    parser.add_argument(
        "--records", type=names, default=(), metavar="A[,B...]", help="only these records"
    )
    parser.add_argument("--mirror", metavar="URL", help="another server with the same files")


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Download what is missing, or list what there is."""
    from dataclasses import asdict, replace

    from palpate.io.databases import (
        DATABASES,
        fetch_files,
        find_database,
        pinned_hashes,
        remote_files,
    )

    if arguments.name is None:
        for database in DATABASES.values():
            console.say(f"{database.name:8}{database.title}")
            console.say(f"{'':8}{database.licence}; cite {database.citation}")
        console.result({"databases": [asdict(database) for database in DATABASES.values()]})
        return 0
    database = find_database(arguments.name)
    if arguments.mirror:
        database = replace(database, address=arguments.mirror.rstrip("/") + "/")
    folder = arguments.output or Path(database.name)
    files = remote_files(database, folder, arguments.records)
    steps = fetch_files(database, folder, files)
    fetched = list(console.progress(steps, len(files), database.name))
    pinned = len(set(files) & set(pinned_hashes(database.name)))
    console.say(
        f"{len(fetched)} files in {folder}: {pinned} checked by hashes that palpate pins, "
        f"{len(files) - pinned} by the archive's own list. {database.licence}; please cite "
        f"{database.citation}."
    )
    console.result(
        {
            "database": asdict(database),
            "folder": str(folder),
            "files": [path.name for path in fetched],
            "n_pinned": pinned,
        }
    )
    return 0
