from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from palpate.timing import latency, rate_of_beats
from palpate.timing.latency import smoothed
from palpate.validation import InputError

Floats = NDArray[np.float64]
LENGTH_S = 3600.0
OWN_S = np.arange(0.0, LENGTH_S)


def shown(
    course: tuple[Floats, Floats], *, delay_s: float, smoothing_s: float, seed: int = 0
) -> Floats:
    """Return whole bpm of a device that is late and smooth, with noise and 5 % missing."""
    rng = np.random.default_rng(seed)
    time_s, hr_bpm = course
    late = smoothed(hr_bpm, smoothing_s, fs_hz=4.0)
    noise = signal.lfilter([0.5], [1.0, -0.8], rng.standard_normal(OWN_S.size))
    readings = np.round(np.interp(OWN_S - delay_s, time_s, late) + noise)
    readings[rng.random(OWN_S.size) < 0.05] = np.nan
    return np.asarray(readings)


@pytest.mark.parametrize(("delay_s", "smoothing_s"), [(0.0, 4.0), (3.0, 8.0), (7.5, 20.0)])
def test_delay_within_1_s_and_smoothing_within_20_percent(
    heart: Callable[..., tuple[Floats, Floats]],
    beats: Callable[..., Floats],
    delay_s: float,
    smoothing_s: float,
) -> None:
    readings = shown(heart(1, LENGTH_S), delay_s=delay_s, smoothing_s=smoothing_s)
    for first in (200, 1500, 2900):  # astray for half a minute
        readings[first : first + 30] = 155.0
    found = latency(*rate_of_beats(beats(1, LENGTH_S)), OWN_S, readings)
    assert found.delay_s == pytest.approx(delay_s, abs=1.0)
    assert found.smoothing_s == pytest.approx(smoothing_s, rel=0.2)
    assert found.delay_interval_s[0] - 0.2 <= delay_s <= found.delay_interval_s[1] + 0.2
    assert found.lateness_s == pytest.approx(delay_s + smoothing_s, abs=1.0)
    assert found.reason == ""


def test_adding_to_the_times_adds_to_the_delay(
    heart: Callable[..., tuple[Floats, Floats]],
) -> None:
    readings = shown(heart(2, LENGTH_S), delay_s=2.0, smoothing_s=6.0)
    plain = latency(*heart(2, LENGTH_S), OWN_S, readings)
    moved = latency(*heart(2, LENGTH_S), OWN_S + 3.0, readings)
    assert moved.delay_s - plain.delay_s == pytest.approx(3.0, abs=0.1)
    assert moved.smoothing_s == pytest.approx(plain.smoothing_s, abs=0.2)


def test_a_bias_is_told_from_a_delay(heart: Callable[..., tuple[Floats, Floats]]) -> None:
    readings = shown(heart(3, LENGTH_S), delay_s=2.0, smoothing_s=6.0) + 5.0
    found = latency(*heart(3, LENGTH_S), OWN_S, readings)
    assert found.bias_bpm == pytest.approx(5.0, abs=0.3)
    assert found.delay_s == pytest.approx(2.0, abs=0.6)


def test_each_activity_has_its_own_latency(heart: Callable[..., tuple[Floats, Floats]]) -> None:
    early = OWN_S < LENGTH_S / 2
    course = heart(4, LENGTH_S)
    readings = np.where(
        early,
        shown(course, delay_s=1.0, smoothing_s=4.0),
        shown(course, delay_s=6.0, smoothing_s=12.0),
    )
    first, second = (latency(*course, OWN_S, readings, where=part) for part in (early, ~early))
    assert first.lateness_s == pytest.approx(5.0, abs=1.0)
    assert second.lateness_s == pytest.approx(18.0, abs=1.5)
    assert first.n_readings + second.n_readings == np.isfinite(readings).sum()


def test_a_steady_heart_shows_no_latency() -> None:
    rng = np.random.default_rng(0)
    steady = 70.0 + rng.normal(0, 0.5, OWN_S.size)
    found = latency(OWN_S, steady, OWN_S, np.round(steady))
    assert "hardly moves" in found.reason
    assert np.isnan(found.delay_s)
    assert np.isnan(found.smoothing_interval_s).all()


@pytest.mark.parametrize(
    ("last_s", "message"), [(30.0, "only 30 readings"), (100.0, "less than 5 blocks")]
)
def test_too_little_is_refused(
    heart: Callable[..., tuple[Floats, Floats]], last_s: float, message: str
) -> None:
    course = heart(1, LENGTH_S)
    readings = np.interp(OWN_S, *course)
    assert message in latency(*course, OWN_S, readings, where=last_s > OWN_S).reason


def test_a_reference_without_values_is_refused() -> None:
    found = latency(OWN_S, np.full(OWN_S.size, np.nan), OWN_S, np.full(OWN_S.size, 70.0))
    assert found.reason == "the reference has no value"


def test_times_and_readings_must_pair() -> None:
    with pytest.raises(InputError, match="3600 times but 2 readings"):
        latency(OWN_S, OWN_S, OWN_S, np.ones(2))
    with pytest.raises(InputError, match="where has 5 items but there are 3600 readings"):
        latency(OWN_S, OWN_S, OWN_S, OWN_S, where=np.ones(5, dtype=bool))


@pytest.mark.parametrize("fs_hz", [1.0, 4.0, 20.0])
def test_smoothing_follows_the_first_order_law_at_any_rate(fs_hz: float) -> None:
    """A ramp t comes out as t - T (1 - exp(-t / T)), the first-order system's ramp response."""
    time_s = np.arange(0.0, 60.0, 1.0 / fs_hz)
    expected = time_s - 10.0 * (1.0 - np.exp(-time_s / 10.0))
    np.testing.assert_allclose(smoothed(time_s, 10.0, fs_hz=fs_hz), expected, atol=1e-9)


def test_no_smoothing_changes_nothing() -> None:
    np.testing.assert_array_equal(smoothed(OWN_S, 0.0, fs_hz=4.0), OWN_S)
