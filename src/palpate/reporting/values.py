"""How rows and records become CSV and JSON."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

DIGITS = 6


def write_csv(path: Path, rows: Iterable[dict[str, Any]]) -> int:
    """Write rows that may differ in their columns; return how many. NaN is an empty cell."""
    held = list(rows)
    names = list(dict.fromkeys(name for row in held for name in row))
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        writer.writerows([_cell(row.get(name)) for name in names] for row in held)
    return len(held)


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
