"""Fixtures that every room's tests share."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def data_dir() -> Path:
    """Folder of the open recordings and tables, named by PALPATE_DATA."""
    named = os.environ.get("PALPATE_DATA")
    if not named:
        pytest.skip("set PALPATE_DATA to the folder that holds datasets/ and reference_tables/")
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"PALPATE_DATA names {named}, which is not a folder")
    return folder
