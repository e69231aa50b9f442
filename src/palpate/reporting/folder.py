"""Fill a folder all or nothing: what was there stays until everything new is made."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from palpate.validation import InputError


def check_output(folder: Path) -> None:
    """Refuse a place that cannot become a folder, before any work is done for it."""
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file; name a folder for the report with -o")
    if (folder / "figures").exists() and not (folder / "report.html").exists():
        raise InputError(
            f"{folder / 'figures'} is there and of no earlier report; name another folder with -o, "
            "so that nothing of yours is replaced"
        )
    nearest = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    if not nearest.is_dir() or not os.access(nearest, os.W_OK | os.X_OK):
        raise InputError(
            f"cannot write the report into {folder}: {nearest} is no folder that may be written "
            "to; choose another with -o"
        )


@contextmanager
def filling(folder: Path, *, last: str = "report.html") -> Iterator[Path]:
    """Yield a temporary folder whose files and folders move into ``folder`` at the end.

    Its ``figures`` take the place of older ones; ``last`` moves last, so that a page which
    is there has all that it names.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    check_output(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".unfinished-", dir=folder) as made:
            draft = Path(made)
            (draft / "figures").mkdir()
            yield draft
            shutil.rmtree(folder / "figures", ignore_errors=True)
            for item in sorted(draft.iterdir(), key=lambda path: path.name == last):
                item.replace(folder / item.name)
    except OSError as fault:
        raise InputError(
            f"cannot write the report into {folder}: {fault.strerror or fault}; choose another "
            "folder with -o or make room"
        ) from fault
