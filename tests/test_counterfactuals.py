from __future__ import annotations

import numpy as np
import pytest

from palpate import counterfactuals
from palpate.counterfactuals import (
    CHANNEL,
    CLOCK,
    CLOCK_OR_LATENCY,
    LATENCY,
    MOTION,
    PEAK,
    best_around,
    device_counterfactuals,
    light_counterfactuals,
    nearest_peak,
)
from palpate.explanation.budget import ErrorBudget
from palpate.explanation.light_clock import LightClock
from palpate.heartrate import METHODS, estimate
from palpate.heartrate.preparation import WindowedSignals
from palpate.signals import FloatArray, WindowTable
from palpate.validation import InputError

FS_HZ = 32.0
NOBODY: frozenset[str] = frozenset()


def light_says(offset_s: float) -> LightClock:
    return LightClock(offset_s=offset_s, within_s=0.1, drift_ppm=0.0, peak_ratio=5.0)


def light_does_not_say(reason: str) -> LightClock:
    return LightClock(np.nan, np.nan, np.nan, 1.1, reason)


RIGHT = light_says(0.0)


def heart_bpm(time_s: FloatArray) -> FloatArray:
    """Go up and down between 70 and 130 bpm by half a bpm per second."""
    return 70.0 + 0.5 * np.abs((time_s + 120.0) % 240.0 - 120.0)


def reference(n: int = 300) -> WindowTable:
    start_s = 2.0 * np.arange(n)
    columns = {"hr_bpm": heart_bpm(start_s + 4.0), "trusted": np.ones(n, dtype=bool)}
    return WindowTable(start_s, start_s + 8.0, columns)


def shares(budget: ErrorBudget) -> dict[str, float]:
    return {share.repair: share.share for share in budget.shares}


def test_a_clock_that_is_off_by_hand() -> None:
    # Half a bpm per second and six seconds: 3 bpm everywhere but at the turns, of which each
    # costs less for some windows. The right clock leaves nothing.
    found = device_counterfactuals(
        reference(),
        heart_bpm(reference().start_s + 4.0 + 6.0),
        light_says(6.0),
    )
    assert np.median(found.absolute_error_bpm[NOBODY]) == pytest.approx(3.0)
    assert np.nanmedian(found.absolute_error_bpm[frozenset({CLOCK})]) == pytest.approx(0.0)
    assert shares(found.budget())[CLOCK] > 0.95
    assert abs(shares(found.budget())[LATENCY]) < 0.05


def test_latency_is_told_from_the_clock_by_the_light() -> None:
    late = heart_bpm(reference().start_s + 4.0 - 8.0)
    found = device_counterfactuals(reference(), late, RIGHT)
    assert shares(found.budget())[LATENCY] > 0.95
    assert shares(found.budget())[CLOCK] == pytest.approx(0.0, abs=1e-9)


def test_clock_and_latency_share_what_they_cost_together() -> None:
    # 8 s late on a clock that is 4 s behind: 4 s, 2 bpm. With the right clock 8 s, 4 bpm; with
    # the latency alone mended 4 s the other way, 2 bpm; with both nothing. Latency removes 0
    # or 4, the clock -2 or 2, depending on which is first: 2 and 0 of 2 bpm.
    found = device_counterfactuals(
        reference(),
        heart_bpm(reference().start_s + 4.0 - 8.0 + 4.0),
        light_says(4.0),
    )
    mended = shares(found.budget())
    assert mended[LATENCY] == pytest.approx(1.0, abs=0.1)
    assert mended[CLOCK] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("clock", [None, light_does_not_say("no one shift")])
def test_without_a_clock_from_light_the_two_are_one_repair(clock: LightClock | None) -> None:
    late = heart_bpm(reference().start_s + 4.0 - 8.0)
    budget = device_counterfactuals(reference(), late, clock).budget()
    assert list(shares(budget)) == [CLOCK_OR_LATENCY]
    assert budget.shares[0].share > 0.95


def test_a_latency_that_cannot_be_told_is_not_tried_and_says_why() -> None:
    steady = WindowTable(
        reference().start_s,
        reference().end_s,
        {"hr_bpm": np.full(300, 80.0), "trusted": np.ones(300, dtype=bool)},
    )
    found = device_counterfactuals(steady, np.full(300, 84.0), RIGHT)
    assert LATENCY not in shares(found.budget())
    assert found.untried[LATENCY]
    assert found.budget().remainder.share == pytest.approx(1.0)


def test_windows_beside_an_untrusted_one_do_not_count() -> None:
    table = reference()
    trusted = np.ones(300, dtype=bool)
    trusted[100:110] = False
    clock = light_says(3.0)
    found = device_counterfactuals(
        table.with_columns(trusted=trusted), heart_bpm(table.start_s + 7.0), clock
    )
    assert np.isnan(found.absolute_error_bpm[NOBODY]).sum() == 10
    assert np.isnan(found.absolute_error_bpm[frozenset({CLOCK})][98:108]).all()


def wave(rate_bpm: FloatArray) -> FloatArray:
    return np.sin(2.0 * np.pi * np.cumsum(rate_bpm / 60.0) / FS_HZ)


@pytest.fixture(scope="module")
def body() -> dict[str, FloatArray]:
    """Light with noise, and motion at 40 to 55 per minute above the heart's rate."""
    time_s = np.arange(round(600 * FS_HZ)) / FS_HZ
    rng = np.random.default_rng(0)
    cadence = 165.0 + 8.0 * np.sin(2.0 * np.pi * time_s / 90.0)
    acc = np.stack([wave(cadence), np.zeros(time_s.size), np.ones(time_s.size)], axis=1)
    pulse = wave(heart_bpm(time_s)) + 0.2 * rng.normal(size=time_s.size)
    return {
        "pulse": pulse,
        "acc": acc + 0.02 * rng.normal(size=acc.shape),
        "leak": 2.5 * acc[:, 0],
        "lamp": 2.5 * wave(210.0 + 6.0 * np.sin(2.0 * np.pi * time_s / 70.0)),
    }


def test_motion_that_the_accelerometer_saw_is_mended_by_cancelling_it(
    body: dict[str, FloatArray],
) -> None:
    budget = light_counterfactuals(
        reference(),
        body["pulse"] + body["leak"],
        body["acc"],
        method="conventional",
        fs_hz=FS_HZ,
        clock=RIGHT,
    ).budget()
    assert list(shares(budget)) == [CLOCK, MOTION, PEAK]
    assert budget.total_bpm > 40.0
    assert shares(budget)[MOTION] > 0.9


def test_what_is_in_one_channel_is_mended_by_the_other(body: dict[str, FloatArray]) -> None:
    noisy = body["pulse"] + np.random.default_rng(1).normal(scale=1.5, size=body["pulse"].size)
    ppg = np.column_stack([body["pulse"] + body["lamp"], noisy])
    budget = light_counterfactuals(
        reference(), ppg, None, method="conventional", fs_hz=FS_HZ, clock=RIGHT
    ).budget()
    assert list(shares(budget)) == [CLOCK, CHANNEL, PEAK]
    assert shares(budget)[CHANNEL] > 0.9


def test_what_no_other_sensor_saw_is_left_to_the_choice_of_peaks(
    body: dict[str, FloatArray],
) -> None:
    budget = light_counterfactuals(
        reference(), body["pulse"] + body["lamp"], body["acc"], method="conventional", fs_hz=FS_HZ
    ).budget()
    assert list(shares(budget)) == [MOTION, PEAK]
    assert shares(budget)[PEAK] > 0.9


def test_light_without_a_pulse_cannot_be_mended(body: dict[str, FloatArray]) -> None:
    noise = np.random.default_rng(3).normal(size=body["pulse"].size)
    budget = light_counterfactuals(
        reference(), noise, body["acc"], method="conventional", fs_hz=FS_HZ
    ).budget()
    assert budget.remainder.share > 0.85


def test_an_estimator_that_cancels_motion_is_not_offered_to(body: dict[str, FloatArray]) -> None:
    found = light_counterfactuals(
        reference(),
        body["pulse"] + body["leak"],
        body["acc"],
        method="robust",
        fs_hz=FS_HZ,
        clock=light_does_not_say("the light follows the heart at no one shift"),
    )
    assert list(shares(found.budget())) == [PEAK]
    assert found.untried == {CLOCK: "the light follows the heart at no one shift"}


def test_light_that_fills_no_window_is_refused(body: dict[str, FloatArray]) -> None:
    with pytest.raises(InputError, match="shorter than one window of 8 s"):
        light_counterfactuals(
            reference(), body["pulse"][:200], None, method="conventional", fs_hz=FS_HZ
        )


@pytest.mark.parametrize("method", METHODS)
def test_without_a_repair_the_error_is_that_of_the_estimator(
    body: dict[str, FloatArray], method: str
) -> None:
    light = body["pulse"] + body["leak"] + 0.5 * np.arange(body["pulse"].size)
    rate = estimate(light, body["acc"], fs_hz=FS_HZ, method=method)
    found = light_counterfactuals(reference(), light, body["acc"], method=method, fs_hz=FS_HZ)
    expected = np.abs(rate.hr_bpm - reference()["hr_bpm"][: len(rate)])
    np.testing.assert_array_equal(found.absolute_error_bpm[NOBODY], expected)


def test_the_clock_of_light_is_mended(body: dict[str, FloatArray]) -> None:
    found = light_counterfactuals(
        reference(),
        body["pulse"],
        body["acc"],
        method="robust",
        fs_hz=FS_HZ,
        start_s=10.0,
        clock=light_says(-10.0),
    )
    assert np.nanmedian(found.absolute_error_bpm[NOBODY]) == pytest.approx(5.0, abs=0.5)
    assert shares(found.budget())[CLOCK] > 0.85


def test_the_same_light_is_heard_once(
    body: dict[str, FloatArray], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Both channels and each alone, with and without motion: six lights, one of them known.
    ppg = np.column_stack([body["pulse"] + body["leak"], body["pulse"] + body["lamp"]])
    heard = []

    def listening(signals: WindowedSignals) -> tuple[FloatArray, FloatArray]:
        heard.append(signals.ppg_windows.tobytes())
        return METHODS["conventional"](signals)

    monkeypatch.setattr(counterfactuals, "METHODS", {"conventional": listening})
    given = estimate(ppg, body["acc"], fs_hz=FS_HZ, method="conventional").hr_bpm
    found = [
        light_counterfactuals(
            reference(),
            ppg,
            body["acc"],
            method="conventional",
            fs_hz=FS_HZ,
            clock=light_says(1.0),
            estimate_bpm=known_bpm,
        ).absolute_error_bpm
        for known_bpm in (None, given)
    ]
    assert len(heard) == 6 + 5
    assert len(set(heard)) == 6
    assert list(found[0]) == list(found[1])
    for members, error_bpm in found[0].items():
        np.testing.assert_array_equal(found[1][members], error_bpm)


def test_nearest_peak_by_hand() -> None:
    rate_bpm = np.arange(30.0, 231.0)
    spectrum = np.ones((4, rate_bpm.size))
    spectrum[:, rate_bpm == 80.0] = 100.0
    spectrum[:, rate_bpm == 120.0] = 50.0
    spectrum[:, rate_bpm == 99.0] = 5.0  # not prominent
    found = nearest_peak(spectrum, rate_bpm, np.array([95.0, 101.0, np.nan, 200.0]))
    np.testing.assert_allclose(found, [80.0, 120.0, np.nan, 120.0])


def test_noise_hardly_ever_has_a_prominent_peak_near_a_given_rate() -> None:
    # Bins of white noise are exponentially distributed and independent at one per cell.
    noise = np.random.default_rng(0).exponential(size=(5000, 27))
    rate_bpm = 30.0 + 7.5 * np.arange(27)
    near = np.abs(nearest_peak(noise, rate_bpm, np.full(5000, 120.0)) - 120.0) < 7.5
    assert near.mean() < 0.005


def test_best_around_by_hand() -> None:
    # The second is right in the first half, the first in the other; within half a minute of
    # the change neither is surely better, so it is the first. Where the truth is unknown nothing
    # counts.
    true_bpm = np.full(200, 80.0)
    true_bpm[190:] = np.nan
    rates = np.full((2, 200), 80.0)
    rates[0, :100], rates[1, 100:] = 90.0, 90.0
    best = best_around(rates, true_bpm, overlapping=3)
    assert best[:85].all()
    assert not best[100:].any()
    rates[0, 100:] = np.nan
    best = best_around(rates, true_bpm, overlapping=3)
    assert best[:80].all()
    assert best[110:185].all()


def test_a_window_has_no_say_in_its_own_channel() -> None:
    # The second is right at one window and the three on either side that overlap it, no better
    # around: only windows further away may take it for the best, that one may not.
    true_bpm = np.full(101, 80.0)
    rates = np.full((2, 101), 90.0)
    rates[1, 47:54] = 80.0
    best = best_around(rates, true_bpm, overlapping=3)
    assert best[50] == 0


def test_of_channels_that_differ_in_noise_alone_none_is_best(body: dict[str, FloatArray]) -> None:
    removed = []
    for seed in range(4):
        noise = np.random.default_rng(seed).normal(scale=5.0, size=(body["pulse"].size, 3))
        budget = light_counterfactuals(
            reference(),
            body["pulse"][:, np.newaxis] + noise,
            None,
            method="conventional",
            fs_hz=FS_HZ,
        ).budget()
        assert budget.total_bpm > 5.0
        removed.append(budget.shares[0])
    assert all(one.repair == CHANNEL and one.low_bpm <= 0.0 for one in removed)
    assert all(one.share < 0.03 for one in removed)


def test_a_better_channel_never_makes_much_worse(body: dict[str, FloatArray]) -> None:
    # Two channels of one noise are best heard together.
    rng = np.random.default_rng(8)
    ppg = body["pulse"][:, np.newaxis] + rng.normal(scale=1.5, size=(body["pulse"].size, 2))
    budget = light_counterfactuals(
        reference(), ppg, body["acc"], method="robust", fs_hz=FS_HZ
    ).budget()
    assert shares(budget)[CHANNEL] > -0.05
