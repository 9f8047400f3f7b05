"""Rotation rates against a textbook, service texts and a measured road value."""

import math

import pytest

from vibeorder.errors import SpeedError, VehicleError
from vibeorder.units import KMH_MPS, MPH_MPS
from vibeorder.vehicle import Vehicle, engine_ratio, gear_ratio, parse_vehicle, rate_table, rotors


def vehicle(layout: str = "rwd", **sections: object) -> Vehicle:
    base: dict[str, object] = {"vehicle": {"layout": layout}, "tire": {"size": "225/65R17"}}
    return parse_vehicle(base | sections)


def rates(
    car: Vehicle, speed_mps: float, gear: int | None = None, low_range: bool = False
) -> dict[str, float]:
    return {row.part: row.turns_per_second for row in rate_table(car, speed_mps, gear, low_range)}


def test_service_example_of_a_wheel_shaft_and_its_second_order() -> None:
    # 40 mph, wheel 7 Hz, axle 3.08: shaft 22 Hz, second order 44 (rounded); a service text of 2010.
    circumference_mm = 40 * MPH_MPS / 7.0 * 1e3
    car = vehicle(tire={"circumference_mm": circumference_mm}, axle={"ratio": 3.08})
    shaft = next(row for row in rate_table(car, 40 * MPH_MPS) if row.part == "driveshaft")
    assert round(shaft.first_hz) == 22
    assert shaft.second_hz == pytest.approx(43.12, abs=0.01)


def test_service_example_of_an_accessory() -> None:
    # Pulley 2 in, crankshaft pulley 6 in, 2400 rpm: 7200 rpm, 120 Hz; the same service text.
    car = vehicle(
        axle={"ratio": 4.0}, transmission={"gears": [1.0]}, accessory=[{"name": "pump", "ratio": 6 / 2}]
    )
    wheel_hz = 2400 / 60 / engine_ratio(car, 1)
    rows = {row.part: row for row in rate_table(car, wheel_hz * car.tire.circumference_m, 1)}
    assert rows["engine"].rpm == pytest.approx(2400)
    assert rows["accessory:pump"].rpm == pytest.approx(7200)
    assert rows["accessory:pump"].first_hz == pytest.approx(120)


@pytest.mark.parametrize(
    ("tire", "speed_mph", "wheel_hz", "tolerance"),
    [
        # P235/60ZR16, 1.07 rev/s per 5 mph, 60 mph: 12.84 Hz; a vehicle maker's service text, 2003.
        ("P235/60ZR16", 60, 12.84, 0.006),
        # 33 in tire, 40 mph: 420 rpm, 7 Hz; another maker's service text, 2001 (width invented).
        ("33x12.50R15LT", 40, 7.0, 0.006),
    ],
)
def test_service_examples_of_a_wheel_from_its_size(
    tire: str, speed_mph: float, wheel_hz: float, tolerance: float
) -> None:
    car = vehicle(tire={"size": tire})
    assert rates(car, speed_mph * MPH_MPS)["tire_wheel"] == pytest.approx(wheel_hz, rel=tolerance)


def test_measured_wheel_rate_on_the_road() -> None:
    # Circumference 91 in, 35 mph: a peak expected and found at 6.8 Hz; a transport-recorder maker's article.
    car = vehicle(tire={"circumference_mm": 91 * 25.4})
    assert rates(car, 35 * MPH_MPS)["tire_wheel"] == pytest.approx(6.8, rel=0.01)


def test_textbook_engine_speed_from_road_speed() -> None:
    # 130 mi/h, overall reduction 2.5, wheel radius 12.6 in, slip 3 %: 74.486 rev/s (a highway engineering
    # textbook, problem 2.7, as reproduced in a solution page). Slip divides:
    # rate = V x ratio / (2 pi r (1 - i)).
    car = vehicle(
        tire={"circumference_mm": 2 * math.pi * 12.6 * 25.4},
        axle={"ratio": 2.5},
        transmission={"gears": [1.0]},
    )
    assert rates(car, 130 * MPH_MPS, 1)["engine"] / (1 - 0.03) == pytest.approx(74.486, rel=2e-5)


def test_a_whole_driveline_computed_by_hand() -> None:
    # Computed from the definitions: 3.05 x 0.7243 m a turn; 60 mph = 26.8224 m/s.
    car = vehicle(
        "4wd",
        axle={"ratio": 3.55, "front_ratio": 3.54},
        transmission={"gears": [2.0, 0.75], "low_range": 2.72},
        engine={"cylinders": 8},
    )
    found = rates(car, 26.8224, 2)
    assert found["tire_wheel"] == pytest.approx(12.142, abs=5e-4)
    assert found["driveshaft"] == pytest.approx(43.103, abs=5e-4)
    assert found["front_driveshaft"] == pytest.approx(43.103 * 3.54 / 3.55, abs=1e-3)
    assert found["engine"] * 60 == pytest.approx(1939.6, abs=0.05)
    low = rates(car, 26.8224, 2, low_range=True)
    assert low["engine"] == pytest.approx(found["engine"] * 2.72)
    assert low["driveshaft"] == found["driveshaft"]


def test_a_european_wheel_at_a_hundred_kilometres_an_hour() -> None:
    # 205/55R16: 3.05 x 631.9 mm a turn; computed from the definitions.
    car = vehicle("fwd", tire={"size": "205/55R16"})
    assert rates(car, 100 * KMH_MPS)["tire_wheel"] == pytest.approx(14.413, abs=5e-4)


@pytest.mark.parametrize(
    ("cylinders", "strokes", "firing_hz"),
    # At 1800 rpm = 30 Hz: cylinders / 2 per turn for four strokes (service practice), all for two.
    [(3, 4, 45), (4, 4, 60), (5, 4, 75), (6, 4, 90), (8, 4, 120), (10, 4, 150), (12, 4, 180), (2, 2, 60)],
)
def test_firing_frequency_at_1800_rpm(cylinders: int, strokes: int, firing_hz: float) -> None:
    car = vehicle(
        axle={"ratio": 2.0},
        transmission={"gears": [1.0]},
        engine={"cylinders": cylinders, "strokes": strokes},
    )
    speed_mps = 15.0 * car.tire.circumference_m
    engine = next(row for row in rate_table(car, speed_mps, 1) if row.part == "engine")
    assert engine.rpm == pytest.approx(1800)
    assert engine.firing_hz == pytest.approx(firing_hz)


def test_front_wheel_drive_has_half_shafts_and_no_driveshaft() -> None:
    car = vehicle("fwd", axle={"ratio": 4.1}, transmission={"gears": [3.5, 0.9]})
    parts = {rotor.part for rotor in rotors(car)}
    assert "half_shaft" in parts
    assert "driveshaft" not in parts
    assert engine_ratio(car, 2) == pytest.approx(4.1 * 0.9)


def test_a_crosswise_engine_with_all_wheel_drive_reaches_the_wheels_by_its_final_drive() -> None:
    car = vehicle("awd", axle={"ratio": 2.6}, transmission={"gears": [1.0], "final_drive": 3.9})
    parts = {rotor.part: rotor.ratio for rotor in rotors(car)}
    assert engine_ratio(car, 1) == pytest.approx(3.9)
    assert parts["driveshaft"] == pytest.approx(2.6)
    assert "front_driveshaft" not in parts


def test_an_electric_motor_turns_at_the_reduction_ratio() -> None:
    car = vehicle("ev", motor={"ratio": 9.0})
    parts = {rotor.part: rotor.ratio for rotor in rotors(car)}
    assert parts == {"tire_wheel": 1.0, "half_shaft": 1.0, "motor": 9.0}


def test_staggered_rear_tires_drive_the_shaft_at_the_rear_wheels_rate() -> None:
    car = vehicle(
        tire={"size": "225/45R17", "rear_size": "255/40R18"},
        axle={"ratio": 3.0},
        transmission={"gears": [1.0]},
    )
    speed_mps = 30.0
    # Each tire's rate is speed / (3.05 x its own diameter): 634.3 and 661.2 mm.
    rear_hz = speed_mps / (3.05 * 0.6612)
    rows = rate_table(car, speed_mps, 1)
    wheels = [row.first_hz for row in rows if row.part == "tire_wheel"]
    assert wheels == pytest.approx([speed_mps / (3.05 * 0.6343), rear_hz])
    assert rates(car, speed_mps, 1)["driveshaft"] == pytest.approx(3.0 * rear_hz)
    assert rates(car, speed_mps, 1)["engine"] == pytest.approx(3.0 * rear_hz)


def test_a_gear_that_does_not_exist_is_refused() -> None:
    car = vehicle(axle={"ratio": 3.0}, transmission={"gears": [6, 5, 4, 3, 2, 1]})
    with pytest.raises(VehicleError, match="this gearbox has 6 forward gears; gear 9 does not exist"):
        gear_ratio(car, 9)
    with pytest.raises(VehicleError, match="gear 0 does not exist"):
        gear_ratio(car, 0)
    with pytest.raises(VehicleError, match="add \\[transmission\\] gears"):
        gear_ratio(vehicle(), 3)
    with pytest.raises(VehicleError, match="low range"):
        rate_table(car, 20.0, 1, low_range=True)


@pytest.mark.parametrize("speed_mps", [0.0, -1.0, math.nan, math.inf, 500.0])
def test_a_speed_at_which_nothing_turns_is_refused(speed_mps: float) -> None:
    with pytest.raises(SpeedError, match="road speed"):
        rate_table(vehicle(), speed_mps)


def test_without_a_gear_the_engine_is_left_out_of_the_table() -> None:
    car = vehicle(axle={"ratio": 3.0}, transmission={"gears": [1.0]}, engine={"cylinders": 4})
    assert "engine" not in rates(car, 20.0)


def test_a_staggered_electric_car_is_taken_as_driven_at_the_rear() -> None:
    car = vehicle("ev", tire={"size": "235/45R18", "rear_size": "265/40R18"}, motor={"ratio": 9.0})
    # Diameters 668.7 and 669.2 mm by the size formula.
    parts = {rotor.part: rotor.ratio for rotor in rotors(car)}
    assert parts["motor"] == pytest.approx(9.0 * 668.7 / 669.2)
    assert parts["half_shaft"] == pytest.approx(668.7 / 669.2)
