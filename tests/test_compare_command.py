"""`vibeorder compare before after`: the sentence, the numbers, the files, the job."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from compare_examples import TRUCK

from vibeorder.cli import main
from vibeorder.simulate import Drive, Fault, Scenario, road_test, write_log
from vibeorder.units import MPH_MPS

PROFILE = """
[vehicle]
name = "invented truck"
layout = "rwd"
[tire]
size = "275/65R18"
[axle]
ratio = 3.73
[transmission]
gears = [4.62, 3.02, 2.06, 1.63, 1.27, 1.00, 0.83, 0.66]
[engine]
cylinders = 8
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two simulated drives of 30 s and the vehicle."""
    place = tmp_path_factory.mktemp("compare")
    (place / "truck.toml").write_text(PROFILE)
    for name, rms, mph in (("before", 0.4, 60), ("after", 0.1, 60), ("slow", 0.1, 40)):
        steady = Drive("steady", (mph * MPH_MPS,), gears=((0.0, 7),))
        scenario = Scenario(
            steady, duration_s=30.0, rate_hz=100.0, tire_scale=1.0, faults=(Fault("driveshaft", 1.0, rms),)
        )
        write_log(road_test(TRUCK, scenario, np.random.default_rng(4)), place / f"{name}.csv")
    return place


def run(folder: Path, *words: str, after: str = "after.csv") -> int:
    files = [str(folder / "before.csv"), str(folder / after), "--vehicle", str(folder / "truck.toml")]
    return main(["compare", *files, "--gear", "7", *words])


def test_the_sentence_comes_first_then_numbers_then_files_and_the_job(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = str(tmp_path / "c.sqlite")
    assert main(["job", "new", "--complaint", "shakes", "--casebook", book]) == 0
    capsys.readouterr()
    picture, result = tmp_path / "level.png", tmp_path / "result.json"
    assert run(folder, "--plot", str(picture), "--json", str(result), "--job", "1", "--casebook", book) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("Improved, not proven cured: the driveshaft, first order (1x), is ")
    assert lines[1] == ""
    assert [line.split("  ")[1] for line in lines[2:5]] == ["common time", "before", "after"]
    assert lines[-2:] == ["Kept in job 1: after.csv.", "Kept in job 1: comparison."]
    assert picture.read_bytes().startswith(b"\x89PNG")
    written: dict[str, Any] = json.loads(result.read_text())
    assert written["verdict"] == "improved"
    assert written["low_db"] < -12.04 < written["high_db"]  # 20 lg(0.1 / 0.4)
    assert main(["job", "close", "1", "--casebook", book]) == 0
    assert capsys.readouterr().out == "Job 1 is closed; the last comparison says: improved.\n"


def test_where_nothing_can_be_drawn_the_rest_is_handed_over_first(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two drives without a common speed: the verdict, its JSON and the job's entry were lost with the picture."""
    book = str(tmp_path / "c.sqlite")
    assert main(["job", "new", "--complaint", "shakes", "--casebook", book]) == 0
    capsys.readouterr()
    picture, result = tmp_path / "level.png", tmp_path / "result.json"
    words = ["--plot", str(picture), "--json", str(result), "--job", "1", "--casebook", book]
    assert run(folder, *words, after="slow.csv") == 0
    said = capsys.readouterr()
    assert said.out.startswith("Cannot say whether the driveshaft, first order (1x), is better: ")
    assert said.out.endswith("Kept in job 1: comparison.\n")
    assert said.err.startswith(f"There is nothing to draw, so {picture} is not written: ")
    assert said.err.count("\n") == 1
    assert json.loads(result.read_text())["verdict"] == "cannot say"
    assert not picture.exists()


def test_json_alone_is_on_standard_output_where_it_is_asked_for(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(folder, "--part", "tire_wheel", "--order", "2", "--json", "-") == 0
    said = capsys.readouterr()
    written = json.loads(said.out)
    assert (written["part"], written["order"], written["command"]) == ("tire_wheel", 2.0, "compare")
    assert said.err == written["sentence"] + "\n"


@pytest.mark.parametrize(
    ("words", "after", "says"),
    [
        ((), "before.csv", "are the same recording"),
        ((), "none.csv", "no file"),
        (("--order", "2"), "after.csv", "--order 2 needs --part"),
        (("--part", "driveshaft", "--order", "0"), "after.csv", "order 0 is none: an order says how often"),
        (("--part", "driveshaft", "--order", "-1"), "after.csv", "order -1 is none"),
        (("--log-late", "0 s"), "after.csv", "give the log with --speed-log"),
        (("--after-log-late", "0 s"), "after.csv", "give that log with --after-speed-log"),
        (("--speed", "60 mph", "--speed-log", "x.csv"), "after.csv", "--speed and --speed-log both say"),
        (
            ("--after-speed", "60 mph", "--after-speed-log", "x.csv"),
            "after.csv",
            "--after-speed and --after-speed-log both say",
        ),
        (("--said", "none.json"), "after.csv", "none.json"),
        (("--plot", "level.doc"), "after.csv", "a picture ends in"),
        (("--part", "propeller"), "after.csv", "has no 'propeller'"),
        (("--job", "1", "--casebook", "none.sqlite"), "after.csv", "there is no casebook none.sqlite"),
    ],
)
def test_a_mistake_is_one_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], after: str, says: str
) -> None:
    assert run(folder, *words, after=after) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert says in said.err


def test_an_output_never_overwrites_a_recording(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (folder / "after.csv").read_bytes()
    assert run(folder, "--json", str(folder / "after.csv")) == 2
    assert "would overwrite" in capsys.readouterr().err
    assert (folder / "after.csv").read_bytes() == before


def test_one_output_never_overwrites_another(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    same = str(tmp_path / "x.png")
    assert run(folder, "--json", same, "--plot", same) == 2
    assert capsys.readouterr().err == (
        f"--plot {same} would overwrite what --json writes; choose another name\n"
    )
    assert list(tmp_path.iterdir()) == []
