"""`palpate align`: how the recordings' clocks run, and how late each device's heart rate is."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from palpate.commands.arguments import between, positive

if TYPE_CHECKING:
    from palpate.alignment import Alignment
    from palpate.cli import Console

HELP = "line up the recordings' clocks and say how late each device's heart rate is"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("input", type=Path, help="a session sheet (.toml) or a store (.h5)")
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        help="file, beside the sheet, for a copy of it with the clocks that were found",
    )
    parser.add_argument(
        "--max-offset",
        type=positive,
        metavar="S",
        help="largest correction of a recording's placement to consider, s (default: any)",
    )
    parser.add_argument(
        "--max-drift",
        type=between(0.1, 10_000.0),
        default=500.0,
        metavar="PPM",
        help="largest drift to consider, ppm (default: %(default)g)",
    )


def run(arguments: argparse.Namespace, console: Console) -> int:
    """Read the session, line it up, say what was found, and write the sheet if asked."""
    from palpate.alignment import align_session
    from palpate.io import open_session
    from palpate.io.sheet_clocks import check_beside
    from palpate.reporting.alignment_text import alignment_lines, alignment_summary
    from palpate.validation import InputError

    if arguments.output is not None:
        if arguments.input.suffix.lower() != ".toml":
            raise InputError(
                f"{arguments.input} is not a sheet; --output updates sheets (.toml) only"
            )
        check_beside(arguments.input, arguments.output)
    found = align_session(
        open_session(arguments.input, say=console.say, apart=True),
        max_offset_s=arguments.max_offset,
        max_drift_ppm=arguments.max_drift,
    )
    for line in alignment_lines(found):
        console.say(line)
    if arguments.output is not None:
        _write(arguments.input, arguments.output, found.alignments, console)
    console.result(alignment_summary(found))
    return 0


def _write(sheet: Path, output: Path, alignments: tuple[Alignment, ...], console: Console) -> None:
    from palpate.io.sheet_clocks import write_clocks
    from palpate.validation import InputError

    clocks = {}
    for alignment in alignments:
        name, clock = alignment.recording.name, alignment.clock
        if clock is None or not alignment.known:
            console.warn(f"{name}: no clock found; its entry in the sheet stays as it is")
            continue
        if len(clock.pieces) > 1:
            console.warn(f"{name}: it paused; the sheet takes the longest of its clocks")
        if clock.caveat:
            console.warn(f"{name}: its clock in the sheet {clock.caveat}")
        clocks[name] = clock.offset_s, clock.drift_ppm
    if not clocks:
        raise InputError(f"no recording's clock is known, so {output} was not written")
    write_clocks(sheet, output, clocks)
    console.say(f"the sheet with these clocks: {output}")
