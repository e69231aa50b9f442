from __future__ import annotations

import numpy as np
import pytest

from palpate.explanation import oracle_split, oracle_windows
from palpate.explanation.oracle_split import CARRIED_DB
from palpate.signals import WindowTable
from palpate.validation import InputError


def tables(status: list[str], snr_db: list[float], cancelled_db: list[float]):
    start_s = 2.0 * np.arange(len(status))
    scored = WindowTable(start_s, start_s + 8.0, {"status": np.array(status)})
    oracle = WindowTable(
        start_s,
        start_s + 8.0,
        {
            "oracle_snr_db": np.array(snr_db, float),
            "oracle_snr_cancelled_db": np.array(cancelled_db, float),
        },
    )
    return scored, oracle


def test_counts_by_hand():
    nan = np.nan
    status = ["outside", "outside", "outside", "outside", "within", "reference untrusted"]
    found = oracle_split(*tables(status, [10, 1, 1, nan, 10, 10], [nan, 8, 2, nan, 10, 10]))
    assert (found.n_outside, found.n_missed, found.n_never_had_it, found.n_unknown) == (4, 2, 1, 1)
    assert found.missed_share == pytest.approx(2 / 3)
    assert found.outside_s == 8.0
    assert found.sentence().startswith("In 2 of 3 windows outside tolerance (67 %, 95 % interval ")


def test_the_interval_holds_the_share_and_narrows_with_blocks():
    rng = np.random.default_rng(0)

    def width(n: int) -> float:
        snr_db = np.where(rng.random(n) < 0.3, 12.0, 0.0).tolist()
        found = oracle_split(*tables(["outside"] * n, snr_db, snr_db))
        low, high = found.missed_interval
        assert low <= found.missed_share <= high
        return high - low

    assert width(4000) < 0.6 * width(400)


def test_all_missed_is_all_of_it():
    found = oracle_split(*tables(["outside"] * 50, [20.0] * 50, [20.0] * 50))
    assert found.missed_share == 1.0
    assert found.missed_interval == (1.0, 1.0)


def test_without_errors_or_light_it_says_so():
    nothing = oracle_split(*tables(["within"] * 5, [9.0] * 5, [9.0] * 5))
    assert np.isnan(nothing.missed_share)
    assert nothing.sentence() == "No window is outside tolerance."
    dark = oracle_split(*tables(["outside"] * 5, [np.nan] * 5, [np.nan] * 5))
    assert dark.n_unknown == 5
    assert dark.sentence() == "None of 5 windows outside tolerance has light to judge by."


def test_no_window_is_refused():
    with pytest.raises(InputError, match="no window"):
        oracle_split(*tables([], [], []))


def test_noise_rarely_seems_to_carry_a_pulse():
    rng = np.random.default_rng(3)
    n = 64 * 1200
    rates = rng.uniform(50.0, 180.0, 597)
    table = oracle_windows(rng.normal(size=n), rng.normal(size=(n, 3)), rates, fs_hz=64.0)
    best_db = np.fmax(table["oracle_snr_db"], table["oracle_snr_cancelled_db"])
    assert np.mean(best_db >= CARRIED_DB) < 0.06
