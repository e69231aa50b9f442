from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from palpate.explanation import oracle_split, oracle_windows
from palpate.explanation.oracle_split import light_carries
from palpate.signals import WindowTable
from palpate.validation import InputError


def tables(status: list[str], chance: list[float]):
    start_s = 2.0 * np.arange(len(status))
    nothing = np.zeros(start_s.size)
    scored = WindowTable(
        start_s,
        start_s + 8.0,
        {"status": np.array(status), "estimate_bpm": nothing + 90.0, "tolerance_bpm": nothing + 5},
    )
    columns = {"oracle_bpm": nothing + 70.0, "oracle_chance": np.array(chance, float)}
    return scored, WindowTable(start_s, start_s + 8.0, columns), np.zeros(start_s.size, dtype=bool)


def test_counts_by_hand():
    nan = np.nan
    status = ["outside", "outside", "outside", "outside", "within", "reference untrusted"]
    found = oracle_split(*tables(status, [0.01, 0.05, 0.06, nan, 0.01, 0.01]))
    assert (found.n_outside, found.n_missed, found.n_never_had_it, found.n_unknown) == (4, 2, 1, 1)
    assert found.missed_share == pytest.approx(2 / 3)
    assert found.outside_s == 8.0
    assert found.sentence().startswith("In 2 of 3 windows outside tolerance (67 %, 95 % interval ")


def test_an_estimate_that_is_right_of_the_lights_own_time_is_no_miss():
    scored, oracle, ecg_wrong = tables(["outside"] * 4, [0.01, 0.01, 0.5, 0.5])
    shown = oracle.with_columns(oracle_bpm=np.array([70.0, 86.0, 70.0, 94.0]))
    found = oracle_split(scored, shown, ecg_wrong)
    assert (found.n_missed, found.n_never_had_it, found.n_unknown) == (1, 1, 2)


def test_light_at_the_rate_of_an_ecg_that_is_wrong_tells_nothing():
    scored, oracle, _ = tables(["outside"] * 4, [0.01, 0.01, 0.5, 0.5])
    found = oracle_split(scored, oracle, np.array([False, True, True, True]))
    assert (found.n_missed, found.n_never_had_it, found.n_unknown) == (1, 0, 3)


def test_the_interval_holds_the_share_and_narrows_with_blocks():
    rng = np.random.default_rng(0)

    def width(n: int) -> float:
        chance = np.where(rng.random(n) < 0.3, 0.01, 0.5).tolist()
        found = oracle_split(*tables(["outside"] * n, chance))
        low, high = found.missed_interval
        assert low <= found.missed_share <= high
        return high - low

    assert width(4000) < 0.6 * width(400)


def test_all_missed_is_not_certainly_all_of_it():
    # One stretch of 50 windows that all say the same is worth as many draws as it has blocks of
    # 12, a quarter of the session: 0.025 ** (1 / (50 / 12 + 1)) is the lower end (uniform prior).
    found = oracle_split(*tables(["outside"] * 50, [0.0] * 50))
    assert found.missed_share == 1.0
    assert found.missed_interval == pytest.approx((0.025 ** (12 / 62), 1.0))


def test_without_errors_or_light_it_says_so():
    nothing = oracle_split(*tables(["within"] * 5, [0.0] * 5))
    assert np.isnan(nothing.missed_share)
    assert nothing.sentence() == "No window is outside tolerance."
    dark = oracle_split(*tables(["outside"] * 5, [np.nan] * 5))
    assert dark.n_unknown == 5
    assert dark.sentence() == (
        "None of 5 windows outside tolerance can be judged by its light: there is none, or its "
        "clock or the ECG is off."
    )


def test_no_window_is_refused():
    with pytest.raises(InputError, match="no window"):
        oracle_split(*tables([], []))


@pytest.mark.parametrize("colour", [0.0, 0.9])
def test_light_without_a_pulse_passes_as_often_as_stated(colour):
    rng = np.random.default_rng(3)
    n = 64 * 2400
    light = lfilter([1.0], [1.0, -colour], rng.normal(size=n))
    rates = rng.uniform(30.0, 230.0, 1197)
    table = oracle_windows(light, rng.normal(size=(n, 3)), rates, fs_hz=64.0)
    for false_alarm in (0.05, 0.2):
        # Windows overlap fourfold, so 1197 count as 300: three standard errors.
        slack = 3.0 * np.sqrt(false_alarm * (1.0 - false_alarm) / 300)
        passed = light_carries(table, false_alarm=false_alarm)[0].mean()
        assert passed == pytest.approx(false_alarm, abs=slack)


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_only_the_true_rate_is_carried_and_neither_half_nor_double(factor):
    rng = np.random.default_rng(4)
    cycles = 1.3 * np.arange(64 * 240) / 64.0
    pulse = np.sin(2 * np.pi * cycles) + 0.6 * np.sin(4 * np.pi * cycles)
    light = pulse + 0.5 * rng.normal(size=cycles.size)
    rates = np.full(117, factor * 78.0)
    carried, known = light_carries(oracle_windows(light, None, rates, fs_hz=64.0))
    assert known.all()
    assert carried.mean() == pytest.approx(float(factor == 1.0), abs=0.05)
