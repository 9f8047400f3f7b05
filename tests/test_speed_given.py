"""A road speed as somebody says it: one, about one, a range either way, from rest or to it; else one sentence."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from vibeorder.errors import VibeorderError
from vibeorder.speed.given import parse_speed_given
from vibeorder.units import KMH_MPS, MPH_MPS


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("55-65 mph", 55, 65),
        ("about 55-65 mph", 55, 65),
        ("from 55 to about 65 mph", 55, 65),
        ("65-55 mph", 55, 65),
        ("65 down to 55 mph", 55, 65),
        ("55 up to 65 mph", 55, 65),
        ("55 mph to 65 mph", 55, 65),
        ("55,5–65,5 mph", 55.5, 65.5),
    ],
)
def test_a_range_is_read_whichever_way_it_is_said(text: str, low: float, high: float) -> None:
    said = parse_speed_given(text)
    assert (said.low_mps, said.high_mps) == pytest.approx((low * MPH_MPS, high * MPH_MPS))
    assert (said.steady, said.from_rest, said.unit, said.text) == (False, False, "mph", text)
    assert (said.loose > 0.0) is text.startswith("about")


@pytest.mark.parametrize(
    "text", ["0-97 km/h", "97-0 km/h", "from rest to 97 km/h", "97 km/h down to a standstill"]
)
def test_a_range_may_begin_or_end_at_rest(text: str) -> None:
    said = parse_speed_given(text)
    assert said.from_rest
    assert said.high_mps == pytest.approx(97 * KMH_MPS)


def test_one_speed_stands_for_a_range_in_its_middle() -> None:
    assert parse_speed_given("65-55 mph").middle_mps == pytest.approx(60 * MPH_MPS)
    assert parse_speed_given("60 mph").middle_mps == pytest.approx(60 * MPH_MPS)


@pytest.mark.parametrize("text", ["55-65", "about 55-65", "60-0", "0 to 60"])
def test_a_range_without_a_unit_is_told_how_to_be_written(text: str) -> None:
    with pytest.raises(VibeorderError) as caught:
        parse_speed_given(text)
    assert str(caught.value) == (f"speed {text!r} has no unit; write it like '55-65 mph' or '90-105 km/h'")


@pytest.mark.parametrize("text", ["55/65 mph", "55 65 mph", "-5-60 mph", "55-65 mph at most"])
def test_two_numbers_that_are_no_range_are_told_how_to_write_one(text: str) -> None:
    with pytest.raises(VibeorderError, match="a range like '55-65 mph'") as caught:
        parse_speed_given(text)
    assert repr(text) in str(caught.value)


@given(st.text("0123456789.,-–~/ abdefhkmoprstu", max_size=40))
@example("stop to rest mph")
@example("0-0 mph")
@example("-")
@settings(max_examples=300, deadline=None)
def test_any_text_is_a_speed_or_one_sentence(text: str) -> None:
    try:
        said = parse_speed_given(text)
    except VibeorderError as error:
        assert "\n" not in str(error)
    else:
        assert 0.0 < said.low_mps <= said.high_mps
