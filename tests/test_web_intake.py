"""The beginning of a job: the customer's answers and what costs nothing first. Both: common practice, no source."""

import html
import re
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from web_server import Running, csrf_of, finished, upload_sample

from vibeorder.casebook import (
    Entry,
    Job,
    checks_body,
    checks_of,
    intake_body,
    intake_of,
    job_text,
    open_casebook,
)
from vibeorder.casebook.trouble import CasebookError
from vibeorder.diagnosis.intake import QUESTIONS, Intake
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import COSTS_NOTHING_FIRST, FREE_CHECKS
from vibeorder.web.intake_form import unit_told

ASKED = {
    "complaint": "Booms and shakes", "q_speed": "about 95 km/h", "q_load": "worse_pulling", "q_felt": ["seat", "floor"],
    "q_after_work": "driveshaft", "q_note": "worse with the tow bar on",
}  # fmt: skip


def post(client: httpx.Client, path: str, **fields: Any) -> httpx.Response:
    return client.post(path, data={"csrf_token": csrf_of(client, "/jobs/new"), **fields})


def opened(client: httpx.Client, **fields: Any) -> int:
    answer = post(client, "/jobs", **{"complaint": "Shakes", **fields})
    assert answer.status_code == 303, answer.text
    return int(answer.headers["location"].rsplit("/", 1)[1])


def kept(server: Running, number: int) -> Job:
    with open_casebook(server.house.casebook) as book:
        return book.job(number)


def said(answer: httpx.Response) -> str:
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text)))


def job_of(*bodies: tuple[str, dict[str, Any]]) -> Job:
    stamp = "2030-01-02T03:04:05+00:00"
    return Job(1, "0" * 32, stamp, "shakes", "", "", tuple(Entry(k, stamp, b) for k, b in bodies))


def test_what_the_customer_said_is_kept_as_one_plain_object(server: Running, client: httpx.Client) -> None:
    number = opened(client, **ASKED)
    answers = intake_of(kept(server, number))
    assert answers == {
        "speed": "about 95 km/h", "load": "worse_pulling", "felt": ["seat", "floor"], "after_work": ["driveshaft"],
        "note": "worse with the tow bar on",
    }  # fmt: skip
    told = said(client.get(f"/jobs/{number}"))
    assert (
        "Does load change it? worse pulling, uphill or on throttle" in told
        and "in the seat, in the floor" in told
    )
    assert "worse pulling" in job_text(kept(server, number)), "the command line's job show too"


def test_questions_can_be_asked_again_and_the_last_answers_count(
    server: Running, client: httpx.Client
) -> None:
    number = opened(client, **ASKED)
    page = client.get(f"/jobs/{number}/intake").text
    assert re.search(r'name="q_load" value="worse_pulling" checked', page)
    post(client, f"/jobs/{number}/intake", q_load="same", q_speed="60 mph")
    assert intake_of(kept(server, number)) == {"speed": "60 mph", "load": "same"}
    post(client, f"/jobs/{number}/intake", q_load="same", q_speed="60 mph")
    assert len(kept(server, number).of_kind("intake")) == 2, "the very same is not put down twice"


def test_a_job_needs_no_answer_at_all(server: Running, client: httpx.Client) -> None:
    assert kept(server, opened(client)).entries == ()
    empty = post(client, f"/jobs/{opened(client)}/intake")
    assert empty.status_code == 422 and "one answer is enough" in said(empty)


def test_a_wrong_answer_is_said_and_the_rest_of_the_form_stays(client: httpx.Client) -> None:
    answer = post(
        client, "/jobs", **{**ASKED, "q_speed": "sixty", "check_tires": "yes", "note_tires": "2.1 bar"}
    )
    assert answer.status_code == 422 and "sixty" in said(answer)
    assert re.search(r'value="worse_pulling" checked', answer.text) and "2.1 bar" in answer.text
    forged = post(client, "/jobs", complaint="x", q_load="sideways")
    assert forged.status_code == 422 and "it can be worse_pulling" in said(forged)


def test_an_intake_goes_with_the_recording_to_the_diagnosis_and_tells_the_persons_unit(
    server: Running, client: httpx.Client
) -> None:
    number = opened(client, **ASKED)
    name = upload_sample(client, server.house, "pinion_flange.csv", gear="7", job=str(number))
    asked = server.house.store.read_json(name, "request.json")["arguments"]
    assert asked["intake"] == intake_of(kept(server, number))
    assert finished(client, name)["state"] == "done"
    page = said(client.get(f"/result/{name}"))
    # the log's own unit is m/s; the customer speaks of km/h
    assert re.search(r"Speed: \d+ to \d+ km/h, from the recording's own log", page)
    assert "mph" not in page


@pytest.mark.parametrize(
    ("words", "unit"),
    [
        (("shakes at 60 mph",), "mph"), (("bei 95 km/h",), "km/h"), (("", "100kph"), "km/h"), (("60 MPH",), "mph"),
        (("sixty",), ""), (("mph",), ""),
    ],
)  # fmt: skip
def test_the_unit_that_somebody_speaks_in_is_found(words: tuple[str, ...], unit: str) -> None:
    assert unit_told(*words) == unit


def test_what_costs_nothing_is_ticked_with_a_note_and_the_result_names_what_is_open(
    server: Running, client: httpx.Client
) -> None:
    number = opened(client, check_tires="yes", note_tires="left rear 1.4 bar, filled")
    name = upload_sample(client, server.house, "tire.csv", gear="8", job=str(number))
    assert finished(client, name)["state"] == "done"
    page = client.get(f"/result/{name}")
    open_line = re.findall(r"still open:</strong> ([^<]*)", page.text)[0]
    assert "Tire pressures" not in open_line and "Bent rim" in open_line
    assert "Tire pressures and condition: left rear 1.4 bar, filled" in said(page)
    fields = {f"check_{one.key}": "yes" for one in FREE_CHECKS}
    back = post(client, f"/jobs/{number}/checks", back=f"/result/{name}", note_tires="as before", **fields)
    assert back.headers["location"] == f"/result/{name}#free"
    assert "all of it" in said(client.get(f"/result/{name}"))
    job = kept(server, number)
    assert len(job.of_kind("checked")) == 2 and checks_of(job)["tires"] == {"done": True, "note": "as before"}


def test_ticks_of_a_result_in_no_job_stay_with_the_result(server: Running, client: httpx.Client) -> None:
    name = upload_sample(client, server.house, "tire.csv", gear="8")
    finished(client, name)
    post(client, f"/result/{name}/checks", check_rim="yes", note_rim="<b>true</b>", back=f"/result/{name}")
    page = client.get(f"/result/{name}").text
    assert "Bent rim" not in re.findall(r"still open:</strong> ([^<]*)", page)[0]
    assert "&lt;b&gt;true" in page and "<b>true" not in page


def test_a_tick_leads_nowhere_else(client: httpx.Client) -> None:
    number = opened(client)
    for away in ("https://example.org/", "//example.org", "/jobs", "/result/../../x"):
        answer = post(client, f"/jobs/{number}/checks", back=away, check_rim="yes")
        assert answer.headers["location"] == f"/jobs/{number}#free"


def test_only_what_changed_is_put_on_record(server: Running, client: httpx.Client) -> None:
    number = opened(client, check_tires="yes")
    post(client, f"/jobs/{number}/checks", check_tires="yes")
    assert len(kept(server, number).of_kind("checked")) == 1
    post(client, f"/jobs/{number}/checks", note_rim="spins true")
    changed = kept(server, number).of_kind("checked")[-1].body["checks"]
    assert changed == {"tires": {"done": False, "note": ""}, "rim": {"done": False, "note": "spins true"}}


def test_every_check_is_one_of_those_that_the_sheets_name() -> None:
    words = COSTS_NOTHING_FIRST.lower()
    for one in FREE_CHECKS:
        first = next(w for w in re.findall(r"[a-z]+", one.words.lower()) if len(w) > 3)
        assert first.rstrip("s") in words, one


GIVEN = st.fixed_dictionaries(
    {},
    optional={
        one.key: st.lists(st.sampled_from([key for key, _ in one.answers]), min_size=1, unique=True)
        if one.many
        else st.sampled_from([key for key, _ in one.answers])
        for one in QUESTIONS
    },
).filter(bool)


@given(GIVEN, GIVEN)
def test_the_last_answers_come_back_as_they_were_given(first: dict[str, Any], last: dict[str, Any]) -> None:
    job = job_of(("intake", intake_body(first)), ("intake", intake_body(last)))
    back = intake_of(job)
    assert {k: sorted(v) if isinstance(v, list) else v for k, v in back.items()} == {
        k: sorted(v) if isinstance(v, list) else v for k, v in last.items()
    }
    assert intake_body(back)["answers"] == back, "asking again changes nothing"
    assert Intake.from_json(back).as_json() == back, "what the diagnosis reads is what the job keeps"


@given(
    st.lists(
        st.dictionaries(
            st.sampled_from([one.key for one in FREE_CHECKS]),
            st.fixed_dictionaries({"done": st.booleans(), "note": st.sampled_from(["", "bent", "1.9 bar"])}),
            min_size=1,
        ),
        max_size=5,
    )
)
def test_the_last_tick_of_each_check_counts(ticks: list[dict[str, dict[str, Any]]]) -> None:
    merged: dict[str, dict[str, Any]] = {}
    for one in ticks:
        merged |= one
    assert checks_of(job_of(*[("checked", checks_body(one)) for one in ticks])) == merged


def test_nonsense_is_refused_with_what_is_offered() -> None:
    for answers, words in (
        ({"colour": "red"}, "unknown key"),
        ({"load": ["same", "worse_pulling"]}, "give one"),
        ({}, "one"),
    ):
        with pytest.raises(VibeorderError, match=words):
            intake_body(answers)
    with pytest.raises(CasebookError, match="they are tires"):
        checks_body({"engine": {"done": True}})


def test_a_note_too_long_is_refused_and_never_cut() -> None:
    kept = checks_body({"tires": {"done": True, "note": "x" * 200}})["checks"]
    assert kept["tires"]["note"] == "x" * 200
    with pytest.raises(CasebookError, match="longer than 200 characters; shorten it"):
        checks_body({"tires": {"done": True, "note": "x" * 201}})


def test_questions_ask_nothing_of_the_person(client: httpx.Client) -> None:
    page = client.get("/jobs/new").text
    assert not re.search(r'name="(q_)?(customer|owner|address|email|plate|vin)', page)
