"""Indicator readings round one turn. Sources beside each check; limits are common practice, no source."""

import math
import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from vibeorder.bench import answer_halfturn, answer_runout, render
from vibeorder.bench.harmonics import fit_harmonics, harmonic
from vibeorder.bench.indicator import Indicator
from vibeorder.bench.places import PLACES, find_place
from vibeorder.bench.readings import Readings, name_angle, parse_extreme, parse_readings
from vibeorder.bench.runout import RunoutLimit, measure_runout, runout_from_extremes
from vibeorder.bench.runout_words import runout_sheet
from vibeorder.bench.vectors import circular_difference_deg
from vibeorder.errors import UnitError, VibeorderError

FloatArray = NDArray[np.floating[Any]]
THOU = 2.54e-5
FOUR = RunoutLimit(4 * THOU, "4 thou")


def _turn(angles_deg: FloatArray, readings_m: FloatArray, back_m: FloatArray | None = None) -> Readings:
    back = None if back_m is None else tuple(back_m.tolist())
    return Readings(tuple(angles_deg.tolist()), tuple(readings_m.tolist()), "mm", back_m=back)


def _shape(angles_deg: FloatArray) -> FloatArray:
    t = np.radians(angles_deg)
    wave = 0.015 * np.cos(t - math.radians(40)) + 0.008 * np.cos(2 * (t - math.radians(15)))
    shape: FloatArray = 25.4e-3 * (wave + 0.002 * np.cos(3 * t))
    return shape


def test_eccentric_oval_and_lobed_parts_are_told_apart() -> None:
    """Computed from the formula: 0.015 in at 40 deg, oval 0.008 in at 15 deg, three-lobed 0.002 in."""
    angles = np.arange(16) * 22.5
    result = measure_runout(_turn(angles, _shape(angles)))
    assert result.offset.length == pytest.approx(0.015 * 25.4e-3, rel=1e-9)
    assert result.offset.angle_deg == pytest.approx(40.0, abs=1e-6)
    oval, lobed = result.waves
    assert (oval.amplitude_m, oval.high_spot_deg) == pytest.approx((0.008 * 25.4e-3, 15.0), rel=1e-6)
    assert lobed.amplitude_m == pytest.approx(0.002 * 25.4e-3, rel=1e-6)
    assert result.tir_read_m == pytest.approx(0.03937 * 25.4e-3, rel=2e-4)
    assert result.tir_m == pytest.approx(0.03970 * 25.4e-3, rel=2e-4)


def test_a_pure_offset_shows_twice_itself_on_the_dial() -> None:
    """e = TIR/2: Kelm, Kelm and Pavelek, Rotor Balancing Tutorial, 2016, p. 3: 0.15 mil is 0.000075 in."""
    angles = np.arange(8) * 45.0
    result = measure_runout(_turn(angles, 0.000075 * 25.4e-3 * np.cos(np.radians(angles))))
    assert result.tir_m == pytest.approx(0.15e-3 * 25.4e-3, rel=1e-9)


@given(
    st.lists(st.floats(-20, 20), min_size=9, max_size=9),
    st.lists(st.floats(0.0, 1.0), min_size=9, max_size=9),
    st.integers(1, 3),
)
@settings(max_examples=60, deadline=None)
def test_the_fit_is_that_of_a_general_least_squares_solver(
    readings: list[float], jitter: list[float], orders: int
) -> None:
    """Against numpy.linalg.lstsq on uneven places, with unequal weights."""
    t = np.radians(40.0 * np.arange(9) + 15.0 * np.asarray(jitter))
    u = 1.0 + np.asarray(jitter)
    fit = fit_harmonics(t.tolist(), readings, u.tolist(), orders)
    x = np.column_stack([np.ones(9)] + [f(k * t) for k in range(1, orders + 1) for f in (np.cos, np.sin)])
    expected = np.linalg.lstsq(x / u[:, None], np.asarray(readings) / u, rcond=None)[0]
    assert np.allclose(fit.coefficients, expected, atol=1e-9)


@pytest.mark.parametrize(("places", "seed"), [(4, 1), (7, 2), (8, 3), (12, 4)])
def test_the_stated_errors_are_the_real_scatter(places: int, seed: int) -> None:
    """600 turns with known noise: the pulls of amplitude and angle have a standard deviation of one."""
    rng = np.random.default_rng(seed)
    t = np.sort(np.arange(places) * 2 * np.pi / places + rng.uniform(-0.1, 0.1, places))
    pulls = []
    for _ in range(600):
        readings = 1e-4 * np.cos(t - 1.0) + rng.normal(0.0, 5e-6, places)
        fit = fit_harmonics(t.tolist(), readings.tolist(), 5e-6, 1)
        v = harmonic(fit, 1)
        pulls.append([(v.length - 1e-4) / v.length_se, (v.angle_deg - math.degrees(1.0)) / v.angle_se_deg])
    sd = np.std(pulls, axis=0)
    assert np.all(sd < 1.1)
    assert np.all(sd > 0.75), "errors enlarged by scatter may be too large, never by a third"


def test_one_rusty_spot_is_named_and_left_out() -> None:
    angles = np.arange(8) * 45.0
    readings = 2 * THOU * np.cos(np.radians(angles - 150))
    readings[2] += 6 * THOU
    result = measure_runout(_turn(angles, readings), limit=RunoutLimit(5 * THOU, "5 thou"))
    assert result.suspect == 2
    assert result.suspect_excess_m == pytest.approx(6 * THOU, rel=0.05)
    assert circular_difference_deg(result.offset.angle_deg, 150.0) == pytest.approx(0.0, abs=1.0)
    assert result.verdict == "too close to call", (
        "within without the spot, over with it: clean and read again"
    )
    readings_typed = Readings(tuple(angles.tolist()), tuple(readings.tolist()), "thou")
    assert (
        "at 90 deg: clean that spot and read it again"
        in runout_sheet(result, "thou", readings_typed).sentence
    )


def test_a_clean_turn_is_called_rusty_about_once_in_a_hundred() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(8) * 45.0
    turns = [3 * THOU * np.cos(np.radians(t - 70)) + rng.normal(0, 5e-6, 8) for _ in range(400)]
    alarms = sum(measure_runout(_turn(t, turn)).suspect is not None for turn in turns)
    assert alarms <= 12, "1% of 400 is 4; 12 or more has a chance below 1 in 1000"


def test_an_oval_part_is_not_called_a_bad_spot() -> None:
    angles = np.arange(8) * 45.0
    readings = 1e-4 * np.cos(np.radians(angles)) + 1e-4 * np.cos(np.radians(2 * angles - 40))
    result = measure_runout(_turn(angles, readings), place=find_place("tube_middle"))
    assert result.suspect is None
    typed = Readings(tuple(angles.tolist()), tuple(readings.tolist()), "mm")
    assert "It is oval as well" in runout_sheet(result, "mm", typed).sentence


def test_turning_both_ways_measures_the_backlash_and_frees_the_high_spot_of_it() -> None:
    """A stem with lost motion b follows at b/2; computed by playing a play operator over three turns."""
    angles, b, amplitude = np.arange(16) * 22.5, 2e-5, 1e-4

    def play(direction: int) -> FloatArray:
        fine = np.arange(0, 3 * 360) * direction
        true, shown, at = amplitude * np.cos(np.radians(fine - 100)), 0.0, {}
        for degrees, r in zip(fine, true, strict=True):
            shown = min(max(shown, r - b / 2), r + b / 2)
            at[int(degrees) % 360] = shown
        return np.array([at[int(a) % 360] for a in angles])

    one_way = measure_runout(_turn(angles, play(1)), indicator=Indicator(backlash_m=b))
    both = measure_runout(_turn(angles, play(1), play(-1)))
    assert both.backlash_m == pytest.approx(b, rel=0.06), "a median over sixteen places"
    assert both.offset.angle_deg == pytest.approx(100.0, abs=0.6)
    off = one_way.offset.angle_deg - 100.0
    assert off == pytest.approx(math.degrees(2 * b / (math.pi * amplitude)), rel=0.1)
    assert abs(off) < 2.0 * one_way.angle_se_deg, "and a known backlash is in the stated error"


@pytest.mark.parametrize(
    ("tilt", "shown_mm", "true_mm"), [(10, 0.2, 0.196), (20, 0.2, 0.188), (30, 0.2, 0.174)]
)
def test_a_slanted_lever_shows_too_much(tilt: float, shown_mm: float, true_mm: float) -> None:
    """A gauge maker's catalogue: 0.200 mm at 10, 20, 30 deg is 0.196, 0.188, 0.174 (two-digit cosines)."""
    assert shown_mm * Indicator(tilt_deg=tilt).factor == pytest.approx(true_mm, abs=0.0011)


def test_a_bore_read_through_a_two_to_one_adapter_counts_double() -> None:
    readings = parse_readings("0 1 2 3 4 3 2 1 thou")
    plain = measure_runout(readings)
    doubled = measure_runout(readings, indicator=Indicator(lever_ratio=2.0))
    assert doubled.tir_m == pytest.approx(2 * plain.tir_m)
    assert doubled.tir_se_m == pytest.approx(2 * plain.tir_se_m)


def test_the_default_error_covers_a_hundredth_dial_by_its_standard() -> None:
    """JIS B 7503:2011 as reproduced in a gauge maker's catalogue: 5 um a tenth turn, retrace 3, repeat 3."""
    u = 1e-6 * math.sqrt(5**2 / 3 + 3**2 / 3 + 3**2)
    assert u <= Indicator().u_m <= 10e-6


@pytest.mark.parametrize(
    ("text", "verdict"),
    [("0 1 2 3 2 1 thou", "within"), ("0 2 3 4 3 2 thou", "too close to call"), ("0 3 6 8 6 3 thou", "over")],
)
def test_the_verdict_keeps_clear_of_the_limit_by_the_error(text: str, verdict: str) -> None:
    """Guard band of twice the standard uncertainty on either side (ISO 14253-1)."""
    assert measure_runout(parse_readings(text), limit=FOUR).verdict == verdict


@pytest.mark.parametrize("places", [4, 8, 16])
def test_a_part_exactly_at_the_limit_is_rarely_called_over_or_within(places: int) -> None:
    """A true 0.1 mm against 0.1 mm: over in 2.7 to 3.6% of 1500 turns, within in 0 to 2.1%."""
    rng = np.random.default_rng(places)
    angles = np.arange(places) * 360.0 / places
    verdicts = []
    for _ in range(400):
        wave = 5e-5 * np.cos(np.radians(angles - rng.uniform(0, 360))) + rng.normal(0, 5e-6, places)
        verdicts.append(measure_runout(_turn(angles, wave), limit=RunoutLimit(1e-4, "0.1 mm")).verdict)
    assert verdicts.count("over") <= 28
    assert verdicts.count("within") <= 20


def test_the_short_form_uses_high_and_low_spot_together() -> None:
    result = runout_from_extremes(parse_extreme("5 thou@90", "-3 thou@250"), limit=FOUR)
    assert result.tir_m == pytest.approx(8 * THOU)
    assert result.offset.angle_deg == pytest.approx(80.0)
    assert result.verdict == "over"


def test_high_and_low_a_quarter_turn_apart_are_oval_not_off_center() -> None:
    result = runout_from_extremes(parse_extreme("5 thou@90", "-3 thou@180"))
    assert "oval or dented" in result.notes[0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("0 2 5 thou", "3 readings cannot tell wobble from shape"),
        ("0:1 90:2 90:3 180:4 270:2 thou", "90 deg was read twice"),
        ("0:1 90:2 180:4 270 thou", "some readings name their place"),
        ("b1:1 b2:2 b3:3 b9:1 thou", "bolt 9 does not exist"),
        ("0 1 2 x3 thou", "'x3' is not understood"),
        ("0thou 1in 2thou 3thou", "mix in and thou"),
        ("0:1 10:2 20:4 30:3 40:1 thou", "bunch together"),
    ],
)
def test_readings_that_cannot_be_used_get_one_clear_sentence(text: str, message: str) -> None:
    with pytest.raises(VibeorderError, match=message):
        measure_runout(parse_readings(text, bolts=8 if "b9" in text else None))


def test_millimetres_typed_as_inches_are_caught_by_the_limit() -> None:
    with pytest.raises(VibeorderError, match="times the limit; were they thou or mm typed as in"):
        measure_runout(parse_readings("0 0.2 0.3 0.4 0.2 0.1 in"), limit=FOUR)


def test_readings_without_a_unit_are_refused() -> None:
    with pytest.raises(UnitError, match="no unit; put thou, in or mm at the end"):
        parse_readings("0 2 5 7")


@given(
    st.integers(0, 359),
    st.sampled_from([("thou", 1.0), ("in", 1e-3), ("mm", 0.0254)]),
    st.integers(4, 16),
)
@settings(max_examples=50, deadline=None)
def test_turning_the_mark_turns_the_high_spot_whatever_the_unit(
    turn: int, unit: tuple[str, float], places: int
) -> None:
    angles = np.arange(places) * 360.0 / places
    shown = 3.0 * unit[1] * np.cos(np.radians(angles - turn))
    text = " ".join(f"{a:.6f}:{r:.8f}" for a, r in zip(angles, shown, strict=True))
    result = measure_runout(parse_readings(f"{text} {unit[0]}"))
    assert result.offset.length == pytest.approx(3 * THOU, rel=1e-4)
    assert circular_difference_deg(result.offset.angle_deg, turn) == pytest.approx(0.0, abs=0.01)


def test_clock_positions_and_bolts_come_back_as_they_were_typed() -> None:
    clock = parse_readings("12h:0 3h:0.002 6h:0.006 9h:0.002 in")
    assert name_angle(measure_runout(clock).offset.angle_deg, clock) == "6:00 o'clock"
    bolts = parse_readings("b1:0 b3:5 b5:0 b7:-5 thou", bolts=8)
    assert name_angle(measure_runout(bolts).offset.angle_deg, bolts) == "bolt 3"


def test_a_start_that_reads_differently_after_the_turn_is_said() -> None:
    readings = parse_readings("0:0 90:2 180:4 270:2 360:3 thou")
    result = measure_runout(readings, limit=FOUR)
    assert result.closing_m == pytest.approx(3 * THOU)
    assert any("moved; read again" in n for n in runout_sheet(result, "thou", readings).notes)


@pytest.mark.parametrize("place", PLACES, ids=lambda p: p.key)
def test_every_place_knows_its_limit_meaning_and_next_step(place: object) -> None:
    entry = find_place(getattr(place, "key", ""))
    assert 0.03e-3 < entry.usual_limit_m < 2e-3
    assert entry.usual_range and entry.above and entry.next_step.endswith(".") and entry.cautions
    assert entry.kind in ("radial", "lateral")


def test_a_default_limit_is_always_marked_as_common_practice() -> None:
    readings = parse_readings("0 2 5 7 6 4 1 -1 thou")
    sheet = runout_sheet(measure_runout(readings, place=find_place("flange face")), "thou", readings)
    assert "common-practice limit of 4.0 thou" in sheet.sentence
    assert any("common practice, no source" in note for note in sheet.notes)


def test_the_give_or_take_says_how_sure_it_is_and_the_table_what_its_plus_minus_is() -> None:
    """The sentence has the 95% range, the table the standard error of the same high spot: both say which."""
    turn = np.radians(np.arange(0, 360, 45))
    said = answer_runout(" ".join(f"{9.0 * math.cos(t - 0.3):.1f}" for t in turn) + " thou").sheet
    assert re.search(r"High spot at 17 deg, give or take \d+ deg \(95%\)\.", said.sentence)
    shown = render(said)
    assert "± 0 deg" not in shown
    assert "± is one standard error; twice as much is 95%." in shown


def test_the_clock_face_holds_every_marker_whole_and_the_arrows_name_their_unit() -> None:
    answer = answer_runout("b1:1 b2:2 b3:2.5 b4:9 b5:1 b6:0 b7:-1 b8:-0.5 thou", bolts=8)
    assert answer.figure is not None
    (face,) = answer.figure().axes
    farthest = max(float(np.max(np.asarray(line.get_ydata()))) for line in face.lines)
    assert face.get_ylim()[1] > 1.05 * farthest
    arrows = answer_halfturn(["0 = 4.3 thou@49", "180 = 19.9 thou@26"])
    assert arrows.figure is not None
    assert arrows.figure().axes[0].get_title() == "High spots, thou"
