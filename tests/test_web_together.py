"""Several recordings sent at once: one verdict, the command's own, and each recording with its figures below.

sample_data/README.md says what is wrong with each sample.
"""

import contextlib
import io
import json
import re
import tomllib
from pathlib import Path
from typing import Any

import httpx
import pytest
from web_server import SAMPLES, Running, csrf_of, finished

from vibeorder import cli
from vibeorder.casebook import open_casebook
from vibeorder.web.next_step import next_step

PAIR = ("pinion_flange.csv", "healthy.csv")
TYPED = (*(str(SAMPLES / name) for name in PAIR), "--vehicle", str(SAMPLES / "truck.toml"), "--gear", "7")


def send(client: httpx.Client, server: Running, files: dict[str, bytes], **fields: str) -> str:
    truck = server.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8")))
    data = {"csrf_token": csrf_of(client), "vehicle": truck.name, "gear": "7", **fields}
    sent = [("recording", one) for one in files.items()]
    name = client.post("/upload", data=data, files=sent).headers["location"].rsplit("/", 1)[1]
    assert finished(client, name)["state"] == "done"
    return name


@pytest.fixture(scope="module")
def joint(client: httpx.Client, server: Running) -> str:
    files = {name: (SAMPLES / name).read_bytes() for name in PAIR} | {"notes.csv": b"nothing to see"}
    return send(client, server, files, job="new", complaint="Booms in the seat")


def said_by_command(*words: str) -> dict[str, Any]:
    """The JSON that `vibeorder diagnose WORDS --why --json -` prints."""
    out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8")
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        assert cli.main(["diagnose", *words, "--why", "--json", "-"]) == 0
    out.seek(0)
    answer: dict[str, Any] = json.loads(out.read())
    return answer


def test_the_pages_json_of_several_recordings_is_the_commands(client: httpx.Client, joint: str) -> None:
    page, command = client.get(f"/result/{joint}/result.json").json(), said_by_command(*TYPED)
    assert same(page) == same(command)


def same(value: Any) -> Any:
    """Numbers to six digits: two processes need not add up in the same order."""
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, dict):
        return {key: same(one) for key, one in value.items()}
    return [same(one) for one in value] if isinstance(value, list) else value


def test_one_verdict_stands_on_top_and_what_could_not_be_read_is_named(
    client: httpx.Client, joint: str
) -> None:
    page = client.get(f"/result/{joint}").text
    heading = re.findall(r"<h1.*?</h1>", page, re.DOTALL)[0]
    assert "From 2 recordings together: It is the driveshaft, first order (1x)" in heading
    assert page.count("Left out:</strong> notes.csv") == 2, "on top, and in its place among the others"
    below = page[page.index('id="each"') :]
    assert "Nothing that turns explains a complaint in this recording" in below
    assert re.search(r"\d+ dropped samples were filled in", below), "each one's own repairs"


def test_repairs_of_every_recording_are_on_the_joint_sheet_under_its_name(
    client: httpx.Client, joint: str
) -> None:
    sheet = client.get(f"/result/{joint}/sheet.html").text
    for name in PAIR:
        assert re.search(rf"{name}: \d+ dropped samples were filled in", sheet)


def test_a_job_goes_on_from_what_the_recordings_say_together(
    client: httpx.Client, server: Running, joint: str
) -> None:
    number = server.house.store.read_json(joint, "kept.json")["job"]
    with open_casebook(server.house.casebook) as book:
        job = book.job(number)
    recordings = job.of_kind("recording")
    assert [one.body["name"] for one in recordings] == list(PAIR)
    # the last recording alone has nothing to measure; together they have
    assert recordings[-1].body["diagnosis"]["verdict"].startswith("Nothing that turns")
    assert next_step(job).words == "Measure the shaft's runout"
    story = client.get(f"/jobs/{number}").text
    assert "From 2 recordings together" in story and f'href="/result/{joint}"' in story


def test_the_command_keeps_in_a_job_what_the_page_keeps(tmp_path: Path) -> None:
    truck, book = str(SAMPLES / "truck.toml"), str(tmp_path / "casebook.sqlite")
    with contextlib.redirect_stdout(io.TextIOWrapper(io.BytesIO(), encoding="utf-8")):
        assert cli.main(["job", "new", "--complaint", "booms", "--vehicle", truck, "--casebook", book]) == 0
        paths = [str(SAMPLES / name) for name in PAIR]
        assert (
            cli.main(
                ["diagnose", *paths, "--vehicle", truck, "--gear", "7", "--job", "1", "--casebook", book]
            )
            == 0
        )
    with open_casebook(Path(book)) as kept:
        job = kept.job(1)
    assert all(one.body["together"]["verdict"].startswith("From 2 recordings") for one in job.entries)
    assert next_step(job).words == "Measure the shaft's runout"
