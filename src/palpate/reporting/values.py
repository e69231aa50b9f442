"""How rows and records become CSV and JSON."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

import numpy as np

DIGITS = 6


def write_csv(path: Path, rows: Iterable[dict[str, Any]]) -> None:
    """Write rows that may differ in their columns. NaN is an empty cell.

    All headings are known only after the last row, so rows are written aside first, one by one,
    and padded afterwards: those of a long session do not fit into memory.
    """
    names: dict[str, None] = {}
    with TemporaryFile("w+", newline="", encoding="utf-8", dir=path.parent) as aside:
        writer = csv.writer(aside, lineterminator="\n")
        for row in rows:
            names.update(dict.fromkeys(row))
            writer.writerow([_cell(row.get(name)) for name in names])
        aside.seek(0)
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(names)
            for cells in csv.reader(aside):
                writer.writerow(cells + [""] * (len(names) - len(cells)))


def _cell(value: object) -> object:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:.{DIGITS}g}" if isinstance(value, float) else value


def plain(value: Any) -> Any:
    """Turn NumPy values and records into what JSON can hold; NaN and infinity become None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value
