"""Tire sizes and rolling circumference against published tables and service texts."""

import math
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.errors import VehicleError
from vibeorder.units import MILE_M
from vibeorder.vehicle import parse_tire, rolling_tire

STEADY = settings(deadline=None, derandomize=True)  # same draws each run, however busy the machine

# Outside diameter in mm by the size formula of the Tire and Rim Association and ETRTO tables (ISO 4000-1),
# as reproduced in secondary sources for most rows.
DIAMETERS_MM = {
    "205/55R16": 631.90,
    "225/65R17": 724.30,
    "P225/65R17": 724.30,
    "275/65R18": 814.70,
    "275/65R18 116T": 814.70,
    "LT275/65R18 123/120S": 814.70,
    "LT265/70R17/E": 802.80,
    "215/65R17": 711.30,
    "245/55R18": 726.70,
    "235/75R15": 733.50,
    "P205/75R14": 663.10,
    "315/70R17": 872.80,
    "205/80R14": 683.60,
    "225/45ZR17 (94Y)": 634.30,
    "225/45 ZR 17 94Y XL": 634.30,
    "195/65 r 15": 634.50,
    "195 / 65 / 15": 634.50,
    "31x10.50R15LT": 787.40,
    "31×10,50R15LT 109Q": 787.40,
}

# Tire radii in m in the unit tests of the European Commission JRC's CO2MPAS (test_tyre_code.py).
CO2MPAS_RADII_M = {
    "LT265/75R15": 0.38925,
    "LT245/75R16": 0.38695,
    "205/65R15C": 0.32375,
    "7.50R16C": 0.37846,
    "9.50R16.5LT": 0.431546,
    "205-640R440": 0.32,
}


@pytest.mark.parametrize(("size", "diameter_mm"), DIAMETERS_MM.items())
def test_diameter_agrees_with_the_size_tables(size: str, diameter_mm: float) -> None:
    assert parse_tire(size).diameter_m * 1e3 == pytest.approx(diameter_mm, abs=0.005)


@pytest.mark.parametrize(("size", "radius_m"), CO2MPAS_RADII_M.items())
def test_radius_agrees_with_the_type_approval_tool(size: str, radius_m: float) -> None:
    assert parse_tire(size).diameter_m / 2 == pytest.approx(radius_m, abs=5e-6)


def test_a_flotation_size_carries_the_diameter_not_the_radius() -> None:
    # 32 in = 812.8 mm is the diameter; a published tool's own unit test returns it as a radius.
    assert parse_tire("32x11.50R15LT").diameter_m == pytest.approx(0.8128)


@pytest.mark.parametrize(
    ("size", "revs_per_mile", "tolerance"),
    [
        # 1 rev/s at 5 mph and 1.06, 1.07 (two treads of one size): a vehicle maker's service text of 2003.
        ("P235/75R15", 720, 0.006),
        ("P235/60R16", 763, 0.006),
        ("P235/60R16", 770, 0.006),
        # 33 in tire, 105 rpm at 10 mph: another maker's service text of 2001 (width invented).
        ("33x12.50R15LT", 630, 0.006),
        # 345-wide, 17 in, 25.7 in outside: 808 per mile, a public drag calculator's data file.
        ("25.7x13.58R17", 808, 0.006),
        # 245/35R17: 1854 mm, a tire maker's data book of 2013-14 as quoted by an engineering dictionary.
        ("245/35R17", MILE_M / 1.854, 0.010),
    ],
)
def test_rolling_circumference_agrees_with_published_revolutions(
    size: str, revs_per_mile: float, tolerance: float
) -> None:
    tire = rolling_tire(size=size)
    assert tire.circumference_m == pytest.approx(MILE_M / revs_per_mile, rel=tolerance)
    free_m = math.pi * parse_tire(size).diameter_m
    assert free_m > 1.015 * MILE_M / revs_per_mile  # the free circumference would not have passed


def test_a_bias_tire_rolls_less_than_a_radial_of_its_diameter() -> None:
    # 2.99 against 3.05 x diameter: ETRTO convention; 2.99 is a value from memory.
    radial, bias = rolling_tire(size="7.50R16"), rolling_tire(size="7.50-16")
    assert bias.circumference_m / radial.circumference_m == pytest.approx(2.99 / 3.05)


@pytest.mark.parametrize(("size", "diameter_mm"), [("11R22.5", 1054), ("12R22.5", 1085), ("11 R 24,5", 1104)])
def test_a_tubeless_truck_size_without_aspect_is_near_the_tables(size: str, diameter_mm: float) -> None:
    """Overall diameters of the Tire and Rim Association's and ETRTO's tables, from memory."""
    tire = parse_tire(size)
    assert 1e3 * tire.diameter_m == pytest.approx(diameter_mm, rel=0.015)
    assert "aspect" in tire.note


def test_a_dash_in_a_metric_size_is_taken_as_radial_and_said_to_be_unsure() -> None:
    tire = rolling_tire(size="225/65-17")
    assert tire.circumference_m == rolling_tire(size="225/65R17").circumference_m
    assert tire.relative_se > rolling_tire(size="225/65R17").relative_se
    assert "radial taken" in tire.note


def test_published_revolutions_that_are_only_the_free_circumference_are_not_believed() -> None:
    # 808 per mile for 225/45R17 and 720 for 28 in are geometric: 20 168 / diameter in inches.
    geometric = rolling_tire(size="225/45R17", revs_per_mile=808)
    assert geometric.circumference_m == rolling_tire(size="225/45R17").circumference_m
    assert "pi x the free diameter" in geometric.note
    by_diameter = rolling_tire(diameter_mm=28 * 25.4, revs_per_mile=720)
    assert by_diameter.circumference_m == pytest.approx(3.05 * 28 * 0.0254)


def test_published_rolling_revolutions_are_believed_over_the_size() -> None:
    tire = rolling_tire(size="P235/60R16", revs_per_mile=770)
    assert tire.circumference_m == pytest.approx(MILE_M / 770)
    assert tire.note == ""


def test_the_better_the_statement_the_smaller_its_doubt() -> None:
    size = rolling_tire(size="275/65R18")
    published = rolling_tire(size="275/65R18", revs_per_km=402)
    measured = rolling_tire(size="275/65R18", circumference_mm=2470, revs_per_km=402)
    assert size.relative_se > published.relative_se > measured.relative_se
    assert measured.circumference_m == pytest.approx(2.470)


@pytest.mark.parametrize(
    ("size", "commercial"),
    [
        ("275/70R22.5", True),
        ("225/70R19.5", True),
        ("215/75R17.5", True),
        ("11R22.5", True),
        ("275/65R18", False),
        ("205/55R16", False),
        ("31x10.50R15LT", False),
        ("7.50R16", False),
        ("190/65R390", False),
    ],
)
def test_rims_with_half_an_inch_are_those_of_buses_and_heavy_trucks(size: str, commercial: bool) -> None:
    """Rims of 17.5, 19.5 and 22.5 in with 15 degree seats (ETRTO and Tire and Rim Association, from memory)."""
    assert parse_tire(size).commercial == commercial
    assert rolling_tire(size=size).commercial == commercial
    nominal = rolling_tire(size=size).circumference_m
    assert rolling_tire(size=size, circumference_mm=1000.0 * nominal).commercial == commercial


def test_two_statements_that_cannot_both_be_true_are_refused() -> None:
    with pytest.raises(VehicleError, match=r"differ by .* one is wrong"):
        rolling_tire(size="275/65R18", circumference_mm=2100)


@pytest.mark.parametrize(
    "size", ["275/6R18", "2755/65R18", "275/65R180", "33x12R50", "205-440R640", "95/65R15"]
)
def test_a_slipped_digit_in_a_size_is_refused_by_name(size: str) -> None:
    with pytest.raises(VehicleError, match="check it against the sidewall"):
        parse_tire(size)


@pytest.mark.parametrize(
    "size", ["", "275", "R18", "foo", "275/65R18 banana", "275/65R", "1" * 5000, "275/65R1８"]
)
def test_what_is_no_size_is_refused_with_an_example(size: str) -> None:
    with pytest.raises(VehicleError, match="275/65R18"):
        parse_tire(size)


@STEADY
@given(st.text(max_size=80))
def test_any_text_is_a_size_or_one_clear_sentence(text: str) -> None:
    try:
        parse_tire(text)
    except VehicleError as error:
        assert "tire size" in str(error)
        assert "\n" not in str(error)


@STEADY
@given(
    width=st.integers(29, 71).map(lambda n: 5 * n),
    aspect=st.integers(5, 17).map(lambda n: 5 * n),
    rim=st.integers(13, 24),
    prefix=st.sampled_from(["", "P", "LT", "p"]),
    build=st.sampled_from(["R", "ZR", " R ", "r"]),
    suffix=st.sampled_from(["", " 94V", " XL", "C 112/110R", " (98Y)", "/E", " 121/118S E"]),
)
def test_any_metric_size_gives_back_its_own_numbers(
    width: int, aspect: int, rim: int, prefix: str, build: str, suffix: str
) -> None:
    tire = parse_tire(f"{prefix}{width}/{aspect}{build}{rim}{suffix}")
    assert (tire.width_mm, tire.aspect) == (width, aspect)
    assert tire.rim_m == pytest.approx(rim * 0.0254)
    assert tire.diameter_m == pytest.approx((rim * 25.4 + 2 * width * aspect / 100) / 1e3)
    assert tire.construction == "radial"


def test_every_size_in_the_documentation_is_understood() -> None:
    page = Path(__file__).resolve().parents[1] / "docs" / "vehicle-profile.md"
    listed = page.read_text(encoding="utf-8").partition("Understood sizes:")[2].partition("##")[0]
    sizes = re.findall(r"`([^`]+)`", listed)
    assert len(sizes) >= 10
    for size in sizes:
        assert parse_tire(size).text == size
