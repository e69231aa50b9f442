"""Fill a folder all or nothing: what was there stays until everything new is made."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from palpate.validation import InputError

SESSION, STUDY, VALIDATION = "summary.json", "study.json", "validation.json"
WRITERS = {SESSION: "palpate explain", STUDY: "palpate study", VALIDATION: "palpate validate"}
"""The file by which the report of each command is known."""


def check_output(folder: Path, *, mark: str) -> None:
    """Refuse a place that cannot become the report's folder, before any work is done for it.

    ``mark`` is the report's own file among `WRITERS`; a folder with another's is refused.
    """
    if folder.exists() and not folder.is_dir():
        raise InputError(f"{folder} is a file; name a folder for the report with -o")
    for other, command in WRITERS.items():
        if other != mark and (folder / other).exists():
            raise InputError(
                f"{folder} holds what {command} wrote ({other}); name another folder with -o, so "
                "that it is not replaced"
            )
    if (folder / "figures").exists() and not (folder / "report.html").exists():
        raise InputError(
            f"{folder / 'figures'} exists and is not from an earlier report; name another "
            "folder with -o, so that nothing of yours is replaced"
        )
    nearest = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    if not nearest.is_dir() or not os.access(nearest, os.W_OK | os.X_OK):
        raise InputError(
            f"cannot write the report into {folder}: {nearest} is not a writable folder; "
            "choose another with -o"
        )


@contextmanager
def filling(folder: Path, *, mark: str, last: str = "report.html") -> Iterator[Path]:
    """Yield a temporary folder whose files and folders move into ``folder`` at the end.

    ``mark`` is as in `check_output`. Its ``figures`` take the place of older ones; ``last``
    moves last, so that a page which is there has all that it names.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    check_output(folder, mark=mark)
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
