"""Readers for the tables that the evaluation tests check against."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

Rows = list[dict[str, str]]
REFERENCE_DATA = Path(__file__).parents[2] / "reference_data"


def _rows(path: Path) -> Rows:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


@pytest.fixture(scope="session")
def published_table() -> Callable[[str], Rows]:
    """Rows of a small published table that the project carries."""
    return lambda name: _rows(REFERENCE_DATA / name)


@pytest.fixture(scope="session")
def shared_table(data_dir: Path) -> Callable[[str], Rows]:
    """Rows of a larger table below PALPATE_DATA."""
    return lambda name: _rows(data_dir / "reference_tables" / name)
