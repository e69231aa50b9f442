from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.explanation.events import event_responses, heart_rate_events
from palpate.validation import InputError

TIME_S = np.arange(0.0, 400.0, 2.0)


def sets(delay_s: float = 0.0, height: float = 40.0) -> np.ndarray:
    """Two sets: from 100 up by ``height`` in 30 s, down again in 60 s; at 60 s and 220 s."""
    corners_s = np.array([0, 60, 90, 150, 220, 250, 310, 400.0])
    corners_bpm = 100.0 + height * np.array([0, 0, 1, 0, 0, 1, 0, 0])
    return np.interp(TIME_S - delay_s, corners_s, corners_bpm)


def test_two_sets_are_two_rises_and_two_falls() -> None:
    events = heart_rate_events(TIME_S, sets())
    assert [e.kind for e in events] == ["rise", "fall", "rise", "fall"]
    assert [e.height_bpm for e in events] == [40.0, -40.0, 40.0, -40.0]


def test_an_event_is_the_10_to_90_percent_part_ieee_181() -> None:
    rise = heart_rate_events(TIME_S, sets())[0]
    # 40 bpm in 30 s from 60 s on: 10 % at 63 s, half at 75 s, 90 % at 87 s; 2 s grid.
    assert rise.start_s == pytest.approx(63.0, abs=2.0)
    assert rise.middle_s == pytest.approx(75.0, abs=0.1)
    assert rise.end_s == pytest.approx(87.0, abs=2.0)


def test_every_step_of_an_exercise_test_is_a_rise() -> None:
    # Five steps of 3 min, 20 bpm each; the heart settles with a time constant of 30 s.
    time_s = np.arange(0.0, 900.0, 2.0)
    steps, within_s = np.divmod(time_s, 180.0)
    rate = 80.0 + 20.0 * (steps - np.exp(-within_s / 30.0))
    rises = heart_rate_events(time_s, rate)
    assert [e.kind for e in rises] == ["rise"] * 5
    assert [e.from_bpm for e in rises] == pytest.approx([60, 80, 100, 120, 140], abs=2.5)
    assert [e.middle_s % 180.0 for e in rises] == pytest.approx([30.0 * np.log(2.0)] * 5, abs=4.0)
    falls = heart_rate_events(time_s, 200.0 - rate)
    assert [e.kind for e in falls] == ["fall"] * 5


@pytest.mark.parametrize("settles_s", [20.0, 40.0, 60.0])
def test_a_heart_that_settles_makes_one_rise(settles_s: float) -> None:
    time_s = np.arange(0.0, 900.0, 2.0)
    rate = 80.0 + 70.0 * (1.0 - np.exp(-np.maximum(time_s - 100.0, 0.0) / settles_s))
    (rise,) = heart_rate_events(time_s, rate)
    assert (rise.from_bpm, rise.to_bpm) == (80.0, pytest.approx(150.0, abs=0.1))


def test_a_steady_climb_is_one_rise() -> None:
    time_s = np.arange(0.0, 400.0, 2.0)
    (rise,) = heart_rate_events(time_s, 80.0 + 0.2 * time_s)
    assert rise.height_bpm == pytest.approx(79.6)


def test_a_perfect_estimate_sees_all_at_once() -> None:
    events = heart_rate_events(TIME_S, sets())
    for response in event_responses(events, TIME_S, sets(), sets()):
        assert response.detected
        assert response.seen_share > 0.95
        assert response.late_s == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("delay_s", [4.0, 10.0, 16.0])
def test_a_late_estimate_is_late_by_its_delay(delay_s: float) -> None:
    events = heart_rate_events(TIME_S, sets())
    for response in event_responses(events, TIME_S, sets(), sets(delay_s)):
        assert response.detected
        assert response.late_s == pytest.approx(delay_s, abs=0.5)


def test_a_flat_estimate_sees_nothing() -> None:
    events = heart_rate_events(TIME_S, sets())
    for level_bpm in (100.0, 120.0, 140.0, 30.0):
        flat = np.full(TIME_S.shape, level_bpm)
        for response in event_responses(events, TIME_S, sets(), flat):
            assert not response.detected
            assert response.seen_share == 0.0
            assert np.isnan(response.late_s)


def test_an_estimate_that_comes_back_from_elsewhere_has_seen_nothing() -> None:
    # Lost at 30 bpm during the set, right again after it: a large move, but not the set's.
    lost = np.where((TIME_S > 50) & (TIME_S < 92), 30.0, sets())
    rise = heart_rate_events(TIME_S, sets())[:1]
    response = event_responses(rise, TIME_S, sets(), lost)[0]
    assert not response.detected


def test_part_of_the_height_is_seen_as_that_part() -> None:
    events = heart_rate_events(TIME_S, sets())
    responses = event_responses(events, TIME_S, sets(), sets(height=12.0))
    assert [r.detected for r in responses[0::2]] == [False, False]
    assert responses[0].seen_share == pytest.approx(0.3, abs=0.05)


def test_one_wild_window_is_no_detection() -> None:
    estimate = np.full(TIME_S.shape, 100.0)
    estimate[40] = 150.0
    rise = heart_rate_events(TIME_S, sets())[:1]
    assert not event_responses(rise, TIME_S, sets(), estimate)[0].detected


def test_slow_drift_and_small_wiggles_are_no_events() -> None:
    drift = 80.0 + 20.0 * TIME_S / TIME_S[-1]
    assert heart_rate_events(TIME_S, drift) == ()
    assert heart_rate_events(TIME_S, 80.0 + 4.5 * np.sin(TIME_S / 10.0)) == ()


def test_a_leg_that_is_mostly_untrusted_is_left_out() -> None:
    reference = sets()
    reference[(TIME_S > 60) & (TIME_S < 90)] = np.nan
    events = heart_rate_events(TIME_S, reference)
    assert "rise" in [e.kind for e in events if e.start_s > 200]
    assert not [e for e in events if e.kind == "rise" and e.start_s < 100]


def test_without_an_estimate_nothing_is_known() -> None:
    events = heart_rate_events(TIME_S, sets())
    response = event_responses(events, TIME_S, sets(), np.full(TIME_S.shape, np.nan))[0]
    assert not response.detected
    assert np.isnan(response.seen_share)


def test_nothing_in_gives_nothing_out() -> None:
    assert heart_rate_events(np.array([]), np.array([])) == ()
    assert heart_rate_events(TIME_S, np.full(TIME_S.shape, np.nan)) == ()
    with pytest.raises(InputError, match="200 times but 3"):
        heart_rate_events(TIME_S, np.ones(3))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31), st.floats(-200.0, 200.0))
def test_events_move_with_time_and_mirror_with_sign(seed: int, shift_s: float) -> None:
    rng = np.random.default_rng(seed)
    rate = 110.0 + np.cumsum(rng.normal(0, 3.0, TIME_S.size))
    events = heart_rate_events(TIME_S, rate)
    moved = heart_rate_events(TIME_S + shift_s, rate)
    mirrored = heart_rate_events(TIME_S, 220.0 - rate)
    assert [e.height_bpm for e in events] == [e.height_bpm for e in moved]
    np.testing.assert_allclose(
        [e.start_s + shift_s for e in events], [e.start_s for e in moved], atol=1e-6
    )
    np.testing.assert_allclose(
        [-e.height_bpm for e in events], [e.height_bpm for e in mirrored], atol=1e-9
    )
    for event in events:
        assert abs(event.height_bpm) >= 10.0
        assert event.start_s < event.end_s
