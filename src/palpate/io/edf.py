"""Read EDF, EDF+ and BDF files through edfio.

Format: Kemp & Olivan 2003, Clin Neurophysiol 114:1755 (EDF+), https://www.edfplus.info/specs/.

Conventions
-----------
* Samples are physical values: the header's gain and offset are applied. Where the header has
  no usable ranges, samples stay counts, their unit is ``""``, and a message says so.
* An interrupted file (``EDF+D``) is laid on one uniform time base by the onsets in its
  timekeeping annotations; samples between its pieces are NaN. So is one that claims to be
  continuous (``EDF+C``) while its onsets leave room for half a data record or more.
* A channel that ends in a run of the format's lowest number (−32768 in EDF) was padded by
  its writer: those samples are NaN and a message says how many (own choice; the format
  itself has no mark for missing samples).
* A file that holds fewer data records than its header promises is refused as cut short;
  a header that leaves the number open (−1) takes what is there.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TypeAlias

import numpy as np
from edfio import Bdf, BdfSignal, Edf, EdfSignal, read_bdf, read_edf

from palpate.io.raw import (
    Groups,
    RawBlock,
    RawChannel,
    RawFile,
    Say,
    checked_file,
    counted,
    plain_unit,
    reading,
    silent,
)
from palpate.io.timestamps import MAX_SLOTS_PER_SAMPLE, SPARE_SLOTS
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_rate

LOWEST = {EdfSignal: -(2**15), BdfSignal: -(2**23)}
# A signal may touch the lowest number; it does not stay there to the end of the file.
MIN_PADDING = 3

_Document: TypeAlias = Edf | Bdf
_Signal: TypeAlias = EdfSignal | BdfSignal

HEADER_BYTES = 256
MAGIC = {b"0       ": "EDF", b"\xffBIOSEMI": "BDF"}


def open_edf(path: Path, *, say: Say = silent) -> RawFile:
    """Open an EDF, EDF+ or BDF file; samples are read only when asked for."""
    with checked_file(path).open("rb") as stream:
        header = stream.read(HEADER_BYTES)
    kind = MAGIC.get(header[:8])
    if kind is None:
        raise InputError(f"{path} is not an EDF or BDF file: its first 8 bytes do not say so")
    with reading(path, kind):
        document = _document(path, kind)
        _check_complete(path, header, document)
        start_time = _start_time(document)
        channels = tuple(
            RawChannel(s.label, _unit(s), float(s.sampling_frequency)) for s in document.signals
        )

    def read(groups: Groups) -> list[RawBlock]:
        with reading(path, kind, say):
            first_s = _record_onsets(path, document, say)
            loaded = [_block(path, document, group, first_s) for group in groups]
        for signal in (document.signals[i] for i in sorted({i for g in groups for i in g})):
            if not _calibrated(signal):
                say(
                    f"{path.name}: the header gives channel {signal.label!r} no usable range, so "
                    "its samples are counts without a unit"
                )
        padding = max((count for _, count in loaded), default=0)
        if padding:
            say(
                f"{path.name}: padding at the end, up to {padding} samples per channel, counts "
                "as missing"
            )
        return [block for block, _ in loaded]

    return RawFile(
        path=path,
        kind=_flavour(header, kind),
        channels=channels,
        read=read,
        start_time=start_time,
        parts=(path,),
    )


def _document(path: Path, kind: str) -> _Document:
    if kind == "EDF":
        return read_edf(path, lazy_load_data=True, header_encoding="latin-1")
    return read_bdf(path, header_encoding="latin-1")


def _flavour(header: bytes, kind: str) -> str:
    reserved = header[192:197].decode("latin-1").strip()
    return reserved if reserved.startswith(f"{kind}+") else kind


def _check_complete(path: Path, header: bytes, document: _Document) -> None:
    promised = int(header[236:244])
    held = document.num_data_records
    if held == 0:
        raise InputError(f"{path} holds no samples; export it again")
    if held < promised:
        raise InputError(
            f"{path} is cut short: its header promises {promised} data records and the file "
            f"holds {held}; export it again"
        )


def _start_time(document: _Document) -> datetime | None:
    try:
        return document.startdatetime
    except Exception:  # an anonymised or impossible date is no reason to refuse samples
        return None


def _unit(signal: _Signal) -> str:
    return plain_unit(signal.physical_dimension) if _calibrated(signal) else ""


def _calibrated(signal: _Signal) -> bool:
    """Return whether the header's two ranges give a gain: edfio returns counts where not."""
    try:
        low, high = signal.digital_range
        bottom, top = signal.physical_range
    except ValueError:
        return False
    return low != high and bottom != top


def _samples(path: Path, signal: _Signal) -> FloatArray:
    if not _calibrated(signal):
        return signal.digital.astype(np.float64)
    low, high = signal.digital_range
    lowest = LOWEST[type(signal)]
    if min(low, high) < lowest - 1 or max(low, high) > -lowest:  # one beyond is an old habit
        raise InputError(
            f"{path}: channel {signal.label!r} states digital values from {low} to {high}, which "
            "the format's samples cannot hold; export it again"
        )
    return signal.data


def _record_onsets(path: Path, document: _Document, say: Say) -> FloatArray | None:
    """Return the file second of every data record ``(m,)``; None for a gapless file."""
    interrupted = document.reserved.startswith(("EDF+D", "BDF+D"))
    if not interrupted and not document.reserved.startswith(("EDF+C", "BDF+C")):
        return None
    try:
        onset = np.array([float(text) for text in _onset_texts(path, document.num_data_records)])
    except (ValueError, StopIteration):
        if not interrupted:
            return None  # the records follow each other, as the header says
        raise InputError(
            f"{path} is interrupted (EDF+D), but not all of its data records state their onset; "
            "export it again"
        ) from None
    onset -= onset[0]
    step_s, record_s = np.diff(onset), document.data_record_duration
    if not interrupted:
        pauses = int(np.count_nonzero(step_s > 1.5 * record_s))
        if not pauses:
            return None
        say(
            f"{path.name}: says it is continuous, but its data records leave "
            f"{counted(pauses, 'pause')}"
        )
    if np.any(step_s < record_s * (1 - 1e-6)):
        raise InputError(f"{path}: its data records overlap or go backwards in time")
    return onset


def _onset_texts(path: Path, n_records: int) -> list[bytes]:
    """Return per data record the onset that its first annotation states (EDF+ 2.2.4)."""
    content = np.memmap(path, dtype=np.uint8, mode="r")
    head = content[:HEADER_BYTES].tobytes()
    header_bytes, n_signals = int(head[184:192]), int(head[252:256])
    fields = content[HEADER_BYTES:header_bytes].tobytes()
    labels = [fields[16 * i : 16 * (i + 1)].strip() for i in range(n_signals)]
    counts = fields[216 * n_signals : 224 * n_signals]
    per_sample = 3 if head[:8] == b"\xffBIOSEMI" else 2
    widths = [int(counts[8 * i : 8 * (i + 1)]) * per_sample for i in range(n_signals)]
    mine = next(i for i, label in enumerate(labels) if label.endswith(b"DF Annotations"))
    first, width = sum(widths[:mine]), widths[mine]
    records = content[header_bytes : header_bytes + n_records * sum(widths)]
    rows = records.reshape(n_records, sum(widths))[:, first : first + width]
    return [row.tobytes().split(b"\x14", 1)[0] for row in rows]


def _block(
    path: Path, document: _Document, group: Sequence[int], first_s: FloatArray | None
) -> tuple[RawBlock, int]:
    """Return the samples of a group, and the longest padding at the end of its channels."""
    signals = [document.signals[i] for i in group]
    fs_hz = checked_rate(
        signals[0].sampling_frequency, f"{path}: the rate of channel {signals[0].label!r}"
    )
    values = np.column_stack([_samples(path, signal) for signal in signals])
    padding = [_padding(signal) for signal in signals]
    for column, count in zip(values.T, padding, strict=True):
        column[column.size - count :] = np.nan
    if first_s is not None:
        values = _spread(path, values, first_s, fs_hz, signals[0].samples_per_data_record)
    return RawBlock(values, fs_hz), max(padding)


def _padding(channel: _Signal) -> int:
    """Return how many samples at the end are padding."""
    lowest = channel.digital == LOWEST[type(channel)]
    count = int(lowest.size if lowest.all() else np.argmin(lowest[::-1]))
    return count if count >= MIN_PADDING else 0


def _spread(
    path: Path, values: FloatArray, first_s: FloatArray, fs_hz: float, per_record: int
) -> FloatArray:
    """Lay data records that begin at ``first_s`` on one uniform time base."""
    start = np.round(first_s * fs_hz)
    slots = float(start[-1]) + per_record
    if slots > MAX_SLOTS_PER_SAMPLE * values.shape[0] + SPARE_SLOTS:
        raise InputError(f"{path}: a data record starts {first_s[-1]:g} s after the first")
    spread = np.full((int(slots), values.shape[1]), np.nan)
    place = start.astype(np.intp)[:, np.newaxis] + np.arange(per_record)
    spread[place.ravel()] = values
    return spread
