"""RR intervals told apart by Lipponen & Tarvainen 2019."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray

from palpate.ecg import classify_rr
from palpate.ecg.intervals import LABELS, beats_in_between
from palpate.validation import InputError

Floats = NDArray[np.float64]


def where(label: NDArray[np.str_], *names: str) -> list[int]:
    return [int(i) for i in np.flatnonzero(np.isin(label, names))]


def heart(seed: int, beats: int = 300) -> Floats:
    """Return beat times with respiratory and random variation."""
    rng = np.random.default_rng(seed)
    swing = 0.05 * np.sin(np.arange(beats) / 7.0)
    rr = 0.8 + swing + 0.02 * rng.standard_normal(beats)
    return np.asarray(np.cumsum(rr))


def test_lipponen_2019_fixture_of_one_moved_one_deleted_one_inserted_beat(data_dir: Path) -> None:
    # Expected classes: neurokit2 0.2.13, named in the file's first line.
    table = data_dir / "reference_tables" / "lipponen_fixture.csv"
    rows = [line.split(",") for line in table.read_text().splitlines()[2:]]
    found = classify_rr(np.array([float(row[1]) for row in rows if row[1]]) / 1000.0)
    assert where(found.label, "ectopic") == [61]
    assert where(found.label, "missed") == [110]
    assert where(found.label, "extra") == [160]
    assert where(found.label, "long", "short") == [60, 161, 162]


@pytest.mark.parametrize("seed", range(8))
def test_classes_agree_with_neurokit2_away_from_the_start(seed: int) -> None:
    neurokit2 = pytest.importorskip("neurokit2", reason="second opinion")
    rng = np.random.default_rng(100 + seed)
    beats = np.delete(heart(seed), rng.choice(300, 5, replace=False))
    after = rng.choice(beats.size - 1, 5, replace=False)
    added = beats[after] + rng.uniform(0.2, 0.8, 5) * np.diff(beats)[after]
    beats = np.unique(np.round(np.concatenate((beats, added)), 3))
    found = classify_rr(beats).label
    theirs, _ = neurokit2.signal_fixpeaks(
        np.round(beats * 1000.0).astype(int), sampling_rate=1000, iterative=False, method="kubios"
    )
    # The interval before the first beat is set otherwise here, which shifts thresholds of
    # the 45 beats whose quartile window holds it.
    start = 50
    for ours, name in ((["long", "short"], "longshort"), *([[n], n] for n in LABELS[1:4])):
        assert [i for i in where(found, *ours) if i >= start] == sorted(
            int(i) for i in theirs[name] if i >= start
        )


def test_a_metronome_is_normal_throughout() -> None:
    assert not classify_rr(0.5 * np.arange(200)).marked.any()


def test_a_metronomes_missed_beat_is_named() -> None:
    found = classify_rr(np.delete(0.5 * np.arange(200), 100))
    assert where(found.label, "missed") == [100]


def test_a_metronomes_extra_beat_is_named() -> None:
    found = classify_rr(np.sort(np.append(0.5 * np.arange(200), 50.21)))
    assert where(found.label, "extra") == [101]
    assert found.counts()["extra"] == 1


def test_a_premature_beat_with_its_pause_is_ectopic() -> None:
    beats = heart(3)
    beats[150] -= 0.25
    assert "ectopic" in classify_rr(beats).label[150:152]


def test_intervals_belong_to_the_beat_that_ends_them_and_nothing_is_changed() -> None:
    beats = heart(1)
    before = beats.copy()
    found = classify_rr(beats)
    assert_array_equal(beats, before)
    assert np.isnan(found.rr_s[0])
    assert_allclose(found.rr_s[1:], np.diff(beats))
    assert found.label.shape == beats.shape


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4, 5])
def test_few_beats_are_all_normal(count: int) -> None:
    assert not classify_rr(0.8 * np.arange(count)).marked.any()


@given(st.integers(0, 1000), st.floats(0.0, 1e4))
def test_a_later_start_changes_no_class(seed: int, offset_s: float) -> None:
    beats = np.delete(heart(seed, 120), [40, 80])
    assert_array_equal(classify_rr(beats).label, classify_rr(beats + offset_s).label)


@pytest.mark.parametrize("place", [0.3, 0.5, 0.7])
def test_beats_between_two_that_are_one_period_apart_are_found(place: float) -> None:
    beats = heart(2)
    cut = np.array([50, 53, 120])
    extra = beats[cut] + place * (beats[cut + 1] - beats[cut])
    found = beats_in_between(np.sort(np.concatenate((beats, extra))))
    assert_array_equal(np.flatnonzero(found), cut + 1 + np.arange(3))


def test_pauses_premature_beats_and_bigeminy_hold_no_beat_in_between() -> None:
    premature = heart(3)
    premature[100:140:2] -= 0.3
    premature[150] -= 0.25
    assert not beats_in_between(np.delete(premature, 180)).any()


def test_fibrillation_holds_next_to_no_beats_in_between() -> None:
    rr_s = np.maximum(0.35, np.random.default_rng(4).normal(0.65, 0.15, 2000))
    assert beats_in_between(np.cumsum(rr_s)).mean() < 0.01


@pytest.mark.parametrize("count", [0, 1, 2, 9, 10])
def test_few_beats_show_no_rhythm_to_lie_in_between(count: int) -> None:
    assert not beats_in_between(0.8 * np.arange(count)).any()


def test_unsorted_beats_are_refused() -> None:
    with pytest.raises(InputError, match="backwards"):
        classify_rr([1.0, 0.5])
