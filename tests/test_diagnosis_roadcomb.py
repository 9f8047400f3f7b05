"""Lines that the road's joints make are told from those of a vehicle typed in wrong.

A joint every L metres strikes circumference / L times a wheel turn, and makes lines at the multiples of that (Fourier
series of a train of strikes); nothing of a drivetrain turns slower than its wheels (arithmetic). The lines are
invented.
"""

from dataclasses import replace

import numpy as np
import pytest

from vibeorder.diagnosis.orderlines import OrderLine
from vibeorder.diagnosis.roadcomb import road_comb

AROUND_M = 2.0


def _lines(*orders: float, strong: float = 0.1) -> list[OrderLine]:
    held = np.ones(20, bool)
    return [OrderLine(order, 0.001, 12.0 * order, strong, 80.0, held, 1.0, 0.3, 0.05) for order in orders]


def test_joints_are_told_by_a_tooth_below_one_shake_a_turn() -> None:
    lines = _lines(0.352, 0.704, 1.056, 1.408, 2.0)
    comb = road_comb(lines, AROUND_M)
    assert comb.base == pytest.approx(0.352)
    assert [comb.makes(line) for line in lines] == [True, True, True, True, False]


def test_the_first_teeth_may_be_missing() -> None:
    comb = road_comb(_lines(0.39, 0.52, 0.65, 0.78, 0.91, 1.17), AROUND_M)
    assert comb.base == pytest.approx(0.13)


@pytest.mark.parametrize(
    "orders",
    [
        (0.94, 1.88, 2.82, 3.76),  # the wheels' own with a tire that rolls 6% further than the typed one
        (0.72, 1.44, 2.16, 2.88),  # an engine's half orders in a high gear
        (1.04, 1.56, 2.08, 2.6),  # none below one shake a turn
        (0.5, 1.0, 2.0, 3.0),  # one line below, and the wheels' own
    ],
    ids=["other-tire", "engine", "none-below", "one-below"],
)
def test_other_series_are_no_joints(orders: tuple[float, ...]) -> None:
    assert not road_comb(_lines(*orders), AROUND_M).teeth


def test_a_line_far_above_its_neighbours_is_not_the_roads() -> None:
    lines = _lines(0.39, 0.78, 1.56, 3.51)
    comb = road_comb(lines, AROUND_M)
    assert comb.makes(replace(lines[-1], order=3.9))
    assert not comb.makes(replace(lines[-1], order=3.9, amplitude_rms=1.0))
