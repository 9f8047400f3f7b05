"""What a technician types at the bench: understood, or answered in one clear sentence; never a traceback."""

import json
import math
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import example, given, settings
from hypothesis import strategies as st

from vibeorder.bench import (
    Indicator,
    answer_angles,
    answer_balance,
    answer_halfturn,
    answer_mate,
    answer_runout,
    find_place,
    limit_for,
    parse_driveline,
    parse_mount,
    parse_readings,
    parse_run,
)
from vibeorder.casebook import open_casebook
from vibeorder.cli import main
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import parse_vehicle

MOUTHFUL = st.text('0123456789.,:;@=+-bh xinthoumdpug"µ°', max_size=40)


@given(MOUTHFUL)
@example("0:0 90:1 180:2 270:3 360:1 in")
@example("9" * 400 + " 1 2 3 thou")
@example("b0:1 b1:2 b2:3 b3:4 in")
@settings(max_examples=300, deadline=None)
def test_any_text_as_readings_is_an_answer_or_one_sentence(text: str) -> None:
    try:
        answer = answer_runout(text, place="flange_face")
    except VibeorderError as error:
        assert str(error)
    else:
        assert "nan" not in json.dumps(dict(answer.sheet.numbers))


@given(MOUTHFUL, MOUTHFUL)
@settings(max_examples=200, deadline=None)
def test_any_text_elsewhere_is_an_answer_or_one_sentence(first: str, second: str) -> None:
    tries = (
        lambda: answer_halfturn([first, second]),
        lambda: answer_mate(fixed=first, moved=second),
        lambda: answer_balance(first, [second]),
        lambda: answer_balance("3@10", [first, second]),
        lambda: answer_angles(first, 50.0, sides=second),
        lambda: answer_runout(high=first, low=second),
        lambda: parse_mount(first, Indicator()),
    )
    for attempt in tries:
        try:
            attempt()
        except VibeorderError as error:
            assert str(error)


@given(
    st.lists(st.integers(-390, 390), min_size=4, max_size=24),
    st.sampled_from(["thou", "in", "mm", "um"]),
    st.sampled_from([" ", ", ", "; ", ","]),
)
@settings(max_examples=100, deadline=None)
def test_numbers_written_out_come_back_whatever_separates_them(
    values: list[int], unit: str, between: str
) -> None:
    size = {"thou": 2.54e-5, "in": 2.54e-2, "mm": 1e-3, "um": 1e-6}[unit]
    numbers = [v / 100 for v in values]
    readings = parse_readings(between.join(f"{n:.2f}" for n in numbers) + f" {unit}")
    assert readings.shown_m == pytest.approx([n * size for n in numbers])
    assert readings.angles_deg == pytest.approx([360.0 * k / len(values) for k in range(len(values))])


def test_a_decimal_comma_is_read_as_one() -> None:
    assert parse_readings("0,02 0,05 0,03 -0,01 mm").shown_m == pytest.approx((2e-5, 5e-5, 3e-5, -1e-5))
    assert parse_driveline("3,5 down; 1,5 down; 3,5 down").members[0].slope_deg == 3.5


@pytest.mark.parametrize(
    "text", ["1 -1 0 2 MM", "1MM -1MM 0MM 2MM", "B1:1 b2:-1 B3:0 b4:2 mm", "12H:1 3h:-1 6H:0 9h:2 Mm"]
)
def test_capitals_change_no_unit_and_no_place(text: str) -> None:
    readings = parse_readings(text, back=text)
    assert readings.shown_m == readings.back_m == pytest.approx((1e-3, -1e-3, 0.0, 2e-3))
    assert readings.unit == "mm"
    with pytest.raises(VibeorderError, match="reading 'X' is not understood"):  # as it was typed
        parse_readings("1 2 3 4 X")


def test_up_and_down_left_and_right_have_signs() -> None:
    members = parse_driveline("3 down, 1 up, -2", "1 right, 2 left, 0").members
    assert [m.slope_deg for m in members] == [3.0, -1.0, -2.0]
    assert [m.side_deg for m in members] == [1.0, -2.0, 0.0]
    assert [m.name for m in members] == ["transmission", "shaft", "pinion"]


def test_a_run_keeps_the_users_mass_unit() -> None:
    run = parse_run("0.5 oz@90, 0 = 3@10, 4@20")
    assert run.unit == "oz"
    assert abs(run.weights[0]) == pytest.approx(0.5 * 0.45359237 / 16)
    answer = answer_balance("3.4@116", ["0.1 oz@0 = 1.8@42"], runout_checked=True)
    assert "0.101 oz at 329 deg" in answer.sheet.sentence


def test_phases_counted_the_other_way_mirror_the_answer() -> None:
    plain = answer_balance("3.4@116", ["2 g@0 = 1.8@42"]).sheet.sentence
    mirrored = answer_balance("3.4@-116", ["2 g@0 = 1.8@-42"], phase_lag=True).sheet.sentence
    assert plain == mirrored


@pytest.mark.parametrize(
    ("reference", "runs", "message"),
    [
        ("3.4@116", ["2 g@0 = 1.8"], "give it for all or none"),
        ("3.4", ["2 g@0 = 1.8", "2 g@120 = 4"], "leave two answers"),
        ("3.4@116", ["2 g = 1.8@42"], "does not say where it sits"),
        ("3.4@116", ["2@0 = 1.8@42"], "no unit"),
        ("3.4@116", ["2 g@0"], "no '='"),
        ("3.4@116", [], "no trial run given"),
        ("3.4", ["2 g@0, 0 = 1, 2"], "only one plane and one pickup"),
        ("nothing.wav", ["2 g@0 = 1.8@42"], "there is no recording"),
    ],
)
def test_runs_that_are_not_understood_get_one_sentence(reference: str, runs: list[str], message: str) -> None:
    with pytest.raises(VibeorderError, match=message):
        answer_balance(reference, runs)


TWO_PLANES = ["2 g@0, 0 = 3.1@94, 5.2@68", "0, 2 g@0 = 3.9@30, 4.1@81"]


def left_after(reference: str, runs: list[str], after: str) -> list[str]:
    """What is left in each plane, as the sheet says it."""
    answer = answer_balance(
        reference, runs, after=after, radius="45 mm", mass="10 kg", rate_hz=50.0, runout_checked=True
    )
    return [value for name, value in answer.sheet.numbers if name.startswith("left")]


def test_what_is_left_of_two_planes_needs_the_phases_of_both_pickups() -> None:
    """Without them both were taken at 0 deg, and another weight was said to be left."""
    assert len(left_after("3.4@116, 4.8@60", TWO_PLANES, "0.4@120, 0.5@30")) == 2
    with pytest.raises(VibeorderError, match=r"'0.4, 0.5', has no phases.*add the phase of every pickup"):
        left_after("3.4@116, 4.8@60", TWO_PLANES, "0.4, 0.5")


def test_what_is_left_of_one_plane_needs_no_phase() -> None:
    """|V / A| does not depend on it."""
    turned = left_after("3.4@116", ["2 g@0 = 1.8@42"], "0.4@200")
    assert turned == left_after("3.4@116", ["2 g@0 = 1.8@42"], "0.4") != []
    bare = ["2 g@0 = 4.1", "2 g@120 = 1.6", "2 g@240 = 4.9"]
    assert left_after("3.4", bare, "0.4@200") == left_after("3.4", bare, "0.4") != []


@pytest.mark.parametrize(("reference", "runs"), [
    ("3.4@116", ["2 g@0 = 1.8@42"]), ("3.4", ["2 g@0 = 4.1", "2 g@120 = 1.6", "2 g@240 = 4.9"]),
])  # fmt: skip
def test_a_reading_too_many_after_the_correction_is_refused(reference: str, runs: list[str]) -> None:
    with pytest.raises(VibeorderError, match="2 readings after, 1 before"):
        left_after(reference, runs, "0.4@10, 0.5@20")


def test_limits_come_from_the_vehicle_by_the_names_its_profile_uses() -> None:
    vehicle = parse_vehicle(
        {
            "vehicle": {"name": "Marlow", "layout": "rwd"},
            "tire": {"size": "275/65R18"},
            "axle": {"ratio": 3.55},
            "limits": {"pinion_flange": "0.006 in", "driveshaft_middle": "0.5 mm", "tire_radial": "0.05 in"},
        }
    )
    found = {
        key: limit_for(None, vehicle, find_place(key)) for key in ("flange_face", "tube_middle", "tube_rear")
    }
    assert found["flange_face"] is not None and found["flange_face"].limit_m == pytest.approx(0.006 * 0.0254)
    assert found["tube_middle"] is not None and found["tube_middle"].given == "0.5 mm"
    assert found["tube_rear"] is None
    typed = limit_for("4 thou", vehicle, find_place("flange_face"))
    assert typed is not None and typed.given == "4 thou", "what is typed goes before the profile"


def test_a_balance_run_can_be_a_recording_with_a_mark(tmp_path: Path) -> None:
    """Simulated: response 0.02 per gram at -50 deg, unbalance 8 g at 130 deg; phases from the mark alone."""
    rate, t = 8000, np.arange(0, 6.0, 1 / 8000)
    turn = 33.0 * t

    def record(name: str, weight: complex) -> str:
        shake = 0.02 * np.exp(-1j * math.radians(50)) * (8 * np.exp(1j * math.radians(130)) + weight)
        # A spot at angle a in the direction of rotation passes the pickup a earlier: phase lags are negative.
        wave = np.real(np.conj(shake) * np.exp(-2j * np.pi * turn))
        mark = (np.mod(turn, 1.0) < 0.05).astype(float)
        soundfile.write(tmp_path / name, np.column_stack([wave, 0.9 * mark]), rate, subtype="FLOAT")
        return str(tmp_path / name)

    reference, trial = record("run0.wav", 0j), record("run1.wav", 5 + 0j)
    answer = answer_balance(reference, [f"5 g@0 = {trial}"], runout_checked=True)
    numbers = dict(answer.sheet.numbers)
    assert float(numbers["correction"].split()[0]) == pytest.approx(8.0, rel=0.02)
    assert float(numbers["angle"].split()[0]) == pytest.approx(310.0, abs=2.0)


def test_the_command_line_gives_sentence_numbers_and_notes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "runout", "--readings", "0 2 5 7 6 4 1 -1 thou", "--place", "flange face"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith(
        "Pinion flange face: 8.0 thou total, over the common-practice limit of 4.0 thou."
    )
    assert said.err == ""


def test_json_on_standard_output_is_alone_there(capsys: pytest.CaptureFixture[str]) -> None:
    commands = (
        ["runout", "--readings", "0 2 5 7 6 4 1 -1 thou"],
        ["runout", "--high", "5 thou@90", "--low", "-3 thou@270"],
        ["halfturn", "--mount", "0 = 4.3 thou@49", "--mount", "180 = 19.9 thou@26"],
        ["mate", "--fixed", "6 thou@200", "--moved", "7 thou@290"],
        ["effect", "--runout", "0.010 in", "--mass", "10 kg", "--rpm", "3000"],
        ["balance", "--reference", "3.4@116", "--run", "2 g@0 = 1.8@42"],
        ["angles", "--slopes", "4 down, 6 down, 2 down", "--rpm", "3000"],
        ["shaft", "--diameter", "3.5 in", "--wall", "0.083 in", "--length", "62 in"],
    )
    for words in commands:
        assert main(["bench", *words, "--json", "-"]) == 0
        said = json.loads(capsys.readouterr().out)
        assert said["schema"] == 1 and said["command"] == words[0]
        assert said["sentence"] and said["numbers"] and said["result"]


@pytest.mark.parametrize(
    "words",
    [
        ["runout", "--readings", "0 2 5 thou"],
        ["runout", "--readings", "0 2 5 6 thou", "--place", "moon"],
        ["runout"],
        ["halfturn", "--mount", "0 = 4.3 thou@49"],
        ["mate"],
        ["effect", "--runout", "0.01 in", "--mass", "10 kg"],
        ["effect", "--runout", "0.01 in", "--mass", "10 kg", "--speed", "60 mph"],
        ["effect", "--runout", "0.01 in", "--mass", "10 kg", "--rpm", "1e300"],
        ["balance", "--reference", "3@1", "--run", "2 g@0 = 1@4", "--order", "2"],
        ["angles", "--slopes", "4 down, 6 down", "--rpm", "3000"],
        ["shaft", "--diameter", "3.5", "--wall", "0.083 in", "--length", "62 in"],
        ["shaft", "--diameter", "3.5 in", "--wall", "0.083 in", "--length", "62 in", "--material", "glass"],
        ["runout", "--readings", "0 2 5 6 thou", "--plot", "picture.txt"],
    ],
)
def test_what_the_user_can_mend_ends_in_one_sentence_and_two(
    words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", *words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.strip().splitlines()) == 1


@pytest.mark.parametrize(
    "words",
    [
        ["runout", "--readings", "b1:1 b2:2 b3:2.5 b4:9 b5:1 b6:0 b7:-1 b8:-0.5 thou"],
        ["halfturn", "--mount", "0 = 4.3 thou@49", "--mount", "180 = 19.9 thou@26"],
        ["balance", "--reference", "3.4@116", "--run", "2 g@0 = 1.8@42"],
    ],
)
def test_a_polar_picture_is_drawn(words: list[str], tmp_path: Path) -> None:
    picture = tmp_path / "polar.svg"
    assert main(["bench", *words, "--plot", str(picture)]) == 0
    assert "<svg" in picture.read_text(encoding="utf-8")[:2000]


def test_the_picture_marks_the_high_spot() -> None:
    figure = answer_runout("0 2 5 7 6 4 1 -1 thou").figure
    assert figure is not None
    axes = figure().axes[0]
    (spot,) = [line for line in axes.lines if line.get_label() == "high spot"]
    assert math.degrees(float(np.asarray(spot.get_xdata())[0])) == pytest.approx(147.6, abs=0.5)
    assert "High spot at 148 deg" in axes.get_title()


NOTHING_TO_DRAW = [
    ["runout", "--high", "5 thou@90", "--low", "-3 thou@270"],
    ["balance", "--reference", "3.4", "--run", "2 g@0 = 1.8", "--run", "2 g@120 = 4", "--run", "2 g@240 = 3"],
]


@pytest.mark.parametrize("words", NOTHING_TO_DRAW, ids=["short form", "amplitudes alone"])
def test_where_nothing_can_be_drawn_the_rest_is_handed_over_first(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The sheet, its JSON and the job's entry were lost with the picture."""
    book, picture, result = tmp_path / "c.sqlite", tmp_path / "a.png", tmp_path / "a.json"
    if words[0] == "balance":
        words = [*words, "--runout-checked"]
    assert main(["bench", *words]) == 0
    plain = capsys.readouterr().out
    assert main(["job", "new", "--complaint", "shakes", "--casebook", str(book)]) == 0
    capsys.readouterr()
    outputs = ["--plot", str(picture), "--json", str(result), "--job", "1", "--casebook", str(book)]
    assert main(["bench", *words, *outputs]) == 0
    said = capsys.readouterr()
    assert said.out == f"{plain}Kept in job 1: {words[0]}.\n"
    assert said.err == (
        f"There is nothing to draw, so {picture} is not written: a polar picture needs all readings, or vectors "
        "with angles.\n"
    )
    assert json.loads(result.read_text())["sentence"] == plain.splitlines()[0]
    with open_casebook(book) as casebook:
        assert [entry.kind for entry in casebook.job(1).entries] == ["reading"]
    assert not picture.exists()


def test_an_answer_comes_at_once() -> None:
    started = time.perf_counter()
    for _ in range(20):
        answer_runout("0 2 5 7 6 4 1 -1 thou", place="flange_face")
    assert time.perf_counter() - started < 2.0
