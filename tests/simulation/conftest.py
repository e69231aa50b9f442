"""Simulated sessions that several tests look at."""

import pytest

from palpate.simulation import SimulatedSession, simulate_session


@pytest.fixture(scope="session")
def evening() -> SimulatedSession:
    """The hut-supply evening at a quarter of its length."""
    return simulate_session(seed=11, scale=0.25)
