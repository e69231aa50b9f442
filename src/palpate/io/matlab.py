"""Read matrices from MATLAB files up to version 7 through scipy.

Conventions
-----------
* One numeric matrix of a file is read; its channels are rows or columns, whichever is
  shorter unless ``orientation`` says otherwise.
* A matrix carries no rate and no unit: both come from the session sheet.
* Version 7.3 files are refused with advice, since they are another format (HDF5).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from palpate.io.raw import Groups, RawBlock, RawChannel, RawFile, Say, checked_file, reading, silent
from palpate.io.sheet import SourceSpec
from palpate.signals import FloatArray
from palpate.validation import InputError, suggestion

NUMERIC_CLASSES = (
    *("double", "single", "int8", "int16", "int32", "int64"),
    *("uint8", "uint16", "uint32", "uint64", "logical"),
)
HDF5_MAGIC = b"\x89HDF"
MATLAB_73_MAGIC = b"MATLAB 7.3"


def open_matlab(path: Path, source: SourceSpec, *, say: Say = silent) -> RawFile:
    """Open one matrix of a MATLAB file: ``source.variable``, or the only one there is."""
    shapes = _matrices(path)
    variable = _variable(path, shapes, source.variable)
    shape = shapes[variable]
    rows = source.orientation == "rows" if source.orientation else shape[0] <= shape[1]
    fs_hz = source.rate_hz if source.rate_hz is not None else float("nan")
    count = shape[0] if rows else shape[1]
    channels = tuple(RawChannel(f"{variable}[{i}]", "", fs_hz) for i in range(count))

    def read(groups: Groups) -> list[RawBlock]:
        matrix = _matrix(path, variable, say)
        columns = matrix.T if rows else matrix
        return [RawBlock(np.ascontiguousarray(columns[:, list(g)]), fs_hz) for g in groups]

    return RawFile(path=path, kind="MATLAB", channels=channels, read=read, parts=(path,))


def matrix_names(path: Path) -> tuple[str, ...]:
    """Return the names of the numeric matrices in a MATLAB file."""
    names = tuple(_matrices(path))
    if not names:
        raise InputError(f"{path} holds no numeric matrix")
    return names


def _matrices(path: Path) -> dict[str, tuple[int, int]]:
    """Return the shape of every numeric matrix, by name."""
    _refuse_version_73(path)
    with reading(path, "a MATLAB file"):
        from scipy.io import whosmat  # noqa: PLC0415 - slow to import

        return {
            name: shape
            for name, shape, kind in whosmat(str(path))
            if kind in NUMERIC_CLASSES and len(shape) == 2
        }


def _refuse_version_73(path: Path) -> None:
    with checked_file(path).open("rb") as stream:
        head = stream.read(len(MATLAB_73_MAGIC))
    if head == MATLAB_73_MAGIC or head.startswith(HDF5_MAGIC):
        raise InputError(f"{path} is a MATLAB 7.3 file; save it in MATLAB with the option '-v7'")


def _variable(path: Path, shapes: Mapping[str, object], wanted: str | None) -> str:
    if not shapes:
        raise InputError(f"{path} holds no numeric matrix")
    if wanted is None and len(shapes) == 1:
        return next(iter(shapes))
    if wanted is None:
        raise InputError(f"{path} holds the matrices {', '.join(shapes)}; say which: variable =")
    if wanted not in shapes:
        raise InputError(f"{path} holds no matrix {wanted!r}{suggestion(wanted, shapes)}")
    return wanted


def _matrix(path: Path, variable: str, say: Say) -> FloatArray:
    with reading(path, "a MATLAB file", say):
        from scipy.io import loadmat  # noqa: PLC0415 - slow to import

        matrix = loadmat(str(path), variable_names=[variable])[variable]
        if np.iscomplexobj(matrix):
            raise InputError(f"{path}: matrix {variable!r} is complex; signals are real")
        return np.asarray(matrix, dtype=np.float64)
