"""The unit of a speed column that does not state it, told by the acceleration beside it. The drives are invented."""

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from vibeorder.recording import Table, Trace, speed_factor
from vibeorder.recording.besides import speed_trace
from vibeorder.recording.speedunit import SQUAT, ratio_by_motion

FloatArray = NDArray[np.float64]
RATE_HZ, DURATION_S = 50.0, 80.0


def driven(seed: int = 1, gravity: bool = True) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Instants, speed in m/s and samples in m/s^2 of a drive between 14 and 26 m/s.

    The phone stands nearly along the road: y takes the acceleration up, with the slopes of the road as noise; x and z
    hardly move, and what x shows is a fiftieth of the acceleration with next to no noise (a regression of the change
    of speed on all three axes then takes it from x, 50 times over). gravity: else slow acceleration is filtered out.
    """
    rng = np.random.default_rng(seed)
    times = np.arange(0.0, DURATION_S, 1.0 / RATE_HZ)
    speed = 20.0 + 6.0 * np.sin(2.0 * np.pi * times / 40.0)
    forward = np.gradient(speed, times) / SQUAT
    slopes = 0.15 * np.sin(2.0 * np.pi * times / 23.0 + 1.0)
    slow = np.stack([0.02 * forward, forward + slopes, 0.0 * times]) if gravity else np.zeros((3, times.size))
    return times, speed, slow + rng.normal(0.0, [[0.01], [0.5], [0.01]], (3, times.size))


def column(unit: str, *, gravity: bool = True) -> tuple[Trace, str]:
    """The speed of that drive read back from a column without a unit, once a second, and what the history says."""
    times, speed, samples = driven(gravity=gravity)
    rows = np.flatnonzero(times % 1.0 < 1e-9)
    written = np.round(speed[rows] / speed_factor(unit), 1)
    table = Table("drive.csv", ("speed",), pd.DataFrame({0: written}))
    trace, notes = speed_trace(table, 0, times[rows], None, (times, samples))
    assert trace is not None
    return trace, notes[0]


@pytest.mark.parametrize("unit", ["m/s", "mph", "km/h"])
def test_the_unit_is_told_where_two_axes_hardly_move(unit: str) -> None:
    trace, said = column(unit)
    assert (trace.unit, trace.open_units) == (unit, ())
    assert float(trace.values.max()) == pytest.approx(26.0, abs=0.1)
    assert "told by the acceleration" in said


def test_the_ratio_lies_within_its_error() -> None:
    """By construction the written speed changes SQUAT times 2.237 as fast as the phone's acceleration says."""
    times, speed, samples = driven()
    each = slice(None, None, int(RATE_HZ))
    found = ratio_by_motion(times[each], speed[each] / speed_factor("mph"), times, samples)
    assert found is not None
    assert abs(np.log(found.ratio / (SQUAT / speed_factor("mph")))) < 2.0 * found.log_se < 0.2


def test_knots_and_mph_lie_too_near_to_be_told_apart() -> None:
    trace, said = column("knots")
    assert {"mph", "knots"} <= {unit for unit, _ in trace.open_units}
    assert "assumed" in said


def test_where_slow_acceleration_is_filtered_out_the_unit_stays_open() -> None:
    trace, said = column("mph", gravity=False)
    assert {"mph", "km/h"} <= {unit for unit, _ in trace.open_units}
    assert trace.unit == max(trace.open_units, key=lambda pair: pair[1])[0]
    assert "assumed: the log does not say it (--speed-unit settles it)" in said
