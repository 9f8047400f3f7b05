"""One probability reads alike everywhere, and a road speed as the dashboard shows it.

Mile 1609.344 m (international yard and pound agreement, 1959): 60 mph is 96.6 km/h.
"""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_examples import bent_flange, suspect

from vibeorder.diagnosis.advice import runout_check, verdict
from vibeorder.report import as_html, as_text
from vibeorder.report.wording import percent, speed_lines
from vibeorder.units import MPH_MPS, show_percent, show_speeds, speed_axis
from vibeorder.web.view import view_of

SAID = re.compile(r"(over 99|under 1|\d+)%")


@given(st.floats(0.0, 1.0))
def test_a_probability_is_rounded_to_the_nearest_percent_and_never_certain(probability: float) -> None:
    said = show_percent(probability)
    assert said not in ("0%", "100%")
    if said[0].isdigit():
        assert abs(float(said[:-1]) - 100.0 * probability) <= 0.5
    else:
        assert (probability >= 0.99) if said == "over 99%" else (probability <= 0.01)


@pytest.mark.parametrize("probability", [0.9938, 0.996, 0.9901, 0.974, 0.5049])
def test_verdict_table_sheet_and_page_say_the_same_percent(probability: float) -> None:
    made = bent_flange()
    lead = replace(made.suspects[0], probability=probability, indistinct_from=())
    rest = tuple(replace(one, probability=0.0, indistinct_from=()) for one in made.suspects[1:])
    nothing = 1.0 - probability
    one = replace(
        made,
        suspects=(lead, *rest),
        nothing_found_probability=nothing,
        verdict=verdict((lead, *rest), nothing),
    )
    told = percent(probability)
    assert SAID.findall(one.verdict) == SAID.findall(told)
    assert view_of(one)["rows"][0]["percent"] == told
    assert f"{told}<span" in as_html(one)
    assert told.replace("over ", ">") in as_text(one, width=80)


def test_a_speed_is_shown_in_the_unit_it_was_said_in_and_in_both_where_none_was() -> None:
    sixty = 60.0 * MPH_MPS
    assert show_speeds((sixty,), "mph") == "60 mph"
    assert show_speeds((sixty,), "km/h") == "97 km/h"
    assert show_speeds((sixty,), "m/s") == show_speeds((sixty,), "knots") == "60 mph (97 km/h)"
    assert show_speeds((45.0 * MPH_MPS, sixty), "m/s") == "45 to 60 mph (72 to 97 km/h)"
    label, per_mps = speed_axis("km/h")
    assert label == "road speed, km/h" and per_mps == pytest.approx(1 / 3.6)


def test_no_sheet_names_a_speed_in_metres_per_second() -> None:
    made = bent_flange()
    held = np.full(50, 60.0 * MPH_MPS)
    logged = replace(made, speed=replace(made.speed, source="logged", speed_mps=held, unit="m/s"))
    assert speed_lines(logged.speed)[0].startswith("Speed: 60 mph (97 km/h), from the recording's own log")
    for words in (as_html(logged), as_text(logged, width=200)):
        assert not re.search(r"\d m/s(?![\^²])", words)


@pytest.mark.parametrize(("likely", "settled"), [(0.55, False), (0.95, True)])
def test_a_runout_check_of_a_moderate_suspect_is_to_settle_it(likely: float, settled: bool) -> None:
    tire = suspect("tire_wheel", 1.0, likely, 5.0)
    check = runout_check([tire], {("tire_wheel", 1.0): "tire tread, center"}, 1.0 - likely)
    assert check.warranted
    assert ("not settled: measure to settle it" in check.why) is not settled


def test_a_runout_check_of_parts_that_cannot_be_told_apart_names_each_with_its_own_place() -> None:
    """The figure is the sum over both (axioms of probability): neither alone may be given it."""
    rear = suspect("driveshaft", 1.0, 0.6, 41.0, indistinct_from=(("front_driveshaft", 1.0),))
    front = suspect("front_driveshaft", 1.0, 0.39, 41.0, indistinct_from=(("driveshaft", 1.0),))
    places = {("driveshaft", 1.0): "the rear tube", ("front_driveshaft", 1.0): "the front tube"}
    check = runout_check([rear, front], places, 0.01)
    assert check.warranted
    assert check.where == f"for the {rear.label}: the rear tube; for the {front.label}: the front tube"
    assert f"{rear.label} or the {front.label} comes from" in check.why and "99% likely" in check.why
    assert "cannot tell which" in check.why
    alone = runout_check([rear], places, 0.4)
    assert alone.where == "the rear tube" and "cannot tell which" not in alone.why
