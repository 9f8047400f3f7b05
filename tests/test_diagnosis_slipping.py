"""Without a speed: an engine that runs ahead of its gear by the converter's slip. Invented vehicle and drive."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from vibeorder.diagnosis import weigh
from vibeorder.diagnosis import weighing as weighing_module
from vibeorder.diagnosis.along import Tracked
from vibeorder.diagnosis.converter import MOST_SLIP
from vibeorder.diagnosis.diagnose import Weighed
from vibeorder.diagnosis.slipping import ASKED_FROM, slip_told, slips_asked
from vibeorder.simulate import (
    Clock,
    Converter,
    Drive,
    Fault,
    Road,
    RoadTest,
    Scenario,
    as_recording,
    road_test,
)
from vibeorder.vehicle import parse_vehicle

FloatArray = NDArray[np.float64]
PER_WHEEL = np.array([9.0, 6.0, 4.0])
EVEN = np.zeros(3)
TRUCK = parse_vehicle(
    {
        "vehicle": {"name": "Ostrel Hauler", "layout": "rwd"},
        "tire": {"size": "265/70R17"},
        "axle": {"ratio": 3.73},
        "transmission": {"gears": [2.4, 1.5, 1.0]},
        "engine": {"cylinders": 8},
    }
)
SLIP = 0.05


def standing_at(rate: float, evidence: float) -> Callable[[FloatArray], FloatArray]:
    """Evidence in the gear whose engine turns that fast, within a quarter of a percent."""

    def standing(ahead: FloatArray) -> FloatArray:
        return np.where(np.abs(ahead / rate - 1.0) < 0.0025, evidence, 0.0)

    return standing


def test_a_slip_is_asked_for_where_far_more_stands_than_at_none() -> None:
    standing = standing_at(6.0 * 1.04, ASKED_FROM + 1.0)
    ((gear, slip),) = slips_asked(standing, PER_WHEEL, EVEN)
    assert gear == 1
    assert slip == pytest.approx(0.04, abs=0.0026)


@pytest.mark.parametrize(
    ("rate", "evidence"),
    [
        (6.0 * 1.04, ASKED_FROM - 1.0),  # too little
        (6.0, 100.0),  # in gear
        (6.0 * 0.96, 100.0),  # behind it
        (6.0 * (1.0 + MOST_SLIP + 0.02), 100.0),  # farther ahead than a converter lets it
    ],
)
def test_else_none_is(rate: float, evidence: float) -> None:
    assert slips_asked(standing_at(rate, evidence), PER_WHEEL, EVEN) == []


@pytest.fixture(scope="module")
def drive() -> RoadTest:
    scenario = Scenario(
        Drive("steady", (22.0,), gears=((0.0, 3),), drift=0.01),
        40.0,
        400.0,
        faults=(Fault("tire_wheel", 1.0, 0.4),),
        converter=Converter(3, SLIP),
        tire_spread=0.0,
        road=Road(level_mps2=0.12),
        clock=Clock(),
        gps=None,
    )
    return road_test(TRUCK, scenario, np.random.default_rng(7))


def best_of_tire(found: Weighed) -> tuple[float, float]:
    """Log odds of the tire's first order against nothing, and the slip of its best hypothesis."""
    judgement = found.pieces[0].judgement
    index = next(i for i, c in enumerate(judgement.candidates) if c.key == ("tire_wheel", 1.0))
    best = judgement.best_for(index)
    return float(best.log_class[index]), max(best.offsets.values(), default=0.0)


def test_along_a_tires_line_the_engine_is_found_where_its_converter_lets_it_run(
    drive: RoadTest, monkeypatch: pytest.MonkeyPatch
) -> None:
    truth = drive.truth
    ahead = float(np.median(truth.engine_hz / (truth.wheel_hz * 3.73))) - 1.0
    assert ahead > 0.01
    weight, slip = best_of_tire(weigh(as_recording(drive), TRUCK))
    # it is not the same all through: less where the vehicle goes faster
    assert slip == pytest.approx(ahead, abs=0.006)
    monkeypatch.setattr(weighing_module, "slips_asked", lambda *_: [])
    without, none = best_of_tire(weigh(as_recording(drive), TRUCK))
    assert none == 0.0
    assert weight > without + 10.0


def test_the_slip_is_told_by_where_the_lines_have_most_power() -> None:
    def line(slip: float) -> list[Tracked]:
        high = 30.0 * np.exp(-0.5 * ((slip - 0.0415) / 0.001) ** 2)
        raw = np.full((3, 8), high, complex)
        ones = np.ones((3, 8))
        return [Tracked(raw, ones, raw, ones, np.full(8, 60.0), np.ones(8), np.ones(8))]

    assert slip_told(line, 0.04) == pytest.approx(0.0415, abs=0.0003)
