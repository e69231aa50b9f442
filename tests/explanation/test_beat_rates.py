import numpy as np
import pytest

from palpate.explanation.beat_rates import rate_between


def rate(beats, start, end):
    return rate_between(np.asarray(beats, float), np.array([start], float), np.array([end], float))[
        0
    ]


def test_cycles_are_counted_with_fractions():
    # From 0.5 to 3 s: half of the first second, then a beat at 1, 2 and 3 s: 2.5 cycles.
    assert rate([0, 1, 2, 3, 4], 0.5, 3.0) == pytest.approx(60.0)
    # Beats at 0, 1 and 3 s: from 0 to 2 s one and a half cycles in two seconds.
    assert rate([0, 1, 3], 0.0, 2.0) == pytest.approx(45.0)


def test_beyond_the_beats_the_part_between_them_counts_if_it_is_half():
    assert rate([1, 2, 3], 0.5, 2.5) == pytest.approx(60.0)
    assert rate([1, 2, 3], 2.0, 4.0) == pytest.approx(60.0)
    assert np.isnan(rate([1, 2, 3], 2.1, 4.1))
    assert np.isnan(rate([1, 2, 3], -3.0, 0.5))
    assert np.isnan(rate([1], 1.0, 1.0))


def test_across_a_pause_in_the_beats_there_is_no_rate():
    beats = [0, 1, 2, 6, 7, 8]
    assert np.isnan(rate(beats, 1.0, 7.0))
    assert np.isnan(rate(beats, 3.0, 5.0))
    assert rate(beats, 6.0, 8.0) == pytest.approx(60.0)
