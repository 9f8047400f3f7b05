"""The command line from outside: `--json -` by its contract, and every bad input ended in one sentence.

One of each kind runs the program as a shell would, the others call it here. Exit codes by the contract: 0 with a
result, 2 for what the user can mend.
"""

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from diagnosis_examples import DIRECT_GEAR, TRUCK, made
from patience import PATIENCE_S
from program import called

from vibeorder.simulate import write_log

ROOT = Path(__file__).resolve().parents[1]
VEHICLE = """
[vehicle]
name = "invented truck"
layout = "rwd"
[tire]
size = "275/65R18"
[axle]
ratio = 3.55
[transmission]
gears = [4.7, 2.99, 2.15, 1.77, 1.52, 1.28, 1.0, 0.85]
[engine]
cylinders = 8
"""
TWO_GEARS = re.sub(r"gears = .*", "gears = [1.0, 0.85]", VEHICLE)
"""Quicker to judge, where no gear is given."""
PARTS = ("tire_wheel", "driveshaft", "front_driveshaft", "engine", "motor", "half_shaft")


def run(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """The program with these words, in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "OPENBLAS_NUM_THREADS": "1"}
    environment.pop("VIBEORDER_DEBUG", None)
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "vibeorder.cli", *map(str, words)],
        capture_output=True,
        text=True,
        env=environment,
        timeout=PATIENCE_S,
        check=False,
    )


def log(rows: int = 2000, rate_hz: float = 100.0, names: str = "time,ax,ay,az") -> str:
    """A log of noise on gravity, in m/s^2."""
    rng = np.random.default_rng(1)
    axes = names.count(",")
    values = rng.normal(0.0, 0.5, (rows, axes)) + np.arange(axes)[::-1] * 0 + (np.arange(axes) == 2) * 9.81
    lines = (
        f"{i / rate_hz:.4f}," + ",".join(f"{v:.4f}" for v in row) for i, row in enumerate(values.tolist())
    )
    return names + "\n" + "\n".join(lines) + "\n"


def rows_of(cells: str, count: int = 1500) -> str:
    return "time,ax,ay,az\n" + "".join(f"{i / 100:.2f},{cells}\n" for i in range(count))


def fingerprint(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


# ---- the contract


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("good")
    (folder / "truck.toml").write_text(VEHICLE)
    write_log(made(TRUCK, DIRECT_GEAR, "driveshaft", duration_s=20.0), folder / "drive.csv")
    return folder


@pytest.fixture(scope="module")
def answered(good: Path) -> subprocess.CompletedProcess[str]:
    return run("diagnose", good / "drive.csv", "--vehicle", good / "truck.toml", "--gear", "7", "--json", "-")


def test_json_stands_alone_on_standard_output(answered: subprocess.CompletedProcess[str]) -> None:
    assert answered.returncode == 0
    result = json.loads(answered.stdout)  # fails on anything beside the one object
    assert answered.stderr.strip() == result["verdict"]


def test_json_keeps_the_contract(answered: subprocess.CompletedProcess[str]) -> None:
    result = json.loads(answered.stdout)
    assert result["schema"] == 1
    assert isinstance(result["recording"], dict)
    assert result["speed"]["source"] in ("given", "logged", "log file", "inferred")
    assert isinstance(result["runout_check"]["warranted"], bool)
    assert all(isinstance(result["runout_check"][name], str) for name in ("where", "why"))
    assert result["next_drive"] is None or isinstance(result["next_drive"], str)
    assert all(isinstance(line, str) for line in result["cautions"])
    for suspect in result["suspects"]:
        assert suspect["part"] in PARTS or suspect["part"].startswith("accessory:")
        assert isinstance(suspect["order"], float)
        assert 0.0 <= suspect["probability"] <= 1.0
        assert suspect["unit"] in ("m/s^2", "relative")
        assert isinstance(suspect["folded"], bool)
        assert all(isinstance(suspect[name], int | float) for name in ("amplitude", "snr_db"))
        assert all(
            isinstance(twin[0], str) and isinstance(twin[1], float) for twin in suspect["indistinct_from"]
        )
        assert suspect["causes"]
        assert suspect["first_check"]


def test_json_probabilities_sum_to_one_and_are_sorted(answered: subprocess.CompletedProcess[str]) -> None:
    result = json.loads(answered.stdout)
    probabilities = [s["probability"] for s in result["suspects"]]
    assert sum(probabilities) + result["nothing_found_probability"] == pytest.approx(1.0, abs=1e-9)
    assert probabilities == sorted(probabilities, reverse=True)


def test_json_names_the_driveshaft_and_its_twin_in_a_direct_gear(
    answered: subprocess.CompletedProcess[str],
) -> None:
    first = json.loads(answered.stdout)["suspects"][0]
    assert (first["part"], first["order"]) == ("driveshaft", 1.0)
    assert ["engine", 1.0] in first["indistinct_from"]


def test_a_typed_speed_is_reported_as_given_and_in_its_own_unit(good: Path) -> None:
    words = ("--vehicle", good / "truck.toml", "--speed", "80 km/h", "--gear", "7", "--json", "-")
    done = called("diagnose", good / "drive.csv", *words)
    assert done.returncode == 0
    speed = json.loads(done.stdout)["speed"]
    assert (speed["source"], speed["unit"]) == ("given", "km/h")


# ---- every bad input


@dataclass(frozen=True)
class Bad:
    """A recording, a vehicle and words; what the sentence must hold; exit code."""

    says: tuple[str, ...]
    name: str = "drive.csv"
    content: bytes = b""
    vehicle: str = TWO_GEARS
    words: tuple[str, ...] = ("--speed", "60 mph")
    code: int = 2


GOOD_LOG = log().encode()
CASES = {
    "an empty file": Bad(("empty",)),
    "a truncated sound file": Bad(("drive.wav",), "drive.wav", b"RIFF\x24\x10\x00\x00WAVEfmt \x10\x00\x00"),
    "a truncated zip": Bad(("zip",), "drive.zip", b"PK\x03\x04\x14\x00\x00\x00\x08\x00" + bytes(60)),
    "binary": Bad(("neither a sound file nor a text log",), "drive.csv", bytes(range(256)) * 40),
    "a sound file's name on text": Bad(("drive.wav",), "drive.wav", b"this is no sound\n" * 30),
    "one row": Bad(("1 row",), content=b"time,ax,ay,az\n0,1,2,3\n"),
    "a header and nothing else": Bad(("no rows",), content=b"time,ax,ay,az\n"),
    "nothing but NaN": Bad(("--axes",), content=rows_of("nan,nan,nan").encode()),
    "a constant": Bad(("--axes",), content=rows_of("0.1,0.2,9.8").encode()),
    "text in numbers": Bad(("drive.csv",), content=rows_of("left,right,up").encode()),
    "a speed of zero": Bad(("standstill",), content=GOOD_LOG, words=("--speed", "0 mph")),
    "a speed without a unit": Bad(("no unit", "60 mph"), content=GOOD_LOG, words=("--speed", "60")),
    "a tire size that does not parse": Bad(
        ("275/65Q18", "tire"), content=GOOD_LOG, vehicle=VEHICLE.replace("275/65R18", "275/65Q18")
    ),
    "an axle ratio of 37.3": Bad(
        ("37.3", "3.73"), content=GOOD_LOG, vehicle=VEHICLE.replace("ratio = 3.55", "ratio = 37.3")
    ),
    "a gear that does not exist": Bad(
        ("gear", "9"), content=GOOD_LOG, words=("--speed", "60 mph", "--gear", "9")
    ),
    "gear zero": Bad(("gear", "0"), content=GOOD_LOG, words=("--speed", "60 mph", "--gear", "0")),
    "a misspelt key": Bad(
        ("tyre", "tire"), content=GOOD_LOG, vehicle=VEHICLE.replace("[tire]", "[tyre]")
    ),
    "a misspelt key within": Bad(
        ("cylindres", "cylinders"), content=GOOD_LOG, vehicle=VEHICLE.replace("cylinders", "cylindres")
    ),
    "a vehicle that is no TOML": Bad(("truck.toml",), content=GOOD_LOG, vehicle="layout: rwd\n- tire\n"),
    "an empty vehicle": Bad(("truck.toml",), content=GOOD_LOG, vehicle=""),
    "three seconds": Bad(("30 s",), content=log(300).encode()),
    "samples too slow for any wheel": Bad(("100 Hz",), content=log(300, 5.0).encode()),
}  # fmt: skip
ACCEPTED = {
    "a 20 Hz log": Bad(("10 Hz",), content=log(1200, 20.0).encode(), code=0),
    "some NaN": Bad((), content=log().replace("9.8", "nan", 40).encode(), code=0),
    "a last row cut short": Bad((), content=log()[:-9].encode(), code=0),
    "some words among numbers": Bad(
        (), content=log().replace("\n0.5000,", "\n0.5000,oops", 1).encode(), code=0
    ),
}


Outcome = tuple[subprocess.CompletedProcess[str], bool]


def outcome(
    folder: Path, case: Bad, start: Callable[..., subprocess.CompletedProcess[str]] = called
) -> Outcome:
    """What the program did, and whether it left every file as it was and made none."""
    recording, vehicle = folder / case.name, folder / "truck.toml"
    recording.write_bytes(case.content)
    vehicle.write_text(case.vehicle)
    before = fingerprint(folder)
    done = start("diagnose", recording, "--vehicle", vehicle, *case.words)
    return done, fingerprint(folder) == before


Outcomes = Callable[[str], Outcome]


@pytest.fixture(scope="module")
def outcome_of(tmp_path_factory: pytest.TempPathFactory) -> Outcomes:
    """Runs a case when it is asked for, once."""

    @lru_cache
    def run_once(what: str) -> Outcome:
        return outcome(tmp_path_factory.mktemp("bad"), (CASES | ACCEPTED)[what])

    return run_once


def ends_in_one_sentence(came: Outcome, says: tuple[str, ...]) -> None:
    done, untouched = came
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr
    assert "fault in vibeorder" not in done.stderr
    assert all(word in done.stderr for word in says), done.stderr
    assert untouched


@pytest.mark.parametrize("what", CASES)
def test_bad_input_ends_in_one_sentence_and_exit_2(outcome_of: Outcomes, what: str) -> None:
    ends_in_one_sentence(outcome_of(what), CASES[what].says)


@pytest.mark.parametrize("what", ["a truncated sound file", "nothing but NaN", "a misspelt key"])
def test_a_shell_sees_one_sentence_and_exit_2_too(tmp_path: Path, what: str) -> None:
    ends_in_one_sentence(outcome(tmp_path, CASES[what], run), CASES[what].says)


@pytest.mark.parametrize("what", ACCEPTED)
def test_input_that_can_be_used_is_used(outcome_of: Outcomes, what: str) -> None:
    done, untouched = outcome_of(what)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout
    assert untouched


def test_a_20_hz_log_says_what_it_can_still_see(
    outcome_of: Outcomes,
) -> None:
    # half of 20 Hz (sampling theorem; Nyquist 1928, Shannon 1949)
    assert "nothing above 10 Hz can be seen" in " ".join(outcome_of("a 20 Hz log")[0].stdout.split())


@pytest.mark.parametrize(("what", "rows"), [("some NaN", 40), ("some words among numbers", 1)])
def test_how_many_rows_were_left_out_is_said(outcome_of: Outcomes, what: str, rows: int) -> None:
    said = " ".join(outcome_of(what)[0].stdout.split())
    assert f"{rows} of 2000 rows" in said
    assert "were left out" in said


@pytest.mark.parametrize(("what", "why"), [("a constant", "never change"), ("nothing but NaN", "no number")])
def test_why_columns_named_like_acceleration_are_not_taken_is_said(
    outcome_of: Outcomes, what: str, why: str
) -> None:
    assert why in outcome_of(what)[0].stderr


def test_eight_channels_are_listed_and_the_option_that_settles_it_is_named(tmp_path: Path) -> None:
    columns = "time," + ",".join(f"ch{i}" for i in range(1, 9))
    done, untouched = outcome(tmp_path, Bad((), content=log(names=columns).encode()))
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert all(f"ch{i}" in done.stderr for i in range(1, 9))
    assert "--axes" in done.stderr
    settled = called(
        "diagnose", tmp_path / "drive.csv", "--vehicle", tmp_path / "truck.toml",
        "--speed", "60 mph", "--axes", "ch1,ch2,ch3", "--unit", "m/s^2", "--json", "-",
    )  # fmt: skip
    assert settled.returncode == 0, settled.stderr
    assert json.loads(settled.stdout)["recording"]["channels"] == ["ch1", "ch2", "ch3"]
    assert untouched


def test_a_missing_recording_and_a_missing_vehicle_are_named(good: Path) -> None:
    for words in (
        (good / "none.csv", "--vehicle", good / "truck.toml"),
        (good / "drive.csv", "--vehicle", good / "none.toml"),
    ):
        done = called("diagnose", *words)
        assert done.returncode == 2
        assert "none." in done.stderr
        assert done.stderr.count("\n") == 1


def test_an_output_that_would_overwrite_the_recording_is_refused(good: Path) -> None:
    before = fingerprint(good)
    done = called(
        "diagnose", good / "drive.csv", "--vehicle", good / "truck.toml", "--json", good / "drive.csv"
    )
    assert done.returncode == 2
    assert "overwrite" in done.stderr
    assert fingerprint(good) == before


def test_an_option_in_the_place_of_a_value_is_named(good: Path) -> None:
    done = called("diagnose", good, "--vehicle", good.with_suffix(".toml"), "--json", "--speed", "60 mph")
    assert done.returncode == 2
    assert done.stderr.startswith("--json needs a value, and --speed follows it")
    assert "Traceback" not in done.stderr
    assert not done.stdout
