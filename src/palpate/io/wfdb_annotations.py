"""Read WFDB annotation files, and list the annotated records of a folder.

Format: https://wfdb.io, annot(5).

Conventions
-----------
Times are seconds from the record's start. The file's own time resolution counts where it
states one (some detectors write at another rate than the signal's).
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np

from palpate.io.raw import checked_file, reading
from palpate.signals import FloatArray, IntArray, StrArray
from palpate.validation import InputError


class AnnotationColumns(NamedTuple):
    """``(n,)`` times in seconds, MIT-BIH symbols and subtypes."""

    time_s: FloatArray
    symbol: StrArray
    subtype: IntArray


def annotated_records(folder: Path, *, annotator: str = "atr") -> tuple[str, ...]:
    """Return the names of the records in a folder that have a header and annotations.

    The folder's ``RECORDS`` list gives names and order where there is one; what it lists
    with a header but without annotations (a record of noise alone) is passed over.

    Raises
    ------
    InputError
        If the folder is not there or holds none.
    """
    if not folder.is_dir():
        raise InputError(f"there is no folder {folder}; give one that holds WFDB records")
    listing = folder / "RECORDS"
    if listing.is_file():
        listed = listing.read_text(encoding="utf-8").split()
        names = tuple(name for name in listed if not _lacks_annotations(folder / name, annotator))
    else:
        names = tuple(sorted(path.stem for path in folder.glob(f"*.{annotator}")))
        names = tuple(name for name in names if (folder / f"{name}.hea").is_file())
    if not names:
        raise InputError(
            f"{folder} holds no WFDB record with a .hea header and .{annotator} annotations"
        )
    return names


def _lacks_annotations(path: Path, annotator: str) -> bool:
    header, marks = (path.with_name(f"{path.name}.{end}") for end in ("hea", annotator))
    return header.is_file() and not marks.is_file()


def read_annotations(path: Path, *, annotator: str, fs_hz: float) -> AnnotationColumns:
    """Read the annotations of a record, named by its path without an extension.

    ``fs_hz`` is the signal's rate, for files that do not state their own.
    """
    file = checked_file(path.with_name(f"{path.name}.{annotator}"))
    with reading(file, "a WFDB annotation file"):
        import wfdb  # noqa: PLC0415 - slow, and wanted only here

        read = wfdb.rdann(str(path), annotator)
    rate_hz = float(read.fs) if read.fs else fs_hz
    time_s = np.asarray(read.sample, dtype=np.float64) / rate_hz
    if np.any(np.diff(time_s) < 0):
        raise InputError(f"{file} holds times that go backwards; it is damaged, so copy it again")
    return AnnotationColumns(
        time_s,
        np.array(read.symbol, dtype=np.str_),
        np.asarray(read.subtype, dtype=np.intp),
    )
