"""Read WFDB records (a ``.hea`` header and its signal files) through the wfdb library.

Format: https://wfdb.io, header(5) and signal(5).

Conventions
-----------
* Samples are physical values; what the format marks as invalid is NaN.
* A channel with several samples per frame keeps its own rate.
* A record of several segments is refused with their names; each opens by itself.
* Signal files lie beside the header: the library refuses a header that names another place.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from palpate.io.raw import (
    Groups,
    RawBlock,
    RawChannel,
    RawFile,
    Say,
    checked_file,
    plain_unit,
    reading,
    silent,
)
from palpate.validation import InputError, checked_rate

# Bytes per sample of the formats whose files have a fixed size, signal(5).
BYTES_PER_SAMPLE = {
    "8": 1.0,
    "16": 2.0,
    "24": 3.0,
    "32": 4.0,
    "61": 2.0,
    "80": 1.0,
    "160": 2.0,
    "212": 1.5,
    "310": 4.0 / 3.0,
    "311": 4.0 / 3.0,
}


def open_wfdb(path: Path, *, say: Say = silent) -> RawFile:
    """Open a WFDB record by its header, its signal file, or its name without extension."""
    header = checked_file(path.with_name(path.name + ".hea") if not path.suffix else path)
    header = checked_file(header.with_suffix(".hea"))
    stem = str(header.with_suffix(""))
    with reading(header, "a WFDB record"):
        import wfdb  # noqa: PLC0415 - slow to import

        record = wfdb.rdheader(stem)
        _check_rate(header, record.fs)
        channels = _channels(record)
        parts = _parts(header, record)

    def read(groups: Groups) -> list[RawBlock]:
        wanted = sorted({i for group in groups for i in group})
        with reading(header, "a WFDB record", say):
            loaded = wfdb.rdrecord(stem, channels=wanted, smooth_frames=False)
            column = {i: loaded.e_p_signal[at] for at, i in enumerate(wanted)}
            return [
                RawBlock(
                    np.column_stack([column[i] for i in group]).astype(np.float64, copy=False),
                    checked_rate(channels[group[0]].fs_hz, f"{header}: the rate"),
                )
                for group in groups
            ]

    return RawFile(
        path=header,
        kind="WFDB",
        channels=channels,
        read=read,
        start_time=record.base_datetime,
        parts=parts,
    )


def _check_rate(header: Path, fs_hz: float) -> None:
    """Refuse a rate that the library did not understand: it reads 250 Hz, the default, instead."""
    lines = header.read_text(encoding="utf-8", errors="replace").splitlines()
    record_line = next(line for line in lines if line.strip() and not line.startswith("#"))
    fields = record_line.split()
    stated = fields[2] if len(fields) > 2 else str(fs_hz)
    try:
        agrees = float(stated.partition("/")[0].partition("(")[0]) == fs_hz
    except ValueError:
        agrees = False
    if not agrees:
        raise InputError(f"{header} states the rate {stated!r}, which is no number above zero")
    checked_rate(fs_hz, f"{header}: the rate")


def _channels(record: Any) -> tuple[RawChannel, ...]:
    if hasattr(record, "seg_name"):
        names = ", ".join(name for name in record.seg_name if name != "~")
        raise InputError(f"record {record.record_name} has several segments; name one of {names}")
    if not record.n_sig:
        raise InputError(f"record {record.record_name} describes no signals")
    return tuple(
        RawChannel(
            name or f"channel {i}", plain_unit(unit or ""), float(record.fs) * (per_frame or 1)
        )
        for i, (name, unit, per_frame) in enumerate(
            zip(record.sig_name, record.units, record.samps_per_frame, strict=True)
        )
    )


def _parts(header: Path, record: Any) -> tuple[Path, ...]:
    """Return the header and its signal files, each present and as long as promised."""
    parts = [header]
    for name in dict.fromkeys(record.file_name):
        part = header.with_name(name)
        if not part.is_file():
            raise InputError(f"{header} names the signal file {name}, which is not beside it")
        _check_size(part, name, record)
        parts.append(part)
    return tuple(parts)


def _check_size(part: Path, name: str, record: Any) -> None:
    mine = [i for i, file in enumerate(record.file_name) if file == name]
    per_sample = BYTES_PER_SAMPLE.get(record.fmt[mine[0]])
    if per_sample is None or not record.sig_len:
        return
    per_frame = sum(record.samps_per_frame[i] or 1 for i in mine)
    needed = (record.byte_offset[mine[0]] or 0) + math.floor(
        record.sig_len * per_frame * per_sample
    )
    held = part.stat().st_size
    if held < needed:
        raise InputError(
            f"{part} is cut short: its header promises {needed} bytes and it holds {held}; "
            "copy it again"
        )
