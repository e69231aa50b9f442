"""The plain band's parts against numpy: smoothing over the past, and channels that weigh alike."""

import numpy as np
import pytest

from palpate.heartrate.conventional import mean_channel_power, trailing_median


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("depth", [1, 2, 5, 50])
def test_the_median_is_that_of_the_present_and_the_last_known_values(depth):
    rng = np.random.default_rng(0)
    values = rng.normal(size=40)
    values[rng.random(40) < 0.3] = np.nan
    values[10:17] = np.nan
    found = trailing_median(values, depth)
    for now, median in enumerate(found):
        past = values[max(now - depth + 1, 0) : now + 1]
        known = past[np.isfinite(past)]
        assert median == np.median(known) if known.size else np.isnan(median)


def test_channels_weigh_alike_whatever_their_gain():
    power = np.array([[[1.0, 300.0], [3.0, 100.0]]])
    np.testing.assert_allclose(mean_channel_power(power), [[0.5, 0.5]])
    np.testing.assert_allclose(mean_channel_power(power * [1.0, 0.0]), [[0.125, 0.375]])
