from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from palpate.timing import Verdict, align_taps, find_taps
from palpate.validation import InputError

Floats = NDArray[np.float64]
SPACINGS_S = np.array([0.42, 0.55, 0.38, 0.61])


def pattern(at_s: float, spacings_s: Floats = SPACINGS_S) -> Floats:
    return at_s + np.concatenate(([0.0], np.cumsum(spacings_s)))


def tapped(
    tap_s: Floats,
    *,
    fs_hz: float = 100.0,
    offset_s: float = 0.0,
    drift_ppm: float = 0.0,
    length_s: float = 600.0,
) -> Floats:
    """Render taps as ringing of 20 Hz on a device that is worn while walking now and then."""
    rng = np.random.default_rng(int(fs_hz))
    own_s = np.arange(int(length_s * fs_hz)) / fs_hz
    at_s = own_s * (1 + drift_ppm * 1e-6) + offset_s
    acc = rng.normal(0, 0.01, (own_s.size, 3)) + np.array([0.0, 0.0, 1.0])
    walking = (at_s > 100) & (at_s < 400)
    acc[:, 0] += walking * 0.4 * np.sin(2 * np.pi * 1.9 * at_s)
    acc[:, 2] += walking * 0.1 * np.sin(2 * np.pi * 5.7 * at_s)
    for tap in tap_s:
        near = np.flatnonzero(np.abs(at_s - tap) < 0.3)
        after = np.maximum(at_s[near] - tap, 0.0)
        ring = np.exp(-after / 0.02) * np.sin(2 * np.pi * 20.0 * after)
        acc[near] += 2.0 * ring[:, np.newaxis] * np.array([0.3, 0.5, 0.8])
    return acc


def test_one_pattern_sets_the_offset_within_20_ms() -> None:
    fit = align_taps(
        tapped(pattern(30.0)),
        tapped(pattern(30.0), fs_hz=64.0, offset_s=-12.34),
        reference_fs_hz=100.0,
        fs_hz=64.0,
    )
    assert fit.verdict is Verdict.KNOWN
    assert fit.reference_s(np.array([42.34]))[0] == pytest.approx(30.0, abs=0.020)


def test_a_second_pattern_sets_the_drift() -> None:
    taps_s = np.concatenate((pattern(30.0), pattern(3500.0)))
    fit = align_taps(
        tapped(taps_s, length_s=3600.0),
        tapped(taps_s, fs_hz=64.0, offset_s=2.0, drift_ppm=60.0, length_s=3600.0),
        reference_fs_hz=100.0,
        fs_hz=64.0,
    )
    assert fit.verdict is Verdict.KNOWN
    assert fit.drift_ppm == pytest.approx(60.0, abs=8.0)
    assert fit.offset_s == pytest.approx(2.0, abs=0.020)


def test_swapping_the_roles_negates_the_offset() -> None:
    first, second = tapped(pattern(30.0)), tapped(pattern(30.0), offset_s=5.0)
    there = align_taps(first, second, reference_fs_hz=100.0, fs_hz=100.0)
    back = align_taps(second, first, reference_fs_hz=100.0, fs_hz=100.0)
    assert back.offset_s == pytest.approx(-there.offset_s, abs=0.005)


def test_even_taps_of_which_one_was_missed_are_ambiguous() -> None:
    even_s = pattern(30.0, np.full(5, 0.5))
    fit = align_taps(tapped(even_s), tapped(even_s[1:]), reference_fs_hz=100.0, fs_hz=100.0)
    assert fit.verdict is Verdict.AMBIGUOUS
    assert sorted(round(lag, 1) for lag in fit.alternatives_s) in ([-0.5, 0.0], [0.0, 0.5])


def test_uneven_taps_of_which_one_was_missed_are_known() -> None:
    taps_s = pattern(30.0, np.array([0.4, 0.7, 0.3, 0.6, 0.9]))
    fit = align_taps(
        tapped(taps_s), tapped(np.delete(taps_s, 2)), reference_fs_hz=100.0, fs_hz=100.0
    )
    assert fit.verdict is Verdict.KNOWN
    assert fit.offset_s == pytest.approx(0.0, abs=0.01)


def test_different_patterns_do_not_go_together() -> None:
    fit = align_taps(
        tapped(pattern(30.0)),
        tapped(pattern(30.0, np.array([0.9, 0.3, 0.8, 0.2]))),
        reference_fs_hz=100.0,
        fs_hz=100.0,
    )
    assert fit.verdict is Verdict.UNKNOWN


def test_three_taps_alone_may_be_chance() -> None:
    taps_s = pattern(30.0, np.array([0.4, 0.7]))
    fit = align_taps(tapped(taps_s), tapped(taps_s), reference_fs_hz=100.0, fs_hz=100.0)
    assert fit.verdict is Verdict.UNKNOWN
    assert "chance" in fit.reason


def test_walking_alone_holds_no_taps() -> None:
    assert find_taps(tapped(np.empty(0)), fs_hz=100.0).size == 0
    fit = align_taps(tapped(np.empty(0)), tapped(pattern(30.0)), reference_fs_hz=100.0, fs_hz=100.0)
    assert fit.verdict is Verdict.UNKNOWN
    assert "the reference holds no group" in fit.reason


@pytest.mark.filterwarnings("error")
def test_one_absurd_sample_hides_no_tap() -> None:
    acc = tapped(pattern(30.0), length_s=60.0)
    found = find_taps(acc, fs_hz=100.0)
    acc[1000] = 1e9
    again = find_taps(acc, fs_hz=100.0)
    np.testing.assert_allclose(again[again > 20.0], found[found > 20.0], atol=1e-3)
    assert found[found > 20.0].size == 5


def test_lists_are_read_and_an_empty_record_holds_no_taps() -> None:
    acc = tapped(pattern(30.0), length_s=60.0).tolist()
    fit = align_taps(acc, acc, reference_fs_hz=100.0, fs_hz=100.0)  # type: ignore[arg-type]
    assert fit.offset_s == pytest.approx(0.0, abs=0.01)
    assert find_taps(np.empty((0, 3)), fs_hz=100.0).size == 0


@pytest.mark.parametrize("gain", [1e-3, 9.81, 1e4])
def test_the_unit_does_not_matter(gain: float) -> None:
    acc = tapped(pattern(30.0))
    np.testing.assert_allclose(
        find_taps(gain * acc, fs_hz=100.0), find_taps(acc, fs_hz=100.0), atol=1e-6
    )


def test_a_rate_too_slow_is_refused_in_one_sentence() -> None:
    with pytest.raises(InputError, match="taps need an accelerometer of 20 Hz, not 10 Hz"):
        find_taps(np.ones((1000, 3)), fs_hz=10.0)
