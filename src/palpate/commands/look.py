"""`palpate look`: what is in a file, before anything is made of it."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from palpate.cli import Console
    from palpate.io.listing import ChannelListing, Listing

HELP = "list what is in a file: channels, rates, duration, gaps, clipping, hashes"
HEADINGS = (
    *("#", "channel", "role", "unit", "rate Hz", "start s", "duration s"),
    *("gaps", "missing %", "clipped %", "smallest", "largest"),
)


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

    listings = []
    for number, file in enumerate(arguments.files):
        listing = describe(file, say=console.say)
        listings.append(_as_mapping(listing))
        console.say(("\n" if number else "") + _as_text(listing))
    console.result({"files": listings})
    return 0


def _as_text(listing: Listing) -> str:
    start = f", started {listing.start_time.isoformat(' ')}" if listing.start_time else ""
    blocks = [f"{listing.path}: {listing.kind}{start}"]
    recordings = dict.fromkeys(channel.recording for channel in listing.channels)
    for recording in recordings:
        if recording:
            blocks.append(f"recording {recording}")
        rows = [_row(c) for c in listing.channels if c.recording == recording]
        blocks.append(_aligned([HEADINGS, *rows]))
    if listing.activities:
        rows = [(a.name, _number(a.start_s), _number(a.end_s)) for a in listing.activities]
        blocks.append(_aligned([("activity", "start s", "end s"), *rows]))
    for table in listing.tables:
        blocks.append(
            f"table {table.name}: {table.n_rows} rows of {', '.join(table.columns)} "
            f"(palpate {table.palpate_version}, {dict(table.parameters)})"
        )
    blocks += [f"sha256 {source.sha256}  {source.name}" for source in listing.sources]
    return "\n".join(blocks)


def _row(channel: ChannelListing) -> tuple[str, ...]:
    return (
        str(channel.position),
        channel.name,
        channel.role,
        channel.unit,
        _number(channel.fs_hz),
        _number(channel.start_s),
        _number(channel.duration_s),
        str(channel.n_gaps),
        _percent(channel.missing_share),
        _percent(channel.clipped_share),
        _number(channel.smallest),
        _number(channel.largest),
    )


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.6g}"


def _percent(share: float) -> str:
    return "–" if math.isnan(share) else f"{100 * share:.2f}"


def _aligned(rows: Sequence[Sequence[str]]) -> str:
    """Lay rows out in columns, words to the left and numbers to the right, none empty."""
    used = [at for at in range(len(rows[0])) if any(row[at] for row in rows[1:])]
    rows = [[row[at] for at in used] for row in rows]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    left = [not any(_is_number(row[at]) for row in rows[1:]) for at in range(len(widths))]
    return "\n".join(
        "  ".join(
            cell.ljust(width) if to_left else cell.rjust(width)
            for cell, width, to_left in zip(row, widths, left, strict=True)
        ).rstrip()
        for row in rows
    )


def _is_number(cell: str) -> bool:
    return cell[:1] in "-0123456789" and cell != ""


def _as_mapping(listing: Listing) -> dict[str, Any]:
    """Return plain values for JSON; undefined numbers become null."""
    from dataclasses import asdict

    return {
        "path": str(listing.path),
        "kind": listing.kind,
        "start_time": listing.start_time.isoformat() if listing.start_time else None,
        "channels": [_no_nan(asdict(channel)) for channel in listing.channels],
        "activities": [asdict(activity) for activity in listing.activities],
        "tables": [asdict(table) for table in listing.tables],
        "sources": [asdict(source) for source in listing.sources],
    }


def _no_nan(mapping: dict[str, Any]) -> dict[str, Any]:
    return {
        key: None if isinstance(value, float) and math.isnan(value) else value
        for key, value in mapping.items()
    }
