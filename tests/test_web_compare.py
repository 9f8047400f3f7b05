"""Two drives of a job compared on the page: as the command does, by one profile, under their owners' names.

Drives and vehicles are simulated and invented.
"""

import html
import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from compare_examples import TRUCK
from test_compare_command import PROFILE
from web_server import Running, csrf_of, running

from vibeorder.casebook import open_casebook
from vibeorder.cli import main
from vibeorder.errors import VibeorderError
from vibeorder.simulate import Drive, Fault, Scenario, road_test, write_log
from vibeorder.units import MPH_MPS
from vibeorder.web.jobs_common import now
from vibeorder.web.queue import REQUEST_FILE
from vibeorder.web.tasks.compare import COMPARISON_FILE, run

LIMITS = {"decoded_s": 3600.0, "unpacked_bytes": 1e9}
WORDS = {"felt": ["steering_wheel"]}
OTHER_DRIVE = "t (s),speed (mph)\n" + "".join(f"{t},{50 + 15 * np.sin(t / 4):.2f}\n" for t in range(60))
"""A log that goes up and down, beside drives that were steady."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two drives of 30 s under stored names, the second one in which nothing turns that the log could follow."""
    place = tmp_path_factory.mktemp("task")
    for seed, (name, rms) in enumerate((("before-a1", 0.4), ("after-a2", 0.1))):
        steady = Drive("steady", (60 * MPH_MPS,), gears=((0.0, 7),))
        faults = (Fault("driveshaft", 1.0, rms),)
        scenario = Scenario(steady, duration_s=30.0, rate_hz=100.0, tire_scale=1.0, faults=faults)
        write_log(road_test(TRUCK, scenario, np.random.default_rng(4 + seed)), place / f"{name}.csv")
    (place / "after-log-a3.csv").write_text(OTHER_DRIVE)
    (place / "truck.toml").write_text(PROFILE)
    (place / "said.json").write_text(json.dumps(WORDS))
    return place


def asked(**more: Any) -> dict[str, Any]:
    drives = {
        "before": {"file": "before-a1.csv", "name": "monday.csv", "gear": 7},
        "after": {"file": "after-a2.csv", "name": "friday.csv", "gear": 7},
    }
    return {"vehicle": tomllib.loads(PROFILE), **drives, "part": "", "order": None, **LIMITS, **more}


def compared(folder: Path, **more: Any) -> dict[str, Any]:
    run(folder, asked(**more), lambda what, part: None)
    found: dict[str, Any] = json.loads((folder / COMPARISON_FILE).read_text("utf-8"))["result"]
    return found


def by_command(folder: Path, capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    files = [
        str(folder / "before-a1.csv"),
        str(folder / "after-a2.csv"),
        "--vehicle",
        str(folder / "truck.toml"),
    ]
    assert main(["compare", *files, "--gear", "7", "--json", "-", *words]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_log_that_is_not_used_is_said_on_the_page_and_by_the_command_beside_the_recordings_own_speed(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    second = asked()["after"] | {"speed_log": {"file": "after-log-a3.csv", "name": "gps.csv"}}
    (note,) = [one for one in compared(folder, after=second)["warnings"] if "speed log" in one]
    assert note.startswith("The second drive's speed log ")
    assert "it was not used, and the speed is the recording's own" in note
    said = by_command(folder, capsys, "--after-speed-log", str(folder / "after-log-a3.csv"))
    assert [one for one in said["warnings"] if "speed log" in one] == [note]


def test_the_customers_words_are_heard_by_both_drives_as_with_said(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import vibeorder.diagnosis

    heard: list[object] = []
    plain = vibeorder.diagnosis.diagnose

    def listening(*words: Any, **more: Any) -> Any:
        heard.append(more["said"] and more["said"].as_json())
        return plain(*words, **more)

    monkeypatch.setattr(vibeorder.diagnosis, "diagnose", listening)
    found = compared(folder, intake=WORDS, count_words=True)
    assert found == by_command(folder, capsys, "--said", str(folder / "said.json"))
    compared(folder, intake=WORDS, count_words=False)
    assert heard == [WORDS] * 4 + [None] * 2


@pytest.mark.parametrize("broken", ["recording", "log"])
def test_what_is_wrong_in_a_file_is_said_under_its_owners_name(
    folder: Path, tmp_path: Path, broken: str
) -> None:
    (folder / "after-bad.csv").write_text("the car shakes\nat sixty\n")
    bad = {"file": "after-bad.csv", "name": "friday.csv"}
    second = asked()["after"] | (bad if broken == "recording" else {"speed_log": bad})
    with pytest.raises(VibeorderError, match=r"friday\.csv") as caught:
        compared(folder, after=second)
    assert "after-bad" not in str(caught.value) and str(folder) not in str(caught.value)


# ---- sent from the job's page


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("compare")) as one:
        yield one


def sent(server: Running, number: int, role: str, vehicle: str, **more: Any) -> str:
    """A recording of the job as an upload leaves it, not diagnosed; its key in the form."""
    name = server.house.store.new()
    (server.house.store.path(name) / "a.csv").write_text("x")
    arguments = {
        "recordings": [{"file": "a.csv", "name": f"{role}.csv"}],
        "vehicle": tomllib.loads(vehicle),
        **more,
    }
    server.house.store.write_json(name, REQUEST_FILE, {"kind": "diagnose", "arguments": arguments})
    body = {"name": f"{role}.csv", "role": role, "inputs": {"result": name, "number": 1}}
    with open_casebook(server.house.casebook) as book:
        book.add(number, "recording", body, now())
    return f"{name}/1"


@pytest.mark.parametrize(
    ("vehicle", "more", "says"),
    [
        (PROFILE.replace("invented truck", "another truck").replace("3.73", "4.10"), {},
         "Two different vehicles, invented truck and another truck"),
        (PROFILE.replace("3.73", "4.10"), {}, "two different profiles of invented truck"),
        (PROFILE, {"low_range": True}, "driven in low range and the other was not"),
        (PROFILE.replace("invented truck", "the same truck"), {}, ""),
    ],
)  # fmt: skip
def test_drives_of_two_vehicles_or_ranges_are_not_compared_by_the_firsts_profile(
    server: Running, client: httpx.Client, vehicle: str, more: dict[str, Any], says: str
) -> None:
    with open_casebook(server.house.casebook, create=True) as book:
        number = book.add_job("shakes", "invented truck", PROFILE, now())
    drives = {
        "before": sent(server, number, "before", PROFILE),
        "after": sent(server, number, "after", vehicle, **more),
    }
    data = {"csrf_token": csrf_of(client, "/jobs/new"), **drives, "suspect": ""}
    answer = client.post(f"/jobs/{number}/compare", data=data)
    assert answer.status_code == (422 if says else 303)
    assert says.lower() in html.unescape(re.sub(r"\s+", " ", answer.text)).lower()
