"""Changes of gear: how likely where, and in which frame; a line that counts the same whichever line leads to it.

A course of changes is a Poisson process: its density is checked against scipy's own distribution.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from vibeorder.diagnosis.gearing import with_changes_placed
from vibeorder.diagnosis.gears import FAR_SHIFT_COST
from vibeorder.diagnosis.shifting import EVER_PER_S, HELD_SHARE, WITH_LOG_SPEED, shifting

SECONDS = 60


def changed_at(*at: int) -> np.ndarray:
    """Gears 2, 3, 2, ... that change before those frames."""
    gear = np.zeros(SECONDS, np.intp)
    for k in at:
        gear[k:] = 1 - gear[k - 1]
    return gear + 1


@given(st.lists(st.integers(3, SECONDS - 3), min_size=1, max_size=5, unique=True))
def test_changes_at_a_steady_speed_are_a_poisson_process(at: list[int]) -> None:
    """ln p(n) + ln n! - n ln T, p(n) from scipy.stats.poisson, times the share of drives that change gear at all."""
    steady = shifting(np.full(SECONDS, 9.0), 1.0)
    expected = EVER_PER_S * SECONDS
    n = len(at)
    placed = poisson.logpmf(n, expected) + np.log(np.arange(1, n + 1)).sum() - n * np.log(SECONDS)
    assert steady.log_prior(changed_at(*sorted(at))) == pytest.approx(placed + np.log(1.0 - HELD_SHARE))


def test_a_gear_held_while_the_speed_triples_costs_no_more_than_the_drives_that_are_held_so() -> None:
    sweep = shifting(np.geomspace(5.0, 15.0, SECONDS), 1.0)
    steady = shifting(np.full(SECONDS, 9.0), 1.0)
    held = changed_at()
    assert steady.log_prior(held) > sweep.log_prior(held) > np.log(HELD_SHARE)
    # the ends apart, an e-fold of speed expects WITH_LOG_SPEED changes
    assert sweep.expected - steady.expected == pytest.approx(WITH_LOG_SPEED * np.log(3.0), rel=0.05)


def test_a_change_is_likelier_while_the_speed_changes_than_while_it_is_held() -> None:
    rate = np.concatenate([np.full(30, 6.0), np.geomspace(6.0, 12.0, 30)])
    drive = shifting(rate, 1.0)
    assert drive.log_prior(changed_at(45)) > drive.log_prior(changed_at(15)) + 1.0


def test_every_gear_left_out_by_a_change_costs() -> None:
    steady = shifting(np.full(SECONDS, 9.0), 1.0)
    near, far = changed_at(30), changed_at(30)
    far[30:] += 2
    assert steady.log_prior(near) - steady.log_prior(far) == pytest.approx(2.0 * FAR_SHIFT_COST)


@given(st.integers(8, 50), st.integers(-4, 4), st.integers(0, 2**32 - 1))
def test_a_change_found_in_blocks_is_moved_to_the_frame_where_the_lines_step(
    true: int, off: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    evidence = np.abs(rng.normal(0.0, 0.3, (3, SECONDS)))
    evidence[1, :true] += 6.0
    evidence[2, true:] += 6.0
    found = np.where(np.arange(SECONDS) < true + off, 1, 2).astype(np.intp)
    placed = with_changes_placed(found, evidence)
    assert np.flatnonzero(np.diff(placed)).tolist() == [true - 1]


def test_changes_next_to_each_other_stay_in_order_and_none_is_lost() -> None:
    gear = np.repeat([1, 2, 3, 2], [20, 1, 2, 37]).astype(np.intp)
    placed = with_changes_placed(gear, np.random.default_rng(3).random((4, SECONDS)) * 9.0)
    assert placed[np.concatenate([[True], np.diff(placed) != 0])].tolist() == [1, 2, 3, 2]
