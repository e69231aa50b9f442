"""A file's listing in words and as plain values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from palpate.io.listing import ChannelListing, Listing
from palpate.reporting.values import plain

HEADINGS = (
    *("#", "channel", "role", "unit", "rate Hz", "start s", "duration s"),
    *("gaps", "missing %", "clipped %", "smallest", "largest"),
)


def listing_text(listing: Listing) -> str:
    """Return what a person should read of a file, channels in columns."""
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


def listing_summary(listing: Listing) -> dict[str, Any]:
    """Return a listing as plain values that JSON can hold; undefined is None."""
    start = listing.start_time.isoformat() if listing.start_time else None
    summary: dict[str, Any] = plain(
        {**asdict(listing), "path": str(listing.path), "start_time": start}
    )
    return summary


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
