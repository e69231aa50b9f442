"""Fixtures that every room's tests share."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from palpate.reporting.report import Report
    from palpate.results import SessionResult


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


@pytest.fixture(scope="session")
def hut_sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sheet of a short simulated session, with its files beside it."""
    pytest.importorskip("edfio", reason="writing the simulated session's ECG needs edfio")
    from palpate.simulation import simulate_session, write_session

    return write_session(simulate_session(seed=4, scale=0.2), tmp_path_factory.mktemp("hut"))


@pytest.fixture(scope="session")
def hut_result(hut_sheet: Path) -> SessionResult:
    """What the main job finds in the simulated session; explained once for all tests."""
    from palpate.io import open_session
    from palpate.pipeline import explain_session

    return explain_session(open_session(hut_sheet))


@pytest.fixture(scope="session")
def hut_report(hut_result: SessionResult, tmp_path_factory: pytest.TempPathFactory) -> Report:
    """The simulated session's report; a test that changes its folder takes a copy."""
    from palpate.reporting.session_report import write_report

    return write_report(hut_result, tmp_path_factory.mktemp("report"))


# A whole run that collects fewer has lost tests; raise the floor as the suite grows.
FEWEST_TESTS = 2000


def pytest_collection_finish(session: pytest.Session) -> None:
    """Stop a whole run (no path, no selection) that has lost tests."""
    config = session.config
    selected = [getattr(config.option, name, "") for name in ("keyword", "markexpr", "lf")]
    whole = config.args == config.getini("testpaths") and not any(selected)
    if whole and len(session.items) < FEWEST_TESTS:
        pytest.exit(
            f"only {len(session.items)} tests were collected; there should be at least "
            f"{FEWEST_TESTS}",
            returncode=1,
        )
