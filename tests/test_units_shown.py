"""Small words that every text shares: units, signs, singular and plural, plain letters for old terminals."""

import io
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from vibeorder import door
from vibeorder.cli import main
from vibeorder.units import UNSAID, counted, show_signed, show_speeds, show_unit

SAMPLES = Path(__file__).resolve().parents[1] / "sample_data"


def test_what_rounds_to_nothing_has_no_sign() -> None:
    assert [show_signed(v, 1) for v in (-0.04, 0.04, -0.06, 1.0)] == ["0.0", "0.0", "-0.1", "+1.0"]


def test_one_is_singular() -> None:
    assert (counted(1, "channel"), counted(0, "turn"), counted(2, "turn")) == (
        "1 channel",
        "0 turns",
        "2 turns",
    )


def test_a_unit_of_speed_that_nobody_said_shows_both() -> None:
    # 1 mph is 1.609344 km/h: international mile of 1959
    assert show_speeds((26.8224,), UNSAID) == "60 mph (97 km/h)"
    assert show_unit("m/s^2") == "m/s²"


@pytest.mark.parametrize(
    ("encoding", "shown"), [("utf-8", "±2 m/s²"), ("ascii", "+-2 m/s^2"), ("cp437", "±2 m/s²")]
)
def test_a_terminal_without_the_signs_gets_plain_letters(
    encoding: str, shown: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding=encoding, newline=""))
    door.say("±2 m/s²")
    assert raw.getvalue().decode(encoding) == shown


@pytest.fixture
def two_gears(tmp_path: Path) -> Path:
    """The samples' truck with its sixth and seventh gear only: quicker to judge where no gear is given."""
    truck = (SAMPLES / "truck.toml").read_text("utf-8")
    path = tmp_path / "two_gears.toml"
    path.write_text(re.sub(r"gears = \[.*\]", "gears = [1.00, 0.83]", truck), "utf-8")
    return path


def said_of_speed(
    words: list[str], capsys: pytest.CaptureFixture[str], vehicle: Path = SAMPLES / "truck.toml"
) -> str:
    assert main(["diagnose", *words, "--vehicle", str(vehicle)]) == 0
    text = " ".join(capsys.readouterr().out.split())
    return text[text.index("Speed, gear and tire") : text.index("The recording File")]


def test_a_gear_that_was_given_is_not_one_that_fits(
    two_gears: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    held = str(SAMPLES / "tire.csv")
    given = said_of_speed([held, "--gear", "2"], capsys, two_gears)
    assert "gear 2, as given" in given
    assert "fits" not in given
    assert "gear 2 fits best" in said_of_speed([held], capsys, two_gears)
    assert "than tire size and logged speed say" in given


def test_a_range_that_was_given_is_said_and_what_the_recording_makes_of_it(
    capsys: pytest.CaptureFixture[str],
) -> None:
    said = said_of_speed([str(SAMPLES / "tire.csv"), "--speed", "60-70 mph", "--gear", "8"], capsys)
    assert 'The speed was given as "60-70 mph" only; the recording settles it' in said
    assert "No speed was given" not in said
    assert "inferred from the recording" in said


def test_an_inferred_speed_is_shown_in_both_units(
    two_gears: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = said_of_speed([str(SAMPLES / "no_speed.csv")], capsys, two_gears)
    assert "km/h)" in said and " mph (" in said
    assert np.char.count(said, "mph") == np.char.count(said, "km/h")
