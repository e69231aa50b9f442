import numpy as np
import pytest

from palpate.explanation.softness import all_of, any_of, falling, rising, unless


def test_thresholds_are_straight_lines_between_none_and_full():
    values = np.array([0.0, 1.0, 1.5, 2.0, 9.0])
    assert rising(values, 1.0, 2.0).tolist() == [0.0, 0.0, 0.5, 1.0, 1.0]
    assert falling(values, 1.0, 2.0).tolist() == [1.0, 1.0, 0.5, 0.0, 0.0]


@pytest.mark.parametrize("soft", [rising, falling])
def test_what_was_not_measured_meets_no_condition(soft):
    assert soft(np.array([np.nan]), 1.0, 2.0).tolist() == [0.0]


def test_conditions_are_as_sure_as_the_weakest_and_signs_as_the_strongest():
    first, second = np.array([0.2, 0.9]), np.array([0.7, 0.4])
    assert all_of(first, second).tolist() == [0.2, 0.4]
    assert any_of(first, second).tolist() == [0.7, 0.9]
    assert unless(first).tolist() == pytest.approx([0.8, 0.1])
