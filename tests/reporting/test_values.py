from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from weakref import WeakSet

import numpy as np

from palpate.reporting.values import write_csv


class Row(dict[str, Any]):
    """A row that can be watched."""

    __hash__ = object.__hash__  # type: ignore[assignment]


def test_rows_may_differ_in_their_columns_and_what_is_undefined_is_empty(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    rows = [
        {"name": 'a "b", c', "error_bpm": np.pi},
        {"error_bpm": float("nan"), "why": "two\nlines", "n": 3},
        {"name": None, "why": ""},
    ]
    write_csv(path, rows)
    assert path.read_text(encoding="utf-8") == (
        'name,error_bpm,why,n\n"a ""b"", c",3.14159,,\n,,"two\nlines",3\n,,,\n'
    )
    assert [file.name for file in tmp_path.iterdir()] == ["rows.csv"]


def test_no_rows_give_an_empty_heading(tmp_path: Path) -> None:
    write_csv(tmp_path / "rows.csv", [])
    assert (tmp_path / "rows.csv").read_text(encoding="utf-8") == "\n"


def test_rows_are_not_held(tmp_path: Path) -> None:
    alive: WeakSet[Row] = WeakSet()
    most = 0

    def rows() -> Iterator[Row]:
        nonlocal most
        for number in range(50):
            row = Row(number=number)
            alive.add(row)
            most = max(most, len(alive))
            yield row

    write_csv(tmp_path / "rows.csv", rows())
    assert most <= 2
