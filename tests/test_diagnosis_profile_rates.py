"""What the profile says may turn, read against lines at orders of the wheel. Invented gears; arithmetic by hand."""

import numpy as np
import pytest

from vibeorder.diagnosis.orderlines import OrderLine
from vibeorder.diagnosis.profile_rates import ProfileRates

FRAMES = 10
AXLE = 4.1
PER_WHEEL = AXLE * np.array([1.37, 1.0, 0.76])
"""Engine turns a wheel turn in three gears: an engine's half order is at 2.81, 2.05 and 1.56 of the wheel."""


def line(order: float, frames: slice = slice(None)) -> OrderLine:
    held = np.zeros(FRAMES, bool)
    held[frames] = True
    return OrderLine(order, 0.001, 12.0 * order, 0.2, 80.0, held, 1.0, 0.3, 0.05)


def rates(gear: int, scale: float = 1.0) -> ProfileRates:
    """The same gear in use all through."""
    possible = np.zeros((FRAMES, PER_WHEEL.size), bool)
    possible[:, gear] = True
    engine = ((0.5, 0.0), (1.0, 0.0))
    return ProfileRates(
        scale, False, (1.0, 2.0), engine, PER_WHEEL, possible, np.zeros(FRAMES, bool), None, True
    )


@pytest.mark.parametrize(
    ("order", "gear", "rather"),
    [
        (2.05, 1, True),  # the half order: 2.5% above a wheel's second
        (2.05, 0, False),  # in a gear that was not in use
        (2.00, 1, False),  # the wheel's own
        (2.03, 1, False),  # at neither
    ],
)
def test_a_line_on_an_engines_order_is_no_witness_for_the_wheels_rate(
    order: float, gear: int, rather: bool
) -> None:
    assert rates(gear).of_engine_rather(line(order)) is rather


def test_the_engines_order_is_looked_for_at_the_rate_that_was_fitted() -> None:
    assert rates(1, scale=0.98).of_engine_rather(line(2.05 * 0.98))
    assert not rates(1, scale=1.0).of_engine_rather(line(2.05 * 0.98))


def test_where_an_engine_orders_place_is_the_wheels_own_the_nearer_one_has_the_line() -> None:
    per_wheel = np.array([4.004])
    both = ProfileRates(
        1.0,
        False,
        (1.0, 2.0),
        ((0.5, 0.0),),
        per_wheel,
        np.ones((FRAMES, 1), bool),
        np.zeros(FRAMES, bool),
        None,
        True,
    )
    assert both.of_engine_rather(line(2.002))
    assert not both.of_engine_rather(line(2.0))
