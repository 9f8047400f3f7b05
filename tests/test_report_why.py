"""What is shown of what speaks for and against: terminal, JSON, sheet and picture, from one explanation."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from report_examples import bent_flange, twins

from vibeorder.cli import main
from vibeorder.diagnosis.explanation import (
    Explanation,
    Finding,
    LoadSplit,
    OrderStrength,
    Resonance,
    SpeedCurve,
    TrackSeen,
)
from vibeorder.diagnosis.result import Diagnosis
from vibeorder.report import as_dict, as_html, as_json, as_text, draw_why, save_why
from vibeorder.report.why_text import LEAD, factor, why_blocks

SAMPLES = Path(__file__).resolve().parents[1] / "sample_data"


def explained() -> Diagnosis:
    """The bent flange with an explanation of its first suspect, and of nothing."""
    times = np.arange(0.0, 30.0)
    track = TrackSeen(times, 36.0 + 0.2 * times, 36.3 + 0.2 * times, times[::3], 36.3 + 0.2 * times[::3])
    low = np.arange(22.0, 29.0)
    load = LoadSplit(low[:3] + 0.5, np.array([0.3, 0.35, 0.4]), np.array([0.2, 0.22, 0.3]), 1.4, 0.2, 3)
    curve = SpeedCurve(
        low, low + 1.0, 1.5 * low, np.array([0.1, 0.15, 0.3, 0.45, 0.3, 0.2, 0.2]), np.full(7, 0.02),
        np.linspace(0.15, 0.25, 7), 2.0, 1.6, 0.4, Resonance(38.0, 8.0, 24.0, 27.0, 2.1, 40.0, 1.8, True), load,
    )  # fmt: skip
    orders = (
        OrderStrength(1.0, 40.3, 0.31, 0.01, 0.03, 20.0, True, True, False),
        OrderStrength(2.0, 80.6, 0.01, 0.01, 0.02, -6.0, False, True, False),
        OrderStrength(3.0, 120.9, 0.0, 0.0, 0.0, -20.0, False, False, True),
    )
    strength = Finding(
        "strength", "0.31 m/s² peak ± little.", 2.302585,
        (("amplitude", 0.31), ("healthy_low", 0.004), ("healthy_high", 0.05), ("complaint_from", 0.12)),
    )  # fmt: skip
    first = Explanation(
        "driveshaft, first order (1x)", "driveshaft", 1.0, 0.97, "m/s^2", 1.609438,
        (Finding("line", "A line stands."), strength), (Finding("prior", "Seldom.", -0.693147),),
        (Finding("shift", "No change of gear."),), track, curve, orders,
    )  # fmt: skip
    unlikely = replace(first, name="engine, first order (1x)", part="engine", probability=0.002)
    nothing = Explanation(
        "nothing that turns", "", 0.0, 0.01, "m/s^2", -1.6, (), (Finding("strength", "A strong line."),)
    )
    return replace(bent_flange(), explanations=(first, unlikely, nothing))


# --- words ---------------------------------------------------------------------------------------


def test_without_explanations_nothing_is_said_of_why() -> None:
    assert "Why" not in as_text(bent_flange())
    assert "why" not in as_dict(bent_flange())
    assert LEAD[:20] not in as_html(bent_flange())


def test_the_terminal_says_for_against_and_what_is_silent() -> None:
    text = as_text(explained())
    part = text[text.index("Why 1.") : text.index("Why 5.")]
    assert (
        part.index("  For") < part.index("A line stands.") < part.index("  Against") < part.index("Seldom.")
    )
    assert part.index("Says nothing here") < part.index("No change of gear.")


def test_a_suspect_under_one_percent_is_spared_what_says_nothing() -> None:
    text = as_text(explained())
    assert "Says nothing here" not in text[text.index("Why 5.") : text.index("Why nothing that turns")]


def test_factors_multiply_to_what_is_said_of_them_together() -> None:
    # exp(2.302585) = 10, exp(-0.693147) = 1/2; their product 5 = exp(1.609438)
    blocks = why_blocks(explained())
    together = dict(blocks[0].sections[-1][1])["Together"]
    assert together == "×5.0 against nothing that turns (beforehand ÷2.0, strength ×10)."


@pytest.mark.parametrize(
    ("weight", "shown"),
    [(0.0, "×1.0"), (np.log(3.0), "×3.0"), (-np.log(40.0), "÷40"), (np.log(5250.0), "×5200")],
)
def test_a_log_weight_is_shown_as_a_factor(weight: float, shown: str) -> None:
    assert factor(float(weight)) == shown


def test_an_old_code_page_gets_signs_that_it_has() -> None:
    text = as_text(explained(), ascii_only=True)
    assert text.isascii()


def test_lines_fit_the_terminal() -> None:
    assert max(len(line) for line in as_text(explained(), width=80).splitlines()) <= 80


def test_the_sheet_has_the_same_sentences_and_the_picture() -> None:
    page = as_html(explained())
    for one in explained().explanations:
        for found in (*one.speaks_for, *one.speaks_against):
            assert found.sentence in page
    assert page.count("data:image/png;base64") == 2
    assert "<script" not in page


# --- JSON ----------------------------------------------------------------------------------------


def test_json_carries_every_finding_with_its_weight_and_values() -> None:
    why = json.loads(as_json(explained()))["why"]
    assert [one["name"] for one in why] == [one.name for one in explained().explanations]
    strength = why[0]["for"][1]
    assert strength["kind"] == "strength"
    assert strength["log_weight"] == pytest.approx(np.log(10.0), rel=1e-5)
    assert strength["values"]["complaint_from"] == 0.12
    assert why[0]["amplitude_by_speed"]["resonance"]["of_the_body"] is True
    assert why[0]["amplitude_by_speed"]["load"]["passes"] == 3
    assert why[0]["orders"][2]["amplitude"] is None  # not readable: unknown is null, not zero
    assert why[2]["part"] is None
    assert why[2]["track"] is None


def test_json_with_gaps_in_a_track_is_still_json() -> None:
    first = explained().explanations[0]
    assert first.track is not None
    gap = replace(first.track, expected_hz=np.where(first.track.times_s > 10.0, np.nan, 36.0))
    text = as_json(replace(explained(), explanations=(replace(first, track=gap),)))
    assert "NaN" not in text
    assert json.loads(text)["why"][0]["track"]["expected_hz"][-1] is None


# --- the picture -----------------------------------------------------------------------------------


def test_each_suspect_has_three_panels_and_all_share_a_scale_of_strength() -> None:
    figure = draw_why(explained())
    FigureCanvasAgg(figure).draw()  # type: ignore[no-untyped-call]
    titles = [sub.get_suptitle() for sub in figure.subfigs if sub.get_suptitle()]
    assert titles == ["1. driveshaft, first order (1x): 97%", "5. engine, first order (1x): under 1%"]
    assert [len(sub.axes) for sub in figure.subfigs] == [3, 3, 1]


def test_the_picture_of_the_speeds_is_in_the_user_s_unit() -> None:
    diagnosis = explained()
    axes = draw_why(diagnosis).subfigs[0].axes[1]
    assert axes.get_xlabel() == f"road speed, {diagnosis.speed.unit}"


def test_a_diagnosis_without_explanations_still_gives_a_page() -> None:
    figure = draw_why(bent_flange())
    FigureCanvasAgg(figure).draw()  # type: ignore[no-untyped-call]
    assert "No explanation" in figure.texts[-1].get_text()


@pytest.mark.parametrize("ending", [".png", ".svg", ".pdf"])
def test_the_picture_is_written_as_its_ending_says(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"why{ending}"
    save_why(explained(), path)
    start = path.read_bytes()[:120]
    assert {".png": b"PNG", ".svg": b"<?xml", ".pdf": b"%PDF"}[ending] in start


# --- the command -----------------------------------------------------------------------------------


def test_the_command_explains_and_draws(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    picture = tmp_path / "why.png"
    given = [str(SAMPLES / "pinion_flange.csv"), "--vehicle", str(SAMPLES / "truck.toml"), "--gear", "7"]
    assert main(["diagnose", *given, "--why", "--why-plot", str(picture)]) == 0
    said = capsys.readouterr().out
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert "Why 1. driveshaft, first order (1x)" in said
    assert re.search(r"Movement: Over the drive .* it turns with\s+the\s+part", said, re.DOTALL)


def test_a_picture_of_why_needs_a_picture_s_ending(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given = [str(SAMPLES / "tire.csv"), "--vehicle", str(SAMPLES / "truck.toml")]
    assert main(["diagnose", *given, "--why-plot", str(tmp_path / "why.txt")]) == 2
    assert "--why-plot" in capsys.readouterr().err


def test_each_why_stands_under_the_number_that_its_suspect_has_in_the_table() -> None:
    made = twins()
    blank, nothing = explained().explanations[0], explained().explanations[-1]
    first, second, other = made.suspects[0], made.suspects[8], made.suspects[1]
    told = [replace(blank, name=s.label, part=s.part, order=s.order) for s in (first, second, other)]
    text = as_text(replace(made, explanations=(*told, nothing)))
    assert re.search(r"^1  driveshaft 1x", text, flags=re.MULTILINE) and "   or engine 1x" in text
    assert f"Why 1. {first.label}" in text and f"Why 1. or {second.label}" in text
    third = re.search(r"^(\d)  tire/wheel 1x", text, flags=re.MULTILINE)
    assert third and f"Why {third.group(1)}. {other.label}" in text
    assert "Why nothing that turns" in text, "the table gives nothing no number"


def test_a_shake_beyond_the_usual_scale_of_strength_is_still_on_it() -> None:
    drive = explained()
    (first, *rest) = drive.explanations
    strength = replace(first.speaks_for[1], values=(("amplitude", 8.0), *first.speaks_for[1].values[1:]))
    violent = replace(first, speaks_for=(first.speaks_for[0], strength))
    figure = draw_why(replace(drive, explanations=(violent, *rest)))
    scale = figure.axes[-1]
    assert all(line.get_clip_on() for line in scale.lines)
    assert scale.get_xlim()[1] > 8.0
