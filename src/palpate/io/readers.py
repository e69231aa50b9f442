"""Which reader opens which file."""

from __future__ import annotations

from pathlib import Path

from palpate.io.activity_files import ACTIVITY_SUFFIXES, open_activity
from palpate.io.delimited import open_delimited
from palpate.io.edf import open_edf
from palpate.io.matlab import open_matlab
from palpate.io.raw import RawFile, Say, silent
from palpate.io.sheet import SourceSpec
from palpate.io.wfdb_record import open_wfdb
from palpate.validation import InputError

EDF_SUFFIXES = (".edf", ".bdf")
WFDB_SUFFIXES = (".hea", ".dat", "")
TEXT_SUFFIXES = (".csv", ".tsv", ".txt")
MATLAB_SUFFIXES = (".mat",)
STORE_SUFFIXES = (".h5", ".hdf5")
SHEET_SUFFIXES = (".toml",)
RAW_SUFFIXES = (
    *EDF_SUFFIXES,
    *WFDB_SUFFIXES[:2],
    *TEXT_SUFFIXES,
    *MATLAB_SUFFIXES,
    *ACTIVITY_SUFFIXES,
)


def open_raw(source: SourceSpec, *, say: Say = silent) -> RawFile:
    """Open a file by its extension; a name without one is a WFDB record."""
    path = Path(source.file)
    if path.is_dir():
        raise InputError(f"{path} is not a file but a folder; name a file in it")
    suffix = path.suffix.lower()
    if suffix not in MATLAB_SUFFIXES and (source.variable or source.orientation):
        raise InputError(
            f"{path} is no MATLAB file, but it is to be read by variable and orientation; choose "
            "the layout or the sheet that is made for it"
        )
    if suffix in EDF_SUFFIXES:
        return open_edf(path, say=say)
    if suffix in WFDB_SUFFIXES:
        return open_wfdb(path, say=say)
    if suffix in TEXT_SUFFIXES:
        return open_delimited(path, source, say=say)
    if suffix in ACTIVITY_SUFFIXES:
        return open_activity(path, say=say)
    if suffix in MATLAB_SUFFIXES:
        return open_matlab(path, source, say=say)
    if suffix in STORE_SUFFIXES:
        raise InputError(f"{path} is a whole session, not one device's file; open it by itself")
    if suffix in SHEET_SUFFIXES:
        raise InputError(f"{path} is a sheet already; name the recordings' files instead")
    raise InputError(
        f"{path} has the extension {path.suffix!r}; palpate reads {', '.join(RAW_SUFFIXES)}, "
        "sheets (.toml) and stores (.h5)"
    )
