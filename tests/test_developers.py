"""DEVELOPERS.md: its examples are run as they stand there, and its map names what there is."""

import json
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from pages import ROOT

from vibeorder.bench import PLACES, as_json, render
from vibeorder.diagnosis import diagnose
from vibeorder.errors import RecordingError, VibeorderError
from vibeorder.recording import ReadOptions, reading
from vibeorder.simulate import Drive, Fault, Scenario, as_recording, road_test
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import load_vehicle, sources, sources_of
from vibeorder.vehicle.limit_places import LIMIT_PLACES

PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def example(heading: str, name: str) -> Any:
    """The one example under a heading, executed as a module called `name`."""
    section = PAGE.split(f"\n### {heading}", 1)[1].split("\n##", 1)[0]
    (block,) = re.findall(r"```python\n(.*?)```", section, flags=re.DOTALL)
    module = ModuleType(name)
    sys.modules[name] = module  # dataclasses look their module up
    try:
        exec(compile(block, f"DEVELOPERS.md, {heading}", "exec"), module.__dict__)
    finally:
        del sys.modules[name]
    return module


def test_a_source_is_one_entry_and_is_then_simulated_weighed_and_named(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    entry = example("A source", "developers_source").entry
    truck = load_vehicle(ROOT / "sample_data" / "truck.toml")
    key = ("driveshaft", 3.0)
    assert key not in {(one.part, one.order) for one in sources_of(truck)}
    monkeypatch.setattr(sources, "CATALOGUE", (*sources.CATALOGUE, entry))
    assert key in {(one.part, one.order) for one in sources_of(truck)}
    drive = Drive("sweep", (45 * MPH_MPS, 60 * MPH_MPS, 50 * MPH_MPS), gears=((0.0, 7),))
    scenario = Scenario(drive, duration_s=30.0, rate_hz=400.0, faults=(Fault(*key, 0.4),))
    test = road_test(truck, scenario, np.random.default_rng(8))
    result = diagnose(as_recording(test), truck, gear=7)
    best = max(result.suspects, key=lambda one: one.probability)
    assert (best.part, best.order) == key
    assert best.probability > 0.5
    assert not result.runout_check.warranted
    assert "three rollers" in " ".join(best.causes)


@pytest.fixture
def tape() -> ModuleType:
    module: ModuleType = example("A reader", "developers_reader")
    return module


def shaken(path: Path, rows: int = 800, bad_row: str = "") -> Path:
    t = np.arange(rows) / 200.0
    z = 1000.0 + 50.0 * np.sin(2 * np.pi * 12.5 * t)
    lines = [f"{1.5 + i % 2} {i % 3 - 2.5} {value:.3f}" for i, value in enumerate(z)]
    path.write_text("\n".join(["SHAKETAPE 200", *lines, *([bad_row] if bad_row else [])]) + "\n", "ascii")
    return path


def test_a_reader_is_asked_by_content_and_gives_a_recording(
    tape: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = shaken(tmp_path / "drive.tape")
    monkeypatch.setattr(reading, "READERS", (tape, *reading.READERS))
    recording = reading.read_recording(path)
    assert (recording.unit, recording.rate_hz, recording.samples.shape) == ("m/s^2", 200.0, (3, 800))
    # 50 mg of 9.80665 m/s^2 (3rd CGPM, 1901), peak: rms 0.3467
    assert float(np.std(recording.samples[2])) == pytest.approx(0.05 * 9.80665 / np.sqrt(2.0), rel=1e-3)
    assert recording.history


def test_the_reader_claims_nothing_else_and_names_a_bad_line(tape: ModuleType, tmp_path: Path) -> None:
    assert not any(tape.recognise(head) for head in (b"", b"RIFF", b"time,x,y,z\n", bytes(range(256))))
    path = shaken(tmp_path / "bad.tape", bad_row="1 two 3")
    with pytest.raises(RecordingError, match="line 802"):
        tape.read(path, ReadOptions())


def test_every_reader_has_what_the_page_asks_for() -> None:
    for reader in reading.READERS:
        assert reader.NAME
        assert reader.recognise(b"") is False
        assert callable(reader.read)


def test_a_bench_sheet_answers_in_words_and_in_json() -> None:
    play = example("A bench sheet", "developers_bench")
    answer = play.answer_play("2 thou", "9 thou", "4 thou")
    assert answer.sheet.sentence == "The joint has 7.0 thou of play, over the limit of 4.0 thou."
    assert render(answer.sheet).endswith("off the joint.")
    written = json.loads(json.dumps(as_json(answer.command, answer.result, answer.sheet)))
    assert written["result"]["play_m"] == pytest.approx(7 * 25.4e-6)  # thou: international inch, 1959
    with pytest.raises(VibeorderError, match="exchange them"):
        play.answer_play("9 thou", "2 thou", "4 thou")


def test_every_room_is_on_the_map() -> None:
    rooms = [path.name for path in (ROOT / "vibeorder").iterdir() if (path / "__init__.py").is_file()]
    assert [room for room in rooms if f"`{room}/`" not in PAGE] == []


def test_every_door_is_on_the_map() -> None:
    table = PAGE.split("## The map", 1)[1].split("\n## ", 1)[0]
    doors = [path.name for path in (ROOT / "vibeorder").glob("*.py") if not path.name.startswith("__")]
    assert [door for door in doors if f"`{door}`" not in table] == []


def test_a_new_place_is_named_in_both_modules_that_the_page_names() -> None:
    (entry,) = re.findall(r"\* \*\*a place for the indicator\*\*: (.*?)\n\*", PAGE, flags=re.DOTALL)
    assert {"bench/places.py", "vehicle/limit_places.py"} <= set(re.findall(r"`([\w/]+\.py)`", entry))
    assert {key for place in PLACES for key in (place.key, *place.also)} <= set(LIMIT_PLACES)


def test_files_that_the_page_names_exist() -> None:
    named = set(re.findall(r"`((?:tests|docs)/[\w./]+\.\w+)`", PAGE))
    named |= set(re.findall(r"python (tests/\w+\.py)", PAGE))
    assert named
    assert [name for name in named if not (ROOT / name).exists()] == []
