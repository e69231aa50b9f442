"""Reference tables are evidence: each names its source, and none has drifted."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

FOLDER = Path(__file__).parents[1] / "reference_data"
TABLES = tomllib.loads((FOLDER / "MANIFEST.toml").read_text(encoding="utf-8"))["file"]


def test_every_file_is_listed_once():
    listed = sorted(table["name"] for table in TABLES)
    present = sorted(path.name for path in FOLDER.iterdir() if path.name != "MANIFEST.toml")
    assert listed == present


def test_every_table_says_where_it_comes_from_and_is_unchanged():
    for table in TABLES:
        assert all(table[key].strip() for key in ("source", "licence", "made")), table["name"]
        content = (FOLDER / table["name"]).read_bytes()
        assert hashlib.sha256(content).hexdigest() == table["sha256"], table["name"]
