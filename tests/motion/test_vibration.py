"""Hand-arm weighting against ISO 5349-1 and against sines of known frequency."""

from pathlib import Path

import numpy as np
import pytest

from palpate.motion import hand_arm_weighted, vibration_label, wh_response
from palpate.validation import InputError

TABLE = Path(__file__).parents[2] / "reference_data" / "iso5349_1_Wh_weights.csv"


def table_a2():
    band, _, weight = np.loadtxt(TABLE, delimiter=",", skiprows=2, unpack=True)
    return 10.0 ** (band / 10.0), weight


def test_iso_5349_1_table_a2_weights_at_every_band_centre():
    centre_hz, weight = table_a2()
    assert centre_hz.size == 24
    # The table has three digits; half a unit in the last is up to 0.31 %.
    np.testing.assert_allclose(np.abs(wh_response(centre_hz)), weight, rtol=0.0035)


@pytest.mark.parametrize("band", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("fs_hz", [100.0, 125.0, 256.0, 512.0])
def test_iso_5349_1_table_a2_weights_of_a_sampled_sine(band, fs_hz):
    centre_hz, weight = table_a2()
    hz = centre_hz[band - 8]
    t = np.arange(int(40 * fs_hz)) / fs_hz
    sine = np.stack([np.sin(2 * np.pi * hz * t), np.full(t.size, 9.81)], axis=1)
    middle = hand_arm_weighted(sine, fs_hz=fs_hz)[t.size // 4 : -t.size // 4]
    rms = np.sqrt((middle**2).mean(axis=0))
    assert rms[0] == pytest.approx(weight[band - 8] / np.sqrt(2), rel=0.005)
    assert rms[1] < 1e-9  # gravity is no vibration


def test_gaps_carry_no_vibration():
    acc = np.full((2000, 1), 9.81)
    acc[500:700] = np.nan
    assert np.abs(hand_arm_weighted(acc, fs_hz=100.0)).max() < 1e-9


@pytest.mark.parametrize("fs_hz", [0.0, np.nan])
def test_a_rate_that_cannot_be_is_refused(fs_hz):
    with pytest.raises(InputError, match="fs_hz"):
        hand_arm_weighted(np.ones((100, 3)), fs_hz=fs_hz)


@pytest.mark.parametrize(
    ("fs_hz", "words"),
    [(12.5, "not measurable"), (50.0, "8 to 22.5 Hz"), (128.0, "8 to 57.6 Hz"), (3200.0, "1000")],
)
def test_the_label_says_what_band_the_index_covers(fs_hz, words):
    assert words in vibration_label(fs_hz)
