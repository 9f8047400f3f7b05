"""The customer's words from a job to the answer: they count once, a little, in plain sight, and can be switched off."""

import html
import re
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import httpx
import pytest
from report_examples import bent_flange
from web_server import SAMPLES, Running, csrf_of, finished, upload_sample

from vibeorder.casebook import open_casebook
from vibeorder.diagnosis.result import Leaning, Said, Senses
from vibeorder.web.view import view_of

WORDS = {"q_load": "worse_pulling", "q_felt": ["seat", "floor"], "q_after_work": "driveshaft"}
FIGURES = re.compile(
    r"with what the customer said: (?:over |under )?\d+%; from the recording alone: (?:over |under )?\d+%"
)


def job(client: httpx.Client, **answers: Any) -> str:
    """Number of a new job with these answers."""
    data = {"csrf_token": csrf_of(client, "/jobs/new"), "complaint": "Shakes", **answers}
    made = client.post("/jobs", data=data)
    assert made.status_code == 303, made.text
    return made.headers["location"].rsplit("/", 1)[1]


def told(server: Running, client: httpx.Client, **fields: str) -> tuple[str, dict[str, Any]]:
    """The result page of a sample sent with these fields, and its diagnosis."""
    name = upload_sample(client, server.house, "pinion_flange.csv", gear="7", **fields)
    assert finished(client, name)["state"] == "done"
    return page_of(client, f"/result/{name}"), client.get(f"/result/{name}/result.json").json()


@pytest.fixture(scope="module")
def alone(server: Running, client: httpx.Client) -> dict[str, Any]:
    """The sample's diagnosis where no customer said anything."""
    return told(server, client)[1]


def truck(server: Running) -> str:
    """Id of the sample truck, saved."""
    return server.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8"))).name


def page_of(client: httpx.Client, path: str) -> str:
    return html.unescape(client.get(path).text)


def probability(diagnosis: dict[str, Any], part: str, order: float) -> float:
    return next(
        float(one["probability"])
        for one in diagnosis["suspects"]
        if (one["part"], one["order"]) == (part, order)
    )


def test_words_of_a_job_count_and_the_page_shows_both_figures_right_under_the_verdict(
    server: Running, client: httpx.Client, alone: dict[str, Any]
) -> None:
    page, with_words = told(server, client, job=job(client, **WORDS))
    assert FIGURES.search(page)
    assert page.index("</h1>") < page.index("with what the customer said") < page.index('id="suspects"')
    assert "What each answer leans to" in page and re.search(r"<li>[^<]*driveshaft[^<]*, times 1\.\d", page)
    said = with_words["customer_said"]
    part, order = said["part"], said["order"]
    assert said["from_recording_alone"] == pytest.approx(probability(alone, part, order), abs=1e-9)
    assert said["probability"] == pytest.approx(probability(with_words, part, order), abs=1e-9)
    assert with_words["nothing_found_probability"] == pytest.approx(
        alone["nothing_found_probability"], abs=1e-9
    )


def test_words_that_were_switched_off_change_nothing(
    server: Running, client: httpx.Client, alone: dict[str, Any]
) -> None:
    number = job(client, **WORDS)
    page, off = told(server, client, job=number, count_words="no")
    assert "from the recording alone" not in page and off.get("customer_said") is None
    assert off["suspects"] == alone["suspects"]


def test_a_job_without_answers_says_nothing_of_the_customer(server: Running, client: httpx.Client) -> None:
    page, empty = told(server, client, job=job(client), count_words="yes")
    assert "from the recording alone" not in page and empty.get("customer_said") is None


def test_of_several_recordings_the_words_count_once_for_all_together(
    server: Running, client: httpx.Client
) -> None:
    content = (SAMPLES / "tire.csv").read_bytes()
    files = [("recording", (f"drive-{i}.csv", content)) for i in (1, 2)]
    data = {"csrf_token": csrf_of(client), "vehicle": truck(server), "gear": "8", "job": job(client, **WORDS)}
    name = client.post("/upload", data=data, files=files).headers["location"].rsplit("/", 1)[1]
    assert finished(client, name)["state"] == "done"
    assert FIGURES.search(page_of(client, f"/result/{name}"))
    assert "from the recording alone" not in page_of(client, f"/result/{name}/1")


def test_the_forms_switch_is_on_until_it_is_switched_off_and_stays_so_when_a_field_is_mended(
    server: Running, client: httpx.Client
) -> None:
    ticked = re.compile(r'name="count_words" value="yes"( checked)?>')
    first = ticked.search(client.get("/").text)
    assert first and first[1], "on by default"
    for sent, stays_on in (
        (["no"], False),
        (["no", "yes"], True),
    ):  # a ticked box comes after the hidden "no"
        data = {"csrf_token": csrf_of(client), "count_words": sent, "gear": "x"}
        back = client.post("/upload", data=data, files={"recording": ("a.csv", b"1,2")})
        found = ticked.search(back.text)
        assert back.status_code == 422 and found and bool(found[1]) is stays_on


def test_answers_that_no_question_offers_are_named_before_minutes_are_spent(
    server: Running, client: httpx.Client
) -> None:
    number = job(client)
    with open_casebook(server.house.casebook) as book:  # as a casebook of another program may hold them
        book.add(int(number), "intake", {"answers": {"load": "sideways"}, "text": ""}, datetime.now(UTC))
    data = {"csrf_token": csrf_of(client), "job": number, "vehicle": truck(server)}
    files = {"recording": ("a.csv", (SAMPLES / "pinion_flange.csv").read_bytes())}
    refused = client.post("/upload", data=data, files=files)
    assert refused.status_code == 422
    assert "sideways" in refused.text and f"ob {number}" in refused.text


def test_what_motion_and_sound_saw_is_not_taken_for_the_customers_words() -> None:
    said = Said(
        "driveshaft", 1.0, 0.71, 0.64,
        "driveshaft 1x, with what the customer said: 71%; from the recording alone: 64%",
        (Leaning("felt in the seat", "driveshaft", 1.2),),
    )  # fmt: skip
    senses = Senses("1x driveshaft 40.0 Hz", "4x engine at 120 Hz", ())
    assert view_of(replace(bent_flange(), senses=senses))["customer"] is None
    shown = view_of(replace(bent_flange(), said=said, senses=senses))["customer"]
    assert shown == {
        "sentence": "Driveshaft 1x, with what the customer said: 71%; from the recording alone: 64%.",
        "leanings": ["felt in the seat: driveshaft, times 1.2"],
    }
