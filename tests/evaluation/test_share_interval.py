from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from palpate.evaluation.bootstrap import BLOCK_S, usable_block
from palpate.evaluation.share_interval import (
    ACTIVITY_BLOCK_S,
    share_interval,
    share_of_windows,
)
from palpate.signals import WindowTable


@pytest.mark.parametrize("hits", [0, 20])
def test_where_all_say_the_same_an_episode_is_a_draw(hits):
    # Four episodes of five windows. The distribution of four like draws under a uniform prior is
    # x ** 5 (Bayes 1763), so that 0.025 ** (1 / 5) is the lower end.
    counted = np.arange(60) % 15 < 5
    found = share_interval(np.full(60, hits > 0), counted, block=15)
    end = 0.025 ** (1.0 / 5.0)
    assert found == pytest.approx((end, 1.0) if hits else (0.0, 1.0 - end))
    # One long one is as many as it has blocks.
    assert share_interval(np.full(20, hits > 0), np.ones(20, bool), block=5) == found


def test_windows_apart_that_say_the_same_are_a_draw_each():
    counted = np.arange(40) % 2 == 0
    found = share_interval(counted, counted, block=10)
    assert found == pytest.approx((0.025 ** (1.0 / 21.0), 1.0))


def test_a_first_dissent_does_not_make_the_interval_narrow():
    # Three episodes of a minute; one window, and then one more elsewhere, says otherwise.
    counted = np.arange(900) % 300 < 30
    yes = np.ones(900, bool)
    widths = []
    for dissenting in (5, 310, 620):
        low, high = share_interval(yes, counted, block=60, overlap=4.0)
        widths.append(high - low)
        yes[dissenting] = False
    assert widths[0] > widths[1] > widths[2] > 0.7 * widths[0]


def test_answers_that_last_are_worth_fewer_draws_by_hand():
    # The sums of two neighbours' deviations are 1, 0, -1, 0, ...: mean square 1/2. Four blocks,
    # so the sum has variance 16 / 3 / 2, the share a 64th of it: 1/24. Binomial shares of six
    # draws have that; Student's t of five degrees (overlapping blocks) in the normal's place
    # leaves 6 / 1.312**2. A uniform prior adds one to either side.
    yes = np.array([1, 1, 0, 0, 1, 1, 0, 0], bool)
    either = 0.5 * 6.0 / (2.570582 / 1.959964) ** 2 + 1.0
    expected = stats.beta.ppf([0.025, 0.975], either, either)
    found = share_interval(yes, np.ones(8, bool), block=2)
    assert found == pytest.approx(expected, abs=1e-5)


def test_windows_that_overlap_count_once():
    counted = np.zeros(400, bool)
    counted[::4] = True
    yes = np.random.default_rng(1).random(400) < 0.6
    apart = share_interval(yes, counted, block=20)
    fourfold = share_interval(np.repeat(yes[::4], 4), np.ones(400, bool), block=20, overlap=4.0)
    assert fourfold == pytest.approx(apart, abs=0.03)


def test_nothing_counted_is_undefined():
    assert np.isnan(share_interval(np.ones(9, bool), np.zeros(9, bool), block=2)).all()


@pytest.mark.parametrize("share", [0.5, 0.9])
@pytest.mark.parametrize("correlation", [0.8, 0.95])
@pytest.mark.parametrize("n", [300, 1800])
def test_the_interval_covers_what_it_claims(n, correlation, share):
    # Ten minutes and an hour in which errors and answers last; a standard normal is over 0.5
    # with probability 0.31.
    covered, n_series, block = 0, 300, usable_block(n, round(BLOCK_S / 2.0))
    for seed in range(n_series):
        noise = np.random.default_rng(seed).normal(size=(n + 100, 2))
        noise *= np.sqrt(1.0 - correlation**2)
        wrong, clear = lfilter([1.0], [1.0, -correlation], noise, axis=0)[100:].T
        low, high = share_interval(
            clear < stats.norm.ppf(share), wrong > 0.5, block=block, overlap=4.0
        )
        covered += low <= share <= high
    assert 0.90 <= covered / n_series <= 0.985


def held_of_episodes(seed, episodes, windows, flicker, share=None):
    """Whether the share is held in half an hour of episodes that say one thing each.

    Now and then, ``flicker``, one window dissents. A ``share`` that is not given may be any.
    """
    rng = np.random.default_rng(seed)
    n = 900
    counted, yes = np.zeros(n, bool), rng.random(n) < flicker
    share = rng.random() if share is None else share
    for first in windows * rng.choice(n // windows, episodes, replace=False):
        counted[first : first + windows] = True
        yes[first : first + windows] ^= rng.random() < share
    low, high = share_interval(yes, counted, block=60, overlap=4.0)
    return low <= share + flicker - 2.0 * share * flicker <= high


@pytest.mark.parametrize(("episodes", "windows"), [(2, 20), (4, 20), (6, 30)])
@pytest.mark.parametrize("flicker", [0.0, 0.02])
def test_the_interval_covers_when_each_episode_says_one_thing(episodes, windows, flicker):
    # So few answers hold one share too often and another too seldom: all are as likely here.
    held = [held_of_episodes(seed, episodes, windows, flicker) for seed in range(600)]
    assert 0.93 <= np.mean(held) <= 0.985


@pytest.mark.parametrize("share", [0.5, 0.9])
@pytest.mark.parametrize("flicker", [0.0, 0.02])
def test_no_share_of_few_episodes_is_held_much_too_seldom(share, flicker):
    held = [held_of_episodes(seed, 4, 20, flicker, share) for seed in range(300)]
    assert np.mean(held) >= 0.90


def test_windows_say_their_own_blocks_and_overlap():
    start_s = 2.0 * np.arange(300)
    windows = WindowTable(start_s, start_s + 8.0)
    yes, counted = np.arange(300) % 90 < 70, np.arange(300) > 50
    found = share_of_windows(windows, yes, counted)
    assert found == share_interval(yes, counted, block=60, overlap=4.0)
    shorter = share_of_windows(windows, yes, counted, block_s=ACTIVITY_BLOCK_S)
    assert shorter == share_interval(yes, counted, block=38, overlap=4.0)
    alone = share_of_windows(WindowTable(start_s[:1], start_s[:1] + 8.0), yes[:1], yes[:1])
    assert alone == share_interval(yes[:1], yes[:1], block=1)


@pytest.mark.parametrize("share", [0.5, 0.9])
@pytest.mark.parametrize("correlation", [0.8, 0.95])
@pytest.mark.parametrize("n", [120, 300])
def test_the_interval_of_an_activity_covers_what_it_claims(n, correlation, share):
    # Four and ten minutes in the midst of forty.
    start_s = 2.0 * np.arange(1200)
    windows = WindowTable(start_s, start_s + 8.0)
    counted = (np.arange(1200) >= 400) & (np.arange(1200) < 400 + n)
    covered, n_series = 0, 200
    for seed in range(n_series):
        noise = np.random.default_rng(seed).normal(size=1300) * np.sqrt(1.0 - correlation**2)
        level = lfilter([1.0], [1.0, -correlation], noise)[100:]
        low, high = share_of_windows(
            windows, level < stats.norm.ppf(share), counted, block_s=ACTIVITY_BLOCK_S
        )
        covered += low <= share <= high
    assert covered >= 0.91 * n_series
