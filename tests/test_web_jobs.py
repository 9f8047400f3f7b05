"""A job on the page: from complaint to verified repair. Order of work: common practice, no source."""

import html
import io
import re
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from casebook_examples import example_job, odd_entries
from web_server import SAMPLES, Running, csrf_of, finished, running

from vibeorder.casebook import Entry, Job, open_casebook, read_export, reading_body
from vibeorder.diagnosis import diagnose
from vibeorder.diagnosis.compare import Drive, compare
from vibeorder.diagnosis.compare_asked import suspect_of
from vibeorder.recording import read_recording
from vibeorder.report.comparison import comparison_sheet
from vibeorder.vehicle import load_vehicle
from vibeorder.web.jobs_common import now
from vibeorder.web.jobs_kept import open_jobs
from vibeorder.web.next_step import next_step

COMPLAINT = "Shakes in the seat at 60 mph, worse with load"


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("jobs")) as one:
        yield one


def said(answer: httpx.Response) -> str:
    """The page's text without its tags."""
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text)))


def post(client: httpx.Client, path: str, **fields: str) -> httpx.Response:
    return client.post(path, data={"csrf_token": csrf_of(client, "/jobs/new"), **fields})


def opened(client: httpx.Client, complaint: str = COMPLAINT, **fields: str) -> int:
    """Open a job on the page and return its number."""
    answer = post(client, "/jobs", complaint=complaint, **fields)
    assert answer.status_code == 303, answer.text
    return int(answer.headers["location"].rsplit("/", 1)[1])


def kept(server: Running, number: int) -> Job:
    with open_casebook(server.house.casebook) as book:
        return book.job(number)


def add(server: Running, number: int, kind: str, body: dict[str, Any]) -> None:
    with open_casebook(server.house.casebook) as book:
        book.add(number, kind, body, now())


def diagnosis(
    part: str = "driveshaft", order: float = 1.0, probability: float = 0.9, warranted: bool = True
) -> dict[str, Any]:
    """The part of a diagnosis that a job's next step needs."""
    suspect = {"part": part, "order": order, "probability": probability, "first_check": "Dial on the flange."}
    return {
        "verdict": f"It is the {part}.", "suspects": [suspect], "nothing_found_probability": 1.0 - probability,
        "runout_check": {"warranted": warranted, "where": "", "why": ""}, "next_drive": "Coast in neutral.",
    }  # fmt: skip


def job_with(*entries: tuple[str, dict[str, Any]]) -> Job:
    stamp = "2030-01-02T03:04:05+00:00"
    return Job(
        7, "0" * 32, stamp, COMPLAINT, "", "", tuple(Entry(kind, stamp, body) for kind, body in entries)
    )


def runout(verdict: str) -> tuple[str, dict[str, Any]]:
    result = {"place": {"label": "shaft tube, rear"}, "verdict": verdict}
    return "reading", {"command": "runout", "inputs": {}, "result": {"sentence": "x", "result": result}}


def test_a_job_needs_a_complaint_and_nothing_of_the_person(server: Running, client: httpx.Client) -> None:
    page = client.get("/jobs/new")
    labels = [
        said(httpx.Response(200, text=text)).lower() for text in re.findall(r"<label.*?</label>", page.text)
    ]
    assert not [
        text
        for text in labels
        if re.search(r"customer's name|phone|address|e-mail|plate\b(?!.*needed)", text)
    ]
    saved = server.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8")))
    number = opened(client, reference="bay 3", vehicle=saved.name)
    job = kept(server, number)
    assert job.complaint == f"{COMPLAINT} (reference bay 3)" and job.vehicle_name == saved.vehicle.name
    assert job.vehicle_text == saved.text
    empty = post(client, "/jobs", complaint="   ", reference="bay 4")
    assert empty.status_code == 422 and "Say what shakes" in said(empty) and 'value="bay 4"' in empty.text


def test_jobs_are_found_by_their_words_and_state(client: httpx.Client) -> None:
    hum, clunk = opened(client, "Hums at 40 mph coasting"), opened(client, "Clunks on take-up")
    post(client, f"/jobs/{clunk}/words", do="close", text="")
    found = client.get("/jobs", params={"q": "coasting HUMS"}).text
    assert f'href="/jobs/{hum}"' in found and f'href="/jobs/{clunk}"' not in found
    closed = client.get("/jobs", params={"state": "closed"}).text
    assert f'href="/jobs/{clunk}"' in closed and f'href="/jobs/{hum}"' not in closed
    assert "No job has these words" in said(client.get("/jobs", params={"q": "zebra"}))
    assert client.get("/jobs/999999").status_code == 404


def test_the_story_is_told_in_order_with_the_pictures_drawn_again(
    server: Running, client: httpx.Client
) -> None:
    number = opened(client)
    fields = {
        "job": str(number),
        "readings": "0 4 9 12 11 7 2 -1 thou",
        "place": "flange_face",
        "limit": "4 thou",
    }
    sheet = post(client, "/bench/runout", do="keep", **fields)
    picture = re.findall(r'<svg class="drawing.*?</svg>', sheet.text)[-1]
    post(client, f"/jobs/{number}/words", do="decision", text="Turn the flange on the pinion")
    post(client, f"/jobs/{number}/words", do="cure", text="Flange replaced, crush sleeve new")
    page = client.get(f"/jobs/{number}")
    text = said(page)
    order = [
        text.index(words)
        for words in (COMPLAINT, "over the limit of 4.0 thou", "Turn the flange", "Flange replaced")
    ]
    assert order == sorted(order) and picture in page.text
    assert [e.kind for e in kept(server, number).entries] == ["reading", "decision", "cure"]


def test_readings_from_the_command_line_are_drawn_too(server: Running, client: httpx.Client) -> None:
    """Entries of `vibeorder bench ... --job N` hold what was typed; a file that was named is not opened."""
    number = opened(client)
    for command, inputs in (
        (
            "halfturn",
            {"mount": ["0 = 12 thou@30", "180 = 5 thou@80"], "counted_on": "moved", "lever_ratio": 1.0},
        ),
        ("angles", {"slopes": "3 down, 5 down, 2 down", "rpm": 1800.0, "least": 0.5}),
        ("balance", {"reference": "run0.wav", "run": ["2 g@0 = run1.wav"]}),
        ("runout", {"readings": ["not", "text"]}),
    ):
        body = reading_body(
            {"command": command, "sentence": f"Said by {command}.", "numbers": {"a": "1"}}, inputs
        )
        add(server, number, "reading", body)
    page = client.get(f"/jobs/{number}")
    assert page.status_code == 200 and page.text.count('<svg class="drawing') == 2
    assert all(f"Said by {name}." in said(page) for name in ("halfturn", "angles", "balance", "runout"))


def test_whatever_a_casebook_holds_the_story_and_the_next_step_are_told(
    server: Running, client: httpx.Client
) -> None:
    number = opened(client)
    for kind, body in odd_entries():
        add(server, number, kind, body)
        assert next_step(job_with((kind, body))).words
    page = client.get(f"/jobs/{number}")
    assert page.status_code == 200 and COMPLAINT in said(page)
    assert client.get(f"/bench/balance?job={number}").status_code == 200


def test_words_are_kept_as_they_were_said_and_cannot_become_markup(
    server: Running, client: httpx.Client
) -> None:
    evil = "<script>alert('x')</script> & “so”"
    number = opened(client, evil)
    post(client, f"/jobs/{number}/words", do="cure", text=evil)
    page = client.get(f"/jobs/{number}")
    assert "<script>alert" not in page.text and evil in said(page)
    assert kept(server, number).entries[0].body["text"] == evil
    refused = post(client, f"/jobs/{number}/words", do="cure", text=" ")
    assert refused.status_code == 422 and "Say in a few words what the cure is" in said(refused)


def test_a_closed_job_takes_nothing_until_it_is_opened_again(server: Running, client: httpx.Client) -> None:
    number = opened(client)
    post(client, f"/jobs/{number}/words", do="close", text="")
    assert kept(server, number).closed
    refused = post(client, f"/jobs/{number}/words", do="cure", text="late")
    assert (
        refused.status_code == 422
        and f"Job {number} is closed" in said(refused)
        and ">late</textarea>" not in refused.text
    )
    reading = post(client, "/bench/runout", do="keep", job=str(number), readings="0 2 5 7 6 4 1 -1 thou")
    assert reading.status_code == 422 and "closed" in said(reading)
    post(client, f"/jobs/{number}/words", do="reopen")
    assert not kept(server, number).closed


@pytest.mark.parametrize("kind", ["json", "zip"])
def test_a_job_is_carried_away_and_brought_back_without_loss(
    server: Running, client: httpx.Client, tmp_path: Path, kind: str
) -> None:
    job = example_job("ab" * 16 if kind == "json" else "cd" * 16)
    with open_casebook(server.house.casebook, create=True) as book:
        number, _ = book.put(job, {})
    answer = client.get(f"/jobs/{number}/job.{kind}")
    assert answer.status_code == 200 and f"job-{number}.{kind}" in answer.headers["content-disposition"]
    if kind == "zip":
        zipfile.ZipFile(io.BytesIO(answer.content)).extractall(tmp_path / "job")
    else:
        (tmp_path / "job").write_bytes(answer.content)
    back, _ = read_export(tmp_path / "job")
    assert (back.uid, back.complaint, back.entries) == (job.uid, job.complaint, job.entries)


DRIVE: tuple[str, dict[str, Any]] = ("recording", {})
AFTER: tuple[str, dict[str, Any]] = ("recording", {"role": "after"})


def judged(**more: Any) -> tuple[str, dict[str, Any]]:
    return "recording", {"diagnosis": diagnosis(**more)}


def compared(verdict: str) -> tuple[str, dict[str, Any]]:
    return "comparison", {"result": {"verdict": verdict}}


@pytest.mark.parametrize(
    ("entries", "words", "where"),
    [
        ((), "Record the shake", "/?job=7"),
        ((judged(),), "Measure the shaft's runout", "/bench/runout?"),
        ((judged(order=2.0, warranted=False),), "Measure the joint angles", "/bench/angles?"),
        ((judged(probability=0.4),), "Another drive", "/?job=7"),
        ((DRIVE, runout("over")), "Half-turn test", "/bench/half-turn?job=7"),
        ((DRIVE, runout("too close to call")), "Read again", "/bench/runout?job=7"),
        ((DRIVE, runout("within")), "Balance, or the cure", "/bench/balance?job=7"),
        ((DRIVE, ("cure", {"text": "x"})), "Drive again", "/?job=7&role=after"),
        ((DRIVE, ("cure", {}), AFTER), "Compare before and after", "/jobs/7#compare"),
        ((DRIVE, AFTER, compared("cured")), "Close the job", "/jobs/7#words"),
        ((DRIVE, AFTER, compared("cannot say")), "Drive again", "/?job=7&role=after"),
        ((DRIVE, AFTER, compared("unchanged")), "Back to the bench", "/bench?job=7"),
        ((("closed", {}),), "Nothing: the job is closed", "/jobs/7#words"),
    ],
)
def test_the_next_step_follows_the_order_of_the_trade(
    entries: tuple[tuple[str, dict[str, Any]], ...], words: str, where: str
) -> None:
    """Verdict, runout before balance, cure, the same drive again, comparison: common practice, no source."""
    step = next_step(job_with(*entries))
    assert step.words == words and step.href.startswith(where)


def test_a_repair_is_proved_by_two_drives_of_the_job(
    server: Running, client: httpx.Client, tmp_path: Path
) -> None:
    """The page's comparison is the library's of the same two files."""
    first = sent(client, server, tmp_path, "pinion_flange.csv", complaint=COMPLAINT, job="new", role="before")
    number = str(max(line.number for line in open_jobs(server.house.casebook)))
    second = sent(client, server, tmp_path, "healthy.csv", job=number, role="after")
    assert "Compare before and after" in said(client.get(f"/jobs/{number}"))
    twice = post(client, f"/jobs/{number}/compare", before=f"{first}/1", after=f"{first}/1")
    assert twice.status_code == 422 and "same recording twice" in said(twice)
    strange = post(client, f"/jobs/{number}/compare", before=f"{'0' * 24}/1", after=f"{second}/1")
    assert strange.status_code == 422 and "Choose one recording" in said(strange)
    drives = {"before": f"{first}/1", "after": f"{second}/1"}
    for suspect, sentence in (("driveshaft@0", "Order 0 is none"), ("driveshaft@x", "Choose the part")):
        slip = post(client, f"/jobs/{number}/compare", **drives, suspect=suspect)
        assert slip.status_code == 422 and sentence in said(slip)
    asked = post(client, f"/jobs/{number}/compare", **drives, suspect="")
    task = asked.headers["location"].rsplit("/", 1)[1]
    assert finished(client, task, 120.0)["next"] == f"/comparison/{task}"
    expected = library_sentence(tmp_path).replace("m/s^2", "m/s²")
    page, story = client.get(f"/comparison/{task}"), client.get(f"/jobs/{number}")
    assert expected.startswith("Cured") and expected in said(page) and expected in said(story)
    assert page.text.count("before-point") > 2 and "Close the job" in said(story)
    entry = kept(server, int(number)).of_kind("comparison")[-1]
    assert entry.body["before"]["name"] == "pinion_flange.csv" and entry.body["result"]["verdict"] == "cured"


def sent(client: httpx.Client, server: Running, folder: Path, sample: str, **fields: str) -> str:
    """Upload a sample drive in seventh gear, and wait for its diagnosis."""
    (folder / sample).write_bytes((SAMPLES / sample).read_bytes())
    saved = server.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8")))
    data = {"csrf_token": csrf_of(client), "vehicle": saved.name, "gear": "7", **fields}
    answer = client.post("/upload", data=data, files={"recording": (sample, (folder / sample).read_bytes())})
    task = answer.headers["location"].rsplit("/", 1)[1]
    assert finished(client, task, 120.0)["state"] == "done"
    return task


def library_sentence(folder: Path) -> str:
    """What `vibeorder compare` says of these two files."""
    truck = load_vehicle(SAMPLES / "truck.toml")
    drives = []
    for name in ("pinion_flange.csv", "healthy.csv"):
        recording = read_recording(folder / name)
        drives.append(Drive(recording, diagnose(recording, truck, gear=7)))
    part, order = suspect_of(drives[0].diagnosis)
    result = compare(drives[0], drives[1], truck, part, order)
    return comparison_sheet(result, drives[0].diagnosis.speed.unit).sentence
