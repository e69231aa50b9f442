"""Read WFDB records (a ``.hea`` header and its signal files) through the wfdb library.

Format: https://wfdb.io, header(5) and signal(5).

Conventions
-----------
* Samples are physical values; what the format marks as invalid is NaN.
* A channel with several samples per frame keeps its own rate.
* A record of several segments is read as one; where a segment lacks a channel, and in gaps
  between segments, it is NaN.
* Where a header states the checksum of a channel and its samples do not add up to it, a
  message says so (header(5): the sum of all samples in 16 bits; 0 often means none).
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
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_rate

NO_FILE = "~"
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

        record = wfdb.rdheader(stem, rd_segments=True)
        _check_rate(header, record.fs)
        channels = _channels(header, record)
        parts = _parts(header, record)

    def read(groups: Groups) -> list[RawBlock]:
        wanted = sorted({i for group in groups for i in group})
        with reading(header, "a WFDB record", say):
            column = dict(zip(wanted, _samples(header, stem, wanted, say), strict=True))
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


def _samples(header: Path, stem: str, wanted: list[int], say: Say) -> list[FloatArray]:
    """Return the physical values of the wanted channels, each at its own rate."""
    import wfdb  # noqa: PLC0415 - slow to import

    values = list(wfdb.rdrecord(stem, channels=wanted, smooth_frames=False).e_p_signal)
    stated = wfdb.rdheader(stem)
    if isinstance(stated, wfdb.MultiRecord) or not stated.sig_len:
        return values
    for i, column in zip(wanted, values, strict=True):
        # Of a channel with invalid samples the sum is NaN, and nothing is known of it.
        counts = np.round(column * stated.adc_gain[i] + stated.baseline[i]).sum()
        if stated.checksum[i] and (counts - stated.checksum[i]) % 2**16 > 0:
            say(
                f"{header.name}: the samples of {stated.sig_name[i]!r} do not add up to the "
                "checksum in the header; one of the two is damaged"
            )
    return values


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


def _channels(header: Path, record: Any) -> tuple[RawChannel, ...]:
    if not record.n_sig:
        raise InputError(f"record {record.record_name} describes no signals")
    if not hasattr(record, "segments"):
        return _described(record, record.fs)
    segments = _segments(record)
    for part in segments:
        if not math.isclose(part.fs, record.fs, rel_tol=1e-6):
            raise InputError(
                f"{header}: segment {part.record_name} runs at {part.fs:g} Hz and the record at "
                f"{record.fs:g} Hz; export it again"
            )
        if record.layout == "fixed" and part.sig_name != segments[0].sig_name:
            raise InputError(
                f"{header}: segment {part.record_name} holds other channels than the first, or in "
                "another order; export it again"
            )
    by_name: dict[str, RawChannel] = {}
    for channel in (channel for part in segments for channel in _described(part, record.fs)):
        if by_name.setdefault(channel.name, channel) != channel:
            raise InputError(
                f"{header}: channel {channel.name!r} changes its unit or rate between segments"
            )
    return tuple(by_name[name] for name in record.sig_name)


def _described(part: Any, frames_hz: float) -> tuple[RawChannel, ...]:
    """Return the channels as the header of one set of signal files has them."""
    columns = zip(part.sig_name, part.units, part.samps_per_frame, strict=True)
    return tuple(
        RawChannel(name or f"channel {i}", plain_unit(unit or ""), float(frames_hz * (rate or 1)))
        for i, (name, unit, rate) in enumerate(columns)
    )


def _segments(record: Any) -> list[Any]:
    """Return the records that hold the samples: the record itself, or its segments."""
    if not hasattr(record, "segments"):
        return [record]
    return [part for part in record.segments if part is not None]


def _parts(header: Path, record: Any) -> tuple[Path, ...]:
    """Return all headers and signal files, each present and as long as promised."""
    parts = [header]
    for segment in _segments(record):
        own = header if segment is record else header.with_name(f"{segment.record_name}.hea")
        parts.append(own)
        for name in dict.fromkeys(file for file in segment.file_name if file != NO_FILE):
            part = header.with_name(name)
            if not part.is_file():
                raise InputError(f"{own} names the signal file {name}, which is not beside it")
            _check_size(part, name, segment)
            parts.append(part)
    return tuple(dict.fromkeys(parts))


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
