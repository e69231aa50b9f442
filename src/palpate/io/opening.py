"""Open a session from whatever a person has: a sheet, a store, or one file and its layout."""

from __future__ import annotations

from pathlib import Path

from palpate.io.layouts import apply_layout, layout_names
from palpate.io.loading import load_session
from palpate.io.raw import Say, checked_file, silent
from palpate.io.readers import SHEET_SUFFIXES, STORE_SUFFIXES
from palpate.io.sheet import read_sheet
from palpate.io.store import read_store
from palpate.signals import Session
from palpate.validation import InputError


def open_session(
    path: Path | str,
    layout: Path | str | None = None,
    *,
    say: Say = silent,
    apart: bool = False,
) -> Session:
    """Open a session sheet (``.toml``), a store (``.h5``), or a raw file with a layout.

    Parameters
    ----------
    path
        What to open.
    layout
        Name or path of a layout; needed for a raw file and refused for the others.
    say
        Receives what a person should know, such as a rate taken from a time column.
    apart
        Whether a sheet's recordings may share no moment, as where clocks are yet to be found.
    """
    path = Path(path)
    if path.is_dir():
        raise InputError(f"{path} is a folder; name a sheet, a store or a recording in it")
    suffix = path.suffix.lower()
    if layout is not None:
        if suffix in (*SHEET_SUFFIXES, *STORE_SUFFIXES):
            raise InputError(f"{path} says itself what it holds; leave out the layout")
        return load_session(apply_layout(path, layout), say=say)
    if suffix in SHEET_SUFFIXES:
        return load_session(read_sheet(path), say=say, apart=apart)
    if suffix in STORE_SUFFIXES:
        return read_store(path)
    if suffix:
        checked_file(path)
    raise InputError(
        f"{path} does not say which channel is what; draft a sheet with: palpate sheet {path} "
        f"(explain and pack also take --layout with one of {', '.join(layout_names())})"
    )
