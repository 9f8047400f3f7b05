"""The catalogue of sources: complete, and never sending anything but a first order to the balancer."""

import math
import re

import pytest

from vibeorder.vehicle import (
    BALANCE_ONLY_FIRST_ORDER,
    CATALOGUE,
    CAUTIONS,
    RUNOUT_BEFORE_BALANCE,
    WHICH_WHEEL,
    Source,
    feel_of,
    lives_on_torque,
    parse_vehicle,
    rotors,
    sources_of,
)

# A rotor sealed in its housing: there is no place to put an indicator.
SEALED = {"motor"}


def named(source: Source) -> str:
    return source.label


def sources(layout: str, cylinders: int, **sections: object) -> dict[tuple[str, float], Source]:
    base: dict[str, object] = {
        "vehicle": {"layout": layout},
        "tire": {"size": "225/65R17"},
        "axle": {"ratio": 3.5},
        "engine": {"cylinders": cylinders},
    }
    found = sources_of(parse_vehicle(base | sections))
    keyed = {(source.part, source.order): source for source in found}
    assert len(keyed) == len(found), "a part and order stands twice"
    return keyed


@pytest.mark.parametrize("source", CATALOGUE, ids=named)
def test_every_entry_is_complete(source: Source) -> None:
    assert source.label
    assert len(source.causes) >= 2
    assert all(cause.strip() for cause in source.causes)
    assert len(source.first_check) > 40
    assert source.never
    assert 0.0 < source.prior_weight <= 3.0
    assert 0.0 < source.growth <= 2.0
    assert 0.0 < source.healthy_presence < 1.0
    assert 0.0 < source.healthy_median_mps2 <= 0.05
    assert source.healthy_log_sd > 0.0


@pytest.mark.parametrize("source", [s for s in CATALOGUE if s.order == 1.0], ids=named)
def test_every_first_order_says_where_the_indicator_goes(source: Source) -> None:
    assert bool(source.runout_where) is (source.part not in SEALED)
    assert source.never != BALANCE_ONLY_FIRST_ORDER


@pytest.mark.parametrize("source", [s for s in CATALOGUE if s.order != 1.0], ids=named)
def test_balancing_is_no_cure_for_anything_but_a_first_order(source: Source) -> None:
    assert source.never == BALANCE_ONLY_FIRST_ORDER
    # A balance shaft is a part of the engine, not a cure.
    advice = re.sub(r"balance shafts?", "", " ".join((*source.causes, source.first_check)))
    assert "balanc" not in advice.lower()


@pytest.mark.parametrize(
    "part", ["tire_wheel", "driveshaft", "front_driveshaft", "half_shaft", "accessory:NAME"]
)
def test_runout_comes_before_balance_for_what_is_balanced_on_a_vehicle(part: str) -> None:
    source = next(s for s in CATALOGUE if (s.part, s.order) == (part, 1.0))
    assert source.never == RUNOUT_BEFORE_BALANCE
    balancing = source.first_check.lower().rfind("balance")
    assert balancing == -1 or source.first_check.lower().find("indicator") < balancing


def test_joint_angles_are_checked_by_slopes_and_without_an_indicator() -> None:
    source = next(s for s in CATALOGUE if (s.part, s.order) == ("driveshaft", 2.0))
    assert source.runout_where == ""
    assert "slopes" in source.first_check
    assert "ride height" in source.first_check


def words_of_the_driveshaft(order: float, **sections: object) -> str:
    source = sources("rwd", 8, **sections)["driveshaft", order]
    return " / ".join((*source.causes, source.first_check))


@pytest.mark.parametrize("order", [1.0, 2.0])
def test_a_center_bearing_is_a_cause_only_where_the_shaft_may_have_one(order: float) -> None:
    one, two, three = (words_of_the_driveshaft(order, driveshaft={"pieces": n}) for n in (1, 2, 3))
    assert "center bearing" not in one and "piece" not in one
    assert "two-piece shaft: center bearing" in words_of_the_driveshaft(order), (
        "not stated, so it is said whose"
    )
    assert "/ center bearing" in two and "two-piece" not in two
    assert three == two


@pytest.mark.parametrize("order", [1.0, 2.0])
def test_the_first_check_of_a_shaft_in_pieces_takes_in_what_lies_between_them(order: float) -> None:
    def check(**sections: object) -> str:
        return sources("rwd", 8, **sections)["driveshaft", order].first_check

    assert check() == check(driveshaft={"pieces": 1})
    assert check(driveshaft={"pieces": 2}).removeprefix(check()).startswith(" Of a shaft in pieces also: ")
    assert "center bearing" in check(driveshaft={"pieces": 2})


def test_the_front_driveshaft_is_not_the_one_whose_pieces_are_counted() -> None:
    found = [sources("4wd", 8, driveshaft={"pieces": n})["front_driveshaft", 2.0] for n in (1, 2)]
    assert found[0] == found[1]


def test_every_part_of_every_layout_has_its_sources() -> None:
    for layout in ("rwd", "fwd", "4wd", "awd", "ev"):
        vehicle = parse_vehicle(
            {
                "vehicle": {"layout": layout},
                "tire": {"size": "225/65R17"},
                "axle": {"ratio": 3.5},
                "engine": {"cylinders": 0 if layout == "ev" else 6},
                "accessory": [] if layout == "ev" else [{"name": "pump", "ratio": 2.0}],
            }
        )
        assert {s.part for s in sources_of(vehicle)} == {r.part for r in rotors(vehicle)}
        assert all(math.isfinite(s.order) and s.order > 0 for s in sources_of(vehicle))


def test_the_sources_of_a_four_wheel_drive_truck() -> None:
    found = sources("4wd", 8, accessory=[{"name": "fan", "ratio": 1.2}, {"name": "pump", "ratio": 2.0}])
    assert set(found) == {
        *(("tire_wheel", float(n)) for n in (1, 2, 3, 4)),
        *(("half_shaft", float(n)) for n in (1, 3)),
        *((part, float(n)) for part in ("driveshaft", "front_driveshaft") for n in (1, 2)),
        *(("engine", n) for n in (0.5, 1.0, 1.5, 2.0, 4.0)),
        ("accessory:fan", 1.0),
        ("accessory:pump", 1.0),
    }
    assert found["accessory:fan", 1.0].label == "fan, first order (1x)"


@pytest.mark.parametrize(
    ("cylinders", "firing"),
    # Usual firing orders: 1.5 on three cylinders, 2 on four, 2.5 on five, 3 on six, 4 on eight, 5 on ten,
    # 6 on twelve (a vehicle maker's service text, 2021; textbooks agree: cylinders / 2).
    [(3, 1.5), (4, 2.0), (5, 2.5), (6, 3.0), (8, 4.0), (10, 5.0), (12, 6.0)],
)
def test_the_firing_order_stands_once_and_is_called_so(cylinders: int, firing: float) -> None:
    found = sources("rwd", cylinders)
    firings = [source for source in found.values() if "firing" in source.label]
    assert [source.order for source in firings] == [firing]
    assert firings[0].healthy_presence == max(
        s.healthy_presence for s in found.values() if s.part == "engine"
    )


def test_a_two_cylinder_fires_at_the_first_order_and_keeps_its_runout_check() -> None:
    source = sources("rwd", 2)["engine", 1.0]
    assert "firing" in source.label
    assert source.runout_where
    assert source.never != BALANCE_ONLY_FIRST_ORDER


def test_without_cylinders_the_engine_keeps_its_other_orders() -> None:
    assert {order for part, order in sources("rwd", 0) if part == "engine"} == {0.5, 1.0, 1.5, 2.0}


def test_cautions_name_driver_lift_ride_height_fasteners_and_service_information() -> None:
    said = " ".join(CAUTIONS)
    for word in ("drives", "lift", "ride height", "crush sleeves", "service information", "licensed"):
        assert word in said
    assert "left" in WHICH_WHEEL
    assert "front to rear" in WHICH_WHEEL


@pytest.mark.parametrize(
    ("frequency_hz", "words"),
    # Shake 5-20, roughness 20-50, buzz 50-100, tingling above; boom 20-60, moan 60-120, howl 120-300, whine
    # above: common practice, no source.
    [
        (2.0, ("wobble",)),
        (12.0, ("shake", "too low to be heard")),
        (40.0, ("roughness", "boom")),
        (55.0, ("buzz", "boom")),
        (80.0, ("buzz", "moan")),
        (150.0, ("tingling", "howl")),
        (400.0, ("tingling", "whine")),
    ],
)
def test_a_frequency_is_felt_and_heard_as_the_trade_calls_it(
    frequency_hz: float, words: tuple[str, ...]
) -> None:
    assert all(word in feel_of(frequency_hz) for word in words)


def test_the_throttle_changes_joints_at_an_angle_and_the_engine_alone() -> None:
    """Common practice, no source: a rotor out of balance follows its speed."""
    changed = {
        (s.part, s.order) for s in CATALOGUE if lives_on_torque(s.part, s.order) and s.part != "engine"
    }
    assert changed == {("driveshaft", 2.0), ("front_driveshaft", 2.0), ("half_shaft", 3.0)}
    assert all(lives_on_torque(s.part, s.order) for s in CATALOGUE if s.part == "engine")
