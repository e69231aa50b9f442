"""Layouts: session sheets with the file name left out, one per kind of recording.

A layout is a sheet whose ``file`` is ``"{file}"``; ``{stem}`` in its title or a
recording's name becomes the file's name without extension. One that ships with palpate
is named by its name, one's own by its path. ``suffixes`` in a layout lists the kinds of
file that it is for.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from palpate.io.raw import checked_file
from palpate.io.sheet import Sheet, parse_sheet
from palpate.io.toml_tables import Table, read_toml
from palpate.validation import InputError, suggestion


def layout_names() -> tuple[str, ...]:
    """Return the names of the layouts that ship with palpate."""
    folder = resources.files(__name__)
    return tuple(sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml")))


def apply_layout(file: Path | str, layout: str | Path) -> Sheet:
    """Return the sheet that a layout, given by name or path, makes of one file."""
    file = Path(file)
    if file.suffix:
        checked_file(file)
    if str(layout) in layout_names():
        with resources.as_file(resources.files(__name__) / f"{layout}.toml") as path:
            data, folder = read_toml(path), file.parent
    elif str(layout).endswith(".toml"):
        data, folder = read_toml(Path(layout)), Path(layout).parent
    else:
        raise InputError(
            f"there is no layout {str(layout)!r}{suggestion(str(layout), layout_names())} "
            "(a layout of your own is named by its path and ends in .toml)"
        )
    table = Table(data, f"layout {layout}")
    suffixes = table.items("suffixes", (str,), 'an extension such as ".edf"')
    if suffixes and file.suffix.lower() not in suffixes:
        kinds = " or ".join(suffixes)
        raise InputError(f"layout {layout} is for files that end in {kinds}, not {file}")
    return parse_sheet(table, folder=folder, file=file)
