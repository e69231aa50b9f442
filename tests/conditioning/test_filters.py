from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from palpate.conditioning import zero_phase
from palpate.conditioning.filters import butterworth
from palpate.validation import InputError

FS_HZ = 100.0
TIME_S = np.arange(0, 30, 1 / FS_HZ)


def test_passes_what_is_inside_and_removes_what_is_outside_the_band() -> None:
    inside, below, above = (np.sin(2 * np.pi * f * TIME_S) for f in (2.0, 0.05, 20.0))
    result = zero_phase(inside + below + above, fs_hz=FS_HZ, low_hz=0.5, high_hz=5.0, order=3)
    middle = slice(500, 2500)
    assert np.max(np.abs(result[middle] - inside[middle])) < 0.02


def test_shifts_nothing_in_time() -> None:
    bump = np.exp(-(((TIME_S - 15.0) / 0.1) ** 2))
    result = zero_phase(bump, fs_hz=FS_HZ, low_hz=0.5, high_hz=8.0)
    assert TIME_S[np.argmax(result)] == pytest.approx(15.0, abs=0.5 / FS_HZ)


def test_each_direction_gives_3_db_at_the_edge_as_the_butterworth_definition_says() -> None:
    # Butterworth 1930: half power at the cut-off, whatever the order.
    for order in (1, 2, 4):
        sections = butterworth(FS_HZ, None, 5.0, order)
        _, gain = signal.sosfreqz(sections, worN=[5.0], fs=FS_HZ)
        assert np.abs(gain[0]) ** 2 == pytest.approx(0.5, rel=1e-6)


@pytest.mark.parametrize("edges", [{"low_hz": 5.0}, {"high_hz": 5.0}])
def test_an_edge_is_where_both_directions_together_leave_half_the_amplitude(
    edges: dict[str, float],
) -> None:
    result = zero_phase(np.sin(2 * np.pi * 5.0 * TIME_S), fs_hz=FS_HZ, **edges)
    assert np.abs(result[500:2500]).max() == pytest.approx(0.5, rel=1e-3)


def test_gaps_stay_gaps_and_do_not_spread() -> None:
    values = np.sin(2 * np.pi * 2 * TIME_S)
    holed = values.copy()
    holed[1000:1050] = np.nan
    result = zero_phase(holed, fs_hz=FS_HZ, low_hz=0.5, high_hz=5.0)
    assert np.isnan(result[1000:1050]).all()
    assert np.isfinite(np.delete(result, np.s_[1000:1050])).all()
    assert np.isnan(holed[1000]), "the input is not changed"


@pytest.mark.parametrize("n", [0, 1, 2, 5])
def test_short_input_keeps_its_shape(n: int) -> None:
    assert zero_phase(np.ones(n), fs_hz=FS_HZ, low_hz=0.5).shape == (n,)


def test_columns_are_filtered_one_by_one() -> None:
    values = np.random.default_rng(0).normal(size=(300, 3))
    together = zero_phase(values, fs_hz=FS_HZ, high_hz=5.0)
    for column in range(3):
        alone = zero_phase(values[:, column], fs_hz=FS_HZ, high_hz=5.0)
        np.testing.assert_allclose(together[:, column], alone)


def test_edges_out_of_order_are_named() -> None:
    with pytest.raises(InputError, match="not in order"):
        zero_phase(TIME_S, fs_hz=FS_HZ, low_hz=5.0, high_hz=2.0)


@pytest.mark.parametrize(
    "edges", [{"low_hz": 60.0}, {"low_hz": 0.0}, {"high_hz": -1.0}, {"low_hz": np.nan}]
)
def test_an_edge_that_cannot_be_is_named(edges: dict[str, float]) -> None:
    with pytest.raises(InputError, match="must lie above 0 and below 50 Hz"):
        zero_phase(TIME_S, fs_hz=FS_HZ, **edges)


def test_no_edge_below_nyquist_is_named() -> None:
    with pytest.raises(InputError, match="Nyquist"):
        zero_phase(TIME_S, fs_hz=FS_HZ, high_hz=80.0)
