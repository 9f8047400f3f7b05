"""One tire that rolls off the driven wheels' mean: its fourth order is found beside the track of the shaft's rate.

Tires of one set differ by some tenths of a percent (common practice, no source); the truth is the simulator's.
"""

import numpy as np
import pytest

from vibeorder.diagnosis.blocks import Course
from vibeorder.diagnosis.floor import floor_of
from vibeorder.diagnosis.rolling import MOST_OFF, rolls_off, votes_beside
from vibeorder.diagnosis.scan import Clock, Scan, Track, scan_tracks
from vibeorder.diagnosis.signal import Signal

RATE_HZ, SECONDS, WHEEL_HZ = 200.0, 40.0, 14.5


def scanned(off: float, amplitude: float, order: float = 4.0) -> tuple[Scan, Course]:
    """Forty seconds of noise with one line at (1 + off) times an order of the wheel."""
    rng = np.random.default_rng(11)
    times = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    line = amplitude * np.sqrt(2.0) * np.cos(2.0 * np.pi * order * WHEEL_HZ * (1.0 + off) * times + 0.4)
    samples = rng.normal(0.0, 0.3, (3, times.size)) + line * np.array([[0.8], [0.5], [0.33]])
    signal = Signal(samples.astype(np.float32), np.ones(times.size, bool), RATE_HZ, relative=False)
    mid_s = np.arange(0.5, SECONDS, 1.0)
    epsilon = np.asarray(np.arange(-60, 61) * 0.001, np.float64)
    clock = Clock(WHEEL_HZ * times, mid_s, np.full(mid_s.size, WHEEL_HZ), epsilon, epsilon.size)
    scan = scan_tracks(signal, floor_of(signal), clock, [Track(0, None, order)])
    still = np.array([0.0, SECONDS])
    return scan, Course(np.zeros(mid_s.size), None, 0.0, np.zeros(2), still, locked=True)


@pytest.mark.parametrize("off", [-0.004, -0.0025, 0.0015, 0.003])
def test_the_size_of_a_tire_is_read_from_its_fourth_order(off: float) -> None:
    scan, course = scanned(off, 0.15)
    assert rolls_off(scan, 0, course, RATE_HZ) == pytest.approx(off, abs=0.0006)


def test_a_tire_of_the_mean_size_and_one_without_a_line_are_left_where_they_are() -> None:
    for amplitude in (0.0, 0.15):
        scan, course = scanned(0.0, amplitude)
        assert rolls_off(scan, 0, course, RATE_HZ) == 0.0


def test_a_line_beyond_what_tires_of_one_set_differ_by_is_none_of_theirs() -> None:
    scan, course = scanned(2.5 * MOST_OFF, 0.15)
    assert abs(rolls_off(scan, 0, course, RATE_HZ)) <= MOST_OFF


def test_a_first_order_that_a_tires_size_cannot_move_is_not_looked_for() -> None:
    scan, course = scanned(0.003, 0.15, order=1.0)
    assert rolls_off(scan, 0, course, RATE_HZ) == 0.0


@pytest.mark.parametrize("off", [0.002, 0.0055, 0.009])
def test_a_small_slip_shows_in_blocks_where_a_frame_is_too_short_for_it(off: float) -> None:
    """At 87 Hz half a percent is 0.4 Hz: a frame has bins of a third of that or more, a padded block of a sixteenth."""
    scan, course = scanned(off, 0.15, order=6.0)
    grid = np.asarray(np.arange(0.0, 0.012, 0.0005), float)
    votes = votes_beside(scan, 0, course, grid, RATE_HZ)
    assert grid[int(np.argmax(votes))] == pytest.approx(off, abs=0.0006)


def test_frames_in_which_the_gear_did_not_hold_say_nothing() -> None:
    scan, course = scanned(0.0055, 0.15, order=6.0)
    grid = np.asarray(np.arange(0.0, 0.012, 0.0005), float)
    held = np.zeros(scan.clock.mid_s.size, bool)
    assert not votes_beside(scan, 0, course, grid, RATE_HZ, held).any()
