"""Lengths and masses as a technician types them. Source of the factors: the 1959 agreement (exact)."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibeorder.errors import UnitError
from vibeorder.units import parse_length, parse_mass, show_length


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


@given(st.floats(0.0, 0.02), st.sampled_from(["in", "thou", "mm", "um"]))
def test_a_shown_length_reads_back_to_within_its_last_digit(length_m: float, unit: str) -> None:
    assert parse_length(show_length(length_m, unit)).si == pytest.approx(length_m, abs=1.3e-6)
