"""The drive card: drawn from vehicle and complaint, read out by the passenger, kept with the recording."""

import html
import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import httpx
import numpy as np
import pytest
from recorder_pieces import assembled, first_piece, piece
from web_server import SAMPLES, Running, csrf_of, finished, running

from vibeorder.diagnosis.drive_plan import plan_drive
from vibeorder.errors import RecordingError
from vibeorder.recording import marks_of, read_recording, steps_of
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import load_vehicle
from vibeorder.web.pieces import parse_piece
from vibeorder.web.tasks.plan import MARK_LENGTH, mark_of


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("shop")) as one:
        one.house.vehicles.save(tomllib.loads((SAMPLES / "electric.toml").read_text("utf-8")))
        yield one


def said(answer: httpx.Response) -> str:
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text)))


def ask(client: httpx.Client, server: Running, **fields: str) -> httpx.Response:
    vehicle = server.house.vehicles.all()[0].name
    data = {"csrf_token": csrf_of(client, "/plan"), "vehicle": vehicle, "speed": "60 mph", **fields}
    return client.post("/plan", data=data)


def drawn(client: httpx.Client, answer: httpx.Response) -> httpx.Response:
    name = answer.headers["location"].rsplit("/", 1)[1]
    assert finished(client, name)["next"] == f"/plan/{name}"
    return client.get(f"/plan/{name}")


def test_the_card_holds_the_drives_of_the_plan_command_in_their_order(
    client: httpx.Client, server: Running
) -> None:
    words = "boom when accelerating"
    page = drawn(client, ask(client, server, complaint=words))
    steps = plan_drive(load_vehicle(SAMPLES / "electric.toml"), 60.0 * MPH_MPS, None, "mph", words)
    assert steps
    shown = re.findall(r'<p class="drive-words">(.*?)</p>', page.text)
    assert [html.unescape(one) for one in shown] == [step.instruction for step in steps]
    for step in steps:
        for pair in step.tells_apart:
            assert pair in said(page)
        assert step.caution in said(page)
    assert "vibeorder turning" not in " ".join(shown), "nothing to type is read out"


def test_the_card_is_handed_to_the_recorder_behind_the_hash_and_is_never_sent(
    client: httpx.Client, server: Running
) -> None:
    page = drawn(client, ask(client, server))
    (address,) = re.findall(r'href="(/record#card=[^"]+)"', page.text)
    marks = json.loads(unquote(address.partition("#card=")[2]))
    assert len(marks) == page.text.count("drive-words")
    assert [one.partition(":")[0] for one in marks] == [f"step {n}" for n in range(1, len(marks) + 1)]


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"speed": ""}, "at what speed"), ({"speed": "sixty"}, "sixty"), ({"speed": "300 mph"}, "outside"),
        ({"vehicle": ""}, "choose the vehicle"), ({"vehicle": "../x"}, "saved vehicle"), ({"gear": "R"}, "gear"),
        ({"job": "77"}, "no job"),
    ],
)  # fmt: skip
def test_a_wrong_field_is_named_and_the_rest_stays(
    client: httpx.Client, server: Running, fields: dict[str, str], words: str
) -> None:
    answer = ask(client, server, **{"complaint": "hums <b>", **fields})
    assert answer.status_code in (404, 422) and words.lower() in said(answer).lower()
    if "job" not in fields:
        assert "hums &lt;b&gt;</textarea>" in answer.text


def test_a_job_fills_in_its_vehicle_its_complaint_and_the_speed_it_was_told(
    client: httpx.Client, server: Running
) -> None:
    vehicle = server.house.vehicles.all()[0].name
    data = {"csrf_token": csrf_of(client, "/jobs/new"), "complaint": "Whines", "vehicle": vehicle,
            "q_speed": "about 80 km/h", "q_load": "worse_pulling"}  # fmt: skip
    number = client.post("/jobs", data=data).headers["location"].rsplit("/", 1)[1]
    page = client.get(f"/plan?job={number}").text
    assert 'value="job" selected' in page and 'value="about 80 km/h"' in page
    assert "worse pulling" in html.unescape(page)
    card = drawn(client, ask(client, server, job=number, vehicle="job", speed="about 80 km/h"))
    assert "km/h" in card.text and "mph" not in card.text, "in the unit that was told"
    assert f"/jobs/{number}" in card.text


def motion(seconds: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    times = np.arange(0.0, seconds, 0.02)
    shake = np.random.default_rng(1).normal(0.0, 0.3, (3, times.size)) + np.array([[0.0], [0.0], [9.81]])
    return np.vstack([times, shake, shake, np.full((3, times.size), np.nan)]).T


def with_card(folder: Path) -> Path:
    """A recording of which the passenger announced two drives of the card, and marked two shakes."""
    marks = [[1.0, "step 1: Hold 60 mph."], 2.0, [4.0, "step 1 ends"], [5.0, "step 2: Coast."], 6.0]
    path = folder / "drive.zip"
    assembled(path, [first_piece(sound=None), piece(1, motion(8.0), marks=marks)])  # type: ignore[arg-type]
    return path


def test_the_drives_of_the_card_are_kept_with_their_begin_and_end(tmp_path: Path) -> None:
    path = with_card(tmp_path)
    first, second = steps_of(path)
    assert first[:2] == pytest.approx((1.0, 4.0)) and first[2] == "step 1: Hold 60 mph."
    assert second[0] == pytest.approx(5.0) and second[1:] == (None, "step 2: Coast.")
    assert marks_of(path) == pytest.approx((2.0, 6.0)), "a drive that begins is no shake"
    history = read_recording(path).history
    assert "announced at 1.0 s, until 4.0 s: step 1: Hold 60 mph." in history
    assert "announced at 5.0 s: step 2: Coast." in history


@pytest.mark.parametrize(
    "mark", [[1.0, "<script>"], [1.0], ["x", "step 1"], [1.0, "a" * 200], [1.0, 2.0, 3.0]]
)
def test_a_mark_that_no_recorder_makes_is_refused(mark: list[Any]) -> None:
    with pytest.raises(RecordingError, match="piece 1"):
        parse_piece(piece(1, motion(1.0), marks=[mark]), 1)  # type: ignore[list-item]


def test_a_steps_name_always_fits_a_mark() -> None:
    long = mark_of(3, "Hold “60 mph” & wait < 40 s > " * 20)
    assert len(long) <= MARK_LENGTH
    parse_piece(piece(1, motion(1.0), marks=[[1.0, long]]), 1)  # type: ignore[list-item]
