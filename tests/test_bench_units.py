"""Lengths and masses as a technician types them. Source of the factors: the 1959 agreement (exact)."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibeorder.errors import UnitError
from vibeorder.units import (
    Quantity,
    parse_length,
    parse_mass,
    parse_rotation,
    parse_sample_rate,
    parse_speed,
    parse_time,
    show_length,
)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("4 thou", 1.016e-4),
        ("0.004 in", 1.016e-4),
        ('0.004"', 1.016e-4),
        ("102 um", 1.02e-4),
        ("4 ft", 1.2192),
    ],
)
def test_the_same_runout_reads_alike_in_every_unit(text: str, metres: float) -> None:
    assert parse_length(text).si == pytest.approx(metres, rel=1e-12)


def test_a_pound_is_sixteen_ounces() -> None:
    assert parse_mass("16 oz").si == pytest.approx(parse_mass("1 lb").si) == 0.45359237


def test_a_mass_without_a_unit_is_refused_with_an_example() -> None:
    with pytest.raises(UnitError, match=r"no unit.*12 kg"):
        parse_mass("12")


@pytest.mark.parametrize(
    ("text", "rpm"),
    [("1,800 rpm", 1800.0), ("12,500 rpm", 12500.0), ("850,125 rpm", 850.125), ("37,5 rpm", 37.5)],
)
def test_a_comma_sets_the_thousands_of_a_shaft_speed_apart(text: str, rpm: float) -> None:
    """Nothing turns 1.8 times a minute, nor 850125 times."""
    assert 60.0 * parse_rotation(text).si == pytest.approx(rpm)


@pytest.mark.parametrize(
    ("parse", "text", "readings"),
    [
        (parse_mass, "1,200 g", "1.2 g or 1200 g"),
        (parse_mass, "1,200 kg", "1.2 kg or 1200 kg"),
        (parse_length, "2,410 mm", "2.41 mm or 2410 mm"),
        (parse_rotation, "1,800 Hz", "1.8 Hz or 1800 Hz"),
        (parse_sample_rate, "44,100 Hz", "44.1 Hz or 44100 Hz"),
        (parse_time, "-1,250 s", "-1.25 s or -1250 s"),
    ],
)
def test_a_comma_that_may_mean_either_is_asked_about(
    parse: Callable[[str], Quantity], text: str, readings: str
) -> None:
    with pytest.raises(UnitError, match=f"may be {readings}; write the one that is meant, without a comma"):
        parse(text)


@pytest.mark.parametrize(
    ("parse", "text", "si"),
    [
        (parse_mass, "37,5 g", 0.0375),
        (parse_mass, "0,250 kg", 0.25),
        (parse_mass, "1,2005 kg", 1.2005),
        (parse_length, "0,250 mm", 0.25e-3),
        (parse_length, ",125 mm", 0.125e-3),
        (parse_length, "1,250 in", 1.25 * 0.0254),
        (parse_length, "2,105 m", 2.105),
        (parse_speed, "97,250 km/h", 97.25 / 3.6),
        (parse_sample_rate, "44,100 kHz", 44100.0),
        (parse_time, "0,500 s", 0.5),
    ],
)
def test_a_decimal_comma_goes_on_being_one_where_it_can_be_nothing_else(
    parse: Callable[[str], Quantity], text: str, si: float
) -> None:
    assert parse(text).si == pytest.approx(si)


@given(st.floats(0.0, 0.02), st.sampled_from(["in", "thou", "mm", "um"]))
def test_a_shown_length_reads_back_to_within_its_last_digit(length_m: float, unit: str) -> None:
    assert parse_length(show_length(length_m, unit)).si == pytest.approx(length_m, abs=1.3e-6)
