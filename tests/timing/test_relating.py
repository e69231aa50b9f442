from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage, signal

from palpate.timing import Acceleration, Evidence, Verdict, best, relate
from palpate.timing.latency import smoothed
from palpate.timing.records import ClockFit

Floats = NDArray[np.float64]
LENGTH_S = 2400.0
OWN_S = np.arange(0.0, LENGTH_S)


def late_readings(course: tuple[Floats, Floats], *, offset_s: float, smoothing_s: float) -> Floats:
    rng = np.random.default_rng(1)
    time_s, hr_bpm = course
    noise = signal.lfilter([0.3], [1.0, -0.8], rng.standard_normal(OWN_S.size))
    late = smoothed(hr_bpm, smoothing_s, fs_hz=4.0)
    return np.round(np.interp(OWN_S + offset_s, time_s, late) + noise)


def test_every_way_is_tried_and_the_narrowest_interval_is_taken(
    movement: Callable[..., Floats], readings: Callable[..., Floats]
) -> None:
    acc = movement(1, LENGTH_S)
    reference = Evidence(
        acceleration=Acceleration(acc, 50.0),
        rate_s=OWN_S,
        rate_bpm=readings(1, LENGTH_S, OWN_S),
    )
    recording = Evidence(
        acceleration=Acceleration(acc[500:], 50.0),
        rate_s=OWN_S,
        rate_bpm=readings(1, LENGTH_S, OWN_S + 10.0, 2),
    )
    fits = relate(reference, recording)
    assert [fit.method for fit in fits] == ["taps", "acceleration", "heart rate"]
    chosen = best(fits)
    assert chosen is fits[1]
    assert chosen.offset_s == pytest.approx(10.0, abs=0.01)
    assert fits[2].offset_s == pytest.approx(10.0, abs=1.0)


def test_a_smoothing_is_not_taken_for_clock_but_a_delay_is(
    heart: Callable[..., tuple[Floats, Floats]], beats: Callable[..., Floats]
) -> None:
    reference = Evidence(beat_s=beats(2, LENGTH_S))
    shown = late_readings(heart(2, LENGTH_S), offset_s=20.0, smoothing_s=8.0)
    (fit,) = relate(reference, Evidence(rate_s=OWN_S, rate_bpm=shown))
    assert fit.longest is not None
    assert fit.offset_s == pytest.approx(20.0, abs=1.0)
    assert fit.longest.offset_interval_s[0] < 20.0 < fit.longest.offset_interval_s[1]
    delayed = Evidence(rate_s=OWN_S + 3.0, rate_bpm=shown)
    (late,) = relate(reference, delayed)
    assert late.offset_s == pytest.approx(17.0, abs=1.0)
    assert "pure delay" in late.caveat


@pytest.mark.parametrize("width_s", [6.0, 12.0])
def test_the_interval_holds_the_clock_of_a_device_that_stamps_the_middle_of_its_average(
    heart: Callable[..., tuple[Floats, Floats]], beats: Callable[..., Floats], width_s: float
) -> None:
    time_s, hr_bpm = heart(2, LENGTH_S)
    centred = ndimage.uniform_filter1d(hr_bpm, round(4.0 * width_s) + 1)
    readings = np.round(np.interp(OWN_S + 20.0, time_s, centred))
    (fit,) = relate(Evidence(beat_s=beats(2, LENGTH_S)), Evidence(rate_s=OWN_S, rate_bpm=readings))
    assert fit.longest is not None
    assert fit.longest.offset_interval_s[0] < 20.0 < fit.longest.offset_interval_s[1]
    assert fit.longest.offset_interval_s[1] - fit.longest.offset_interval_s[0] < width_s
    assert "smoothing for an average of the past" in fit.caveat


def test_beats_and_pulses_come_before_heart_rates(beats: Callable[..., Floats]) -> None:
    beat_s = beats(3, LENGTH_S)
    fits = relate(Evidence(beat_s=beat_s), Evidence(pulse_s=beat_s - 7.0 + 0.35))
    assert [fit.method for fit in fits] == ["pulses"]
    chosen = best(fits)
    assert chosen is not None
    assert chosen.offset_s == pytest.approx(7.0, abs=0.02)


def test_recordings_that_share_nothing_have_no_fit(beats: Callable[..., Floats]) -> None:
    assert relate(Evidence(beat_s=beats(1, 300.0)), Evidence()) == ()
    assert best(()) is None


def test_an_ambiguous_fit_is_preferred_to_an_unknown_one() -> None:
    unsure = ClockFit("b", Verdict.AMBIGUOUS, "several", 0.5)
    assert best((ClockFit("a", Verdict.UNKNOWN, "no", 0.0), unsure)) is unsure
