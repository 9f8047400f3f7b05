"""Cured, improved, unchanged, worse, or cannot say: what two drives prove and what they do not.

Levels are known because they were put in; that a vector rms ratio r is 20 lg r dB is its definition. Limits
of what counts (10 s in common, the healthy level) are the program's own and named.
"""

import math
import re
import runpy
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from compare_examples import TRUCK, drive, recording_of, speed_fit
from report_examples import suspect

from vibeorder.diagnosis.amplitudes import COMPLAINT_FROM_MPS2
from vibeorder.diagnosis.compare import Comparison, Drive, compare
from vibeorder.diagnosis.compare_asked import order_asked, suspect_of
from vibeorder.errors import VibeorderError
from vibeorder.report.comparison import comparison_sheet

BENCHMARK: dict[str, Any] = runpy.run_path(str(Path(__file__).parent / "benchmarks" / "compare.py"))


def judged(before: Drive, after: Drive, part: str = "driveshaft", order: float = 1.0) -> Comparison:
    return compare(before, after, TRUCK, part, order)


@pytest.mark.parametrize(
    ("after", "verdict"),
    [(0.0, "cured"), (0.02, "cured"), (0.12, "improved"), (0.25, "unchanged"), (0.5, "worse")],
)
def test_the_verdict_follows_what_is_left(after: float, verdict: str) -> None:
    result = judged(drive(0.25, 1), drive(after, 2))
    assert result.verdict == verdict
    assert result.before_rms == pytest.approx(0.25, rel=0.05)
    if after > 0.1:
        truth = 20.0 * math.log10(after / 0.25)
        assert result.ratio_db == pytest.approx(truth, abs=1.0)
        assert result.low_db is not None and result.high_db is not None
        assert result.low_db < truth < result.high_db


def test_before_and_after_exchanged_turn_the_ratio_round() -> None:
    one, two = drive(0.25, 1), drive(0.12, 2)
    there, back = judged(one, two), judged(two, one)
    assert (there.verdict, back.verdict) == ("improved", "worse")
    assert there.ratio_db is not None and back.ratio_db is not None
    assert there.ratio_db == pytest.approx(-back.ratio_db, abs=1e-9)


def test_a_simulated_road_test_is_cured_improved_or_unchanged_as_it_was_made() -> None:
    """The simulator's own truth, whole diagnoses of both drives: 0.25 m/s^2 before, 0.25, 0.12, 0 after."""
    results = BENCHMARK["compared"](1, BENCHMARK["STEADY"], (0.25, 0.12, 0.0))
    assert [one.verdict for one in results] == ["unchanged", "improved", "cured"]
    assert [BENCHMARK["held"](*pair) for pair in zip(results, (0.25, 0.12, 0.0), strict=True)] == [True] * 3


def test_only_speeds_that_both_drives_have_are_compared() -> None:
    result = judged(drive(0.25, 1, speed_mps=(20.0, 30.0), seconds=60), drive(0.25, 2, speed_mps=26.0))
    assert result.verdict == "cannot say"
    assert "share only" in result.reason
    wide = judged(drive(0.25, 1, speed_mps=(20.0, 30.0), seconds=60), drive(0.25, 2, speed_mps=(25.0, 35.0)))
    assert wide.verdict == "unchanged"
    assert {round(one.speed_mps) for one in wide.bins} <= {24, 25, 26, 27, 28, 29, 30, 31}


NOT_COMPARABLE: dict[str, tuple[dict[str, Any], dict[str, Any], str]] = {
    "other speeds": ({"speed_mps": 20.0}, {"speed_mps": 27.0}, "share only 0 s at the same speeds"),
    "too short": ({}, {"seconds": 9}, "10 s are needed; record half a minute"),
    "no unit": ({"unit": "relative"}, {"unit": "relative"}, "has no unit"),
    "sound against acceleration": ({}, {"kind": "audio"}, "one recording is sound"),
    "fewer axes": ({}, {"axes": 1}, "3 axes and the other 1"),
    "half the sample rate": ({}, {"rate_hz": 64.0}, "above half the sample rate in one recording only"),
    "another mount": ({}, {"noise": 3.0}, "another mount, place or road"),
}


@pytest.mark.parametrize(("before", "after", "says"), NOT_COMPARABLE.values(), ids=NOT_COMPARABLE)
def test_drives_that_are_not_alike_get_cannot_say_and_what_to_do(
    before: dict[str, Any], after: dict[str, Any], says: str
) -> None:
    result = judged(drive(0.25, 1, **before), drive(0.0, 2, **after))
    assert result.verdict == "cannot say"
    assert says in result.reason
    assert comparison_sheet(result).sentence.startswith(
        "Cannot say whether the driveshaft, first order (1x),"
    )


def test_a_shake_that_was_hardly_there_before_proves_nothing_when_it_is_gone() -> None:
    result = judged(drive(0.01, 1), drive(0.0, 2))
    assert result.verdict == "cannot say"
    assert "nothing to compare" in result.reason


def test_noise_too_strong_to_see_a_sound_level_is_improved_and_not_cured() -> None:
    result = judged(drive(1.0, 1, noise=3.0), drive(0.0, 2, noise=3.0))
    assert result.verdict == "improved"
    assert result.after_top_rms > COMPLAINT_FROM_MPS2
    assert "cannot show" in comparison_sheet(result).sentence


def test_a_phone_that_lies_otherwise_is_warned_of_and_still_compared() -> None:
    result = judged(drive(0.25, 1), drive(0.12, 2, tilt_deg=60.0))
    assert result.verdict == "improved"
    assert any("turned by 60 degrees" in warning for warning in result.warnings)
    assert judged(drive(0.25, 1), drive(0.12, 2, tilt_deg=5.0)).warnings == ()


def test_a_rougher_road_is_warned_of() -> None:
    result = judged(drive(0.5, 1), drive(0.5, 2, noise=0.8))
    assert any("stronger after: another road, or another mount" in warning for warning in result.warnings)


def test_an_engine_order_needs_the_gear_and_is_followed_in_it() -> None:
    engine = 3.73 * 0.83
    first, second = drive(0.25, 1, multiple=engine), drive(0.12, 2, multiple=engine)
    assert judged(first, second, "engine").verdict == "improved"
    unknown = judged(drive(0.25, 1, multiple=engine, gear=None), second, "engine")
    assert unknown.verdict == "cannot say"
    assert "in the drive before the repair the gear changed or is not known" in unknown.reason


def test_an_engine_order_in_another_gear_is_not_the_same_engine_speed() -> None:
    """At one road speed the engine turns 0.83 / 1.00 as fast in the one gear as in the other: two other shakes."""
    before = drive(0.25, 1, multiple=3.73 * 0.83, gear=7)
    after = drive(0.05, 2, multiple=3.73 * 1.00, gear=6)
    result = judged(before, after, "engine")
    assert result.verdict == "cannot say"
    assert "the first drive was in gear 7 and the second in gear 6" in result.reason
    shaft = judged(drive(0.25, 1, gear=7), drive(0.12, 2, gear=6))  # turns with the wheels in any gear
    assert shaft.verdict == "improved"


@pytest.mark.parametrize(
    ("high_db", "says"), [(-0.1, "weaker, by how much cannot be said"), (-6.3, "at least 2.0 ")]
)
def test_how_much_weaker_a_line_is_that_nothing_is_left_of_is_its_intervals_end(
    high_db: float, says: str
) -> None:
    """20 lg 2 is 6.02: the upper end of -6.3 dB is at least 2.0 times weaker. It said "far weaker" for -0.1 dB."""
    result = judged(drive(1.0, 1, noise=3.0), drive(0.0, 2, noise=3.0))
    assert result.verdict == "improved" and result.ratio_db is None
    sentence = comparison_sheet(replace(result, high_db=high_db)).sentence
    assert f"is {says}" in sentence and "far" not in sentence


def test_the_tires_fit_of_the_first_drive_serves_the_second_where_nothing_shakes_any_more() -> None:
    first, second = drive(0.25, 1), drive(0.25, 2)
    fit = second.diagnosis.speed
    off = replace(fit, speed_mps=fit.speed_mps * 1.02, scale=1.02, scale_se=0.01)
    lost = Drive(second.recording, replace(second.diagnosis, speed=off))
    result = judged(first, lost)
    assert result.verdict == "unchanged"
    assert result.after_rms == pytest.approx(0.25, rel=0.03)


def test_fits_that_disagree_are_read_in_a_band_that_holds_both() -> None:
    first, second = drive(0.25, 1), drive(0.25, 2)
    fit = second.diagnosis.speed
    wrong = replace(fit, speed_mps=fit.speed_mps * 1.03, scale=1.03)  # locked, on a wrong line
    result = judged(first, Drive(second.recording, replace(second.diagnosis, speed=wrong)))
    assert result.verdict == "unchanged"
    tire, again = drive(0.25, 1, multiple=3.0), drive(0.25, 2, multiple=3.0)
    lost = Drive(again.recording, replace(again.diagnosis, speed=wrong))
    assert judged(tire, lost, "tire_wheel", 3.0).verdict == "unchanged"


def test_a_rate_in_too_much_doubt_is_not_read() -> None:
    vague = drive(0.0, 2)
    fit = replace(vague.diagnosis.speed, source="given", scale_se=0.06)
    result = judged(drive(0.25, 1), Drive(vague.recording, replace(vague.diagnosis, speed=fit)))
    assert result.verdict == "cannot say"
    assert "not known well enough" in result.reason


def test_the_part_to_compare_is_the_first_suspect_and_none_where_nothing_was_found() -> None:
    one = drive(0.25, 1).diagnosis
    named = replace(one, suspects=(suspect("engine", 2.0, 0.9, 60.0),), nothing_found_probability=0.1)
    assert suspect_of(named) == ("engine", 2.0)
    twins = (
        suspect("engine", 4.0, 0.6, 40.2, expected_hz=133.6, indistinct_from=(("driveshaft", 1.0),)),
        suspect("driveshaft", 1.0, 0.4, 40.2, expected_hz=40.3),
    )
    assert suspect_of(replace(named, suspects=twins)) == ("driveshaft", 1.0)
    for nothing in (replace(named, nothing_found_probability=0.95), replace(named, suspects=())):
        with pytest.raises(VibeorderError, match="--part driveshaft --order 1"):
            suspect_of(nothing)


def test_a_part_or_order_that_the_vehicle_has_not_is_one_sentence_with_those_it_has() -> None:
    one = drive(0.25, 1)
    with pytest.raises(VibeorderError, match="has no 'propeller'; --part takes one of tire_wheel"):
        judged(one, one, "propeller")
    with pytest.raises(VibeorderError, match="--order 5 is not known of driveshaft; it has 1, 2"):
        judged(one, one, "driveshaft", 5.0)


def test_without_an_order_the_first_is_compared_and_no_other_stands_for_a_slip() -> None:
    assert order_asked(None) == 1.0
    assert order_asked(2.0) == 2.0
    for slip in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(VibeorderError, match="give a number above zero"):
            order_asked(slip)


def test_a_clear_order_outside_what_both_drives_share_is_said_to_be_clear() -> None:
    """The first drive shakes from 29 m/s up only; the second was driven slower."""
    low, high = drive(0.0, 1, speed_mps=24.0, seconds=15), drive(0.5, 1, speed_mps=30.0, seconds=40)
    samples = np.concatenate([low.recording.samples, high.recording.samples], axis=1)
    course = np.concatenate([low.diagnosis.speed.speed_mps, high.diagnosis.speed.speed_mps])
    both = Drive(recording_of(samples, 200.0), replace(high.diagnosis, speed=speed_fit(course)))
    result = judged(both, drive(0.0, 2, speed_mps=24.0))
    assert result.verdict == "cannot say"
    assert "stands clear in the first drive" in result.reason
    assert "hardly stands out" not in result.reason


def test_two_recordings_in_the_wrong_order_are_asked_about() -> None:
    result = judged(drive(0.0, 2), drive(0.25, 1))
    assert result.verdict == "cannot say"
    assert "were the two recordings exchanged?" in result.reason
    assert comparison_sheet(result).sentence.endswith("the shake came with the repair.")


def test_a_level_that_noise_hides_is_shown_by_its_upper_end_only() -> None:
    result = judged(drive(0.25, 1), drive(0.0, 2))
    numbers = dict(comparison_sheet(result).numbers)
    assert result.after_hidden
    assert not result.before_hidden
    assert numbers["after"] == f"hidden by the noise: at most {result.after_top_rms:.3f} m/s²"
    assert "±" in numbers["before"]
    words = " ".join((comparison_sheet(result).sentence, *numbers.values()))
    assert "m/s^2" not in words
    assert not re.search(r"[-−]0\.0+(?!\d)", words)
