from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from palpate.explanation.shapley import shapley_weights, subsets
from palpate.validation import InputError


def sets(values: dict[str, float]) -> dict[frozenset[str], float]:
    return {frozenset(names): value for names, value in values.items()}


def shapley_shares(values: dict[frozenset[str], float]) -> dict[str, float]:
    players = sorted(frozenset().union(*values))
    shares = shapley_weights(players) @ np.array([values[members] for members in subsets(players)])
    return dict(zip(players, shares.tolist(), strict=True))


def test_two_players_by_hand() -> None:
    # a before b: a adds 10, b adds 20; b before a: b adds 16, a adds 14.
    shares = shapley_shares(sets({"": 0.0, "a": 10.0, "b": 16.0, "ab": 30.0}))
    assert shares == pytest.approx({"a": 12.0, "b": 18.0})


def test_glove_game_of_the_textbooks() -> None:
    # One left glove (l), two right ones (r, s); a pair is worth 1. The left glove gets 2/3, the
    # right ones 1/6 each (e.g. Osborne & Rubinstein 1994, A Course in Game Theory, ch. 14).
    worth = {members: float("l" in members and len(members) > 1) for members in subsets("lrs")}
    assert shapley_shares(worth) == pytest.approx({"l": 2 / 3, "r": 1 / 6, "s": 1 / 6})


def test_a_player_that_harms_has_a_negative_share() -> None:
    shares = shapley_shares(sets({"": 5.0, "a": 2.0, "b": 6.0, "ab": 3.0}))
    assert shares == pytest.approx({"a": -3.0, "b": 1.0})


@given(st.integers(1, 5), st.integers(0, 2**31))
def test_shares_are_the_mean_over_all_orders_and_sum(count: int, seed: int) -> None:
    players = "abcde"[:count]
    rng = np.random.default_rng(seed)
    values = {members: float(rng.normal()) for members in subsets(players)}
    added = dict.fromkeys(players, 0.0)
    orders = list(permutations(players))
    for order in orders:
        for place, player in enumerate(order):
            before = frozenset(order[:place])
            added[player] += (values[before | {player}] - values[before]) / len(orders)
    shares = shapley_shares(values)
    assert shares == pytest.approx(added)
    everyone = values[frozenset(players)] - values[frozenset()]
    assert sum(shares.values()) == pytest.approx(everyone)


def test_six_players_are_exact() -> None:
    # An additive game gives everyone their own worth.
    worth = dict(zip("abcdef", (1.0, 2.0, 4.0, 8.0, 16.0, 32.0), strict=True))
    shares = shapley_shares({s: sum(worth[p] for p in s) for s in subsets("abcdef")})
    assert shares == pytest.approx(worth, abs=1e-12)
    np.testing.assert_allclose(shapley_weights("abcdef").sum(axis=1), 0.0, atol=1e-15)


def test_nobody_shares_nothing() -> None:
    assert shapley_shares({frozenset(): 3.0}) == {}


def test_too_many_or_repeated_players_are_refused() -> None:
    for players in ("abcdefghijk", "aa"):
        with pytest.raises(InputError, match="different names"):
            list(subsets(players))
