"""The beginning of a job: what the customer said, question by question, and what costs nothing first."""

import re
from collections.abc import Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from vibeorder.casebook import (
    Job,
    checks_body,
    checks_of,
    intake_body,
    intake_of,
    open_casebook,
)
from vibeorder.diagnosis.intake import QUESTIONS
from vibeorder.errors import VibeorderError
from vibeorder.web.house import house_of
from vibeorder.web.intake_form import (
    answers_of_form,
    changed_checks,
    checks_view,
    listed_answers,
    typed_answers,
)
from vibeorder.web.jobs_common import job_of, now
from vibeorder.web.pages_common import LONGEST_COMPLAINT, form_text, render, sentence_of
from vibeorder.web.store import NotThereError

__all__ = ["CHECKS_FILE", "ROUTES"]

LONGEST_REFERENCE = 60
CHECKS_FILE = "checks.json"
"""In a result's folder: the ticks of a recording that is kept in no job."""
_BACK = re.compile(r"/result/[0-9a-f]{24}(?:/\d{1,2})?")


def new(request: Request) -> Response:
    """The empty form; ?vehicle= chooses one."""
    return _new(request, {"vehicle": request.query_params.get("vehicle", "")[:40]}, {}, {})


async def opened(request: Request) -> Response:
    """Open a job with what was said and what is ticked already."""
    form = await request.form()
    return await run_in_threadpool(_open, request, form)


def again(request: Request) -> Response:
    """The questions of a job, with its answers so far."""
    job = _job(request)
    return _questions(request, job, intake_of(job))


async def asked(request: Request) -> Response:
    """Take down answers to the questions of a job."""
    form = await request.form()
    return await run_in_threadpool(_ask, request, form)


async def checked(request: Request) -> Response:
    """Tick what costs nothing, of a job."""
    form = await request.form()
    return await run_in_threadpool(_check, request, form)


async def checked_alone(request: Request) -> Response:
    """Tick what costs nothing, of a result that is in no job."""
    form = await request.form()
    store, name = house_of(request).store, request.path_params["name"]
    before = store.read_json(name, CHECKS_FILE)
    state = dict(before) if isinstance(before, dict) else {}
    store.write_json(name, CHECKS_FILE, state | changed_checks(form, state))
    return RedirectResponse(f"{_back(form) or f'/result/{name}'}#free", 303)


def _job(request: Request) -> Job:
    job = job_of(house_of(request).casebook, str(request.path_params["number"]))
    if job is None:
        raise NotThereError("there is no such job; choose one from the list")
    return job


def _open(request: Request, form: FormData) -> Response:
    house = house_of(request)
    typed = {name: str(form.get(name, "")) for name in ("complaint", "reference", "vehicle")}
    try:
        complaint = " ".join(form_text(form, "complaint", LONGEST_COMPLAINT).split())
        reference = " ".join(form_text(form, "reference", LONGEST_REFERENCE).split())
        if not complaint:
            raise VibeorderError("say what shakes, when and how; a few words are enough")
        name = text = ""
        if typed["vehicle"]:
            saved = house.vehicles.get(typed["vehicle"])
            name, text = saved.vehicle.name, saved.text
        answers, checks = answers_of_form(form), changed_checks(form, {})
        said = f"{complaint} (reference {reference})" if reference else complaint
        with open_casebook(house.casebook, create=True) as book:
            number = book.add_job(said, name, text, now())
            if answers:
                book.add(number, "intake", intake_body(answers), now())
            if checks:
                book.add(number, "checked", checks_body(checks), now())
    except VibeorderError as error:
        return _new(request, typed, typed_answers(form), _typed_checks(form), sentence_of(error))
    return RedirectResponse(f"/jobs/{number}", 303)


def _ask(request: Request, form: FormData) -> Response:
    job = _job(request)
    try:
        body = intake_body(answers_of_form(form))
        if body["answers"] != intake_of(job):
            with open_casebook(house_of(request).casebook) as book:
                book.add(job.number, "intake", body, now())
    except VibeorderError as error:
        return _questions(request, job, typed_answers(form), sentence_of(error))
    return RedirectResponse(f"/jobs/{job.number}#last", 303)


def _check(request: Request, form: FormData) -> Response:
    job = _job(request)
    checks = changed_checks(form, checks_of(job))
    if checks:
        with open_casebook(house_of(request).casebook) as book:
            book.add(job.number, "checked", checks_body(checks), now())
    return RedirectResponse(f"{_back(form) or f'/jobs/{job.number}'}#free", 303)


def _back(form: FormData) -> str:
    """The result that the form stood on, where it stood on one."""
    back = str(form.get("back", ""))
    return back if _BACK.fullmatch(back) else ""


def _typed_checks(form: FormData) -> dict[str, dict[str, Any]]:
    return {
        key.removeprefix("check_"): {
            "done": True,
            "note": str(form.get(key.replace("check_", "note_", 1), "")),
        }
        for key in form
        if key.startswith("check_")
    }


def _new(
    request: Request, typed: Mapping[str, str], answers: Mapping[str, Any],
    checks: Mapping[str, Mapping[str, Any]], error: str = "",
) -> Response:  # fmt: skip
    return render(
        request, "intake.html", 422 if error else 200, job=None, typed=typed, questions=QUESTIONS,
        answers=listed_answers(answers), free=checks_view(checks), error=error,
        vehicles=house_of(request).vehicles.all(),
    )  # fmt: skip


def _questions(request: Request, job: Job, answers: Mapping[str, Any], error: str = "") -> Response:
    return render(
        request, "intake.html", 422 if error else 200, job=job, typed={}, questions=QUESTIONS,
        answers=listed_answers(answers), free=[], error=error, vehicles=(),
    )  # fmt: skip


ROUTES = [
    Route("/jobs/new", new),
    Route("/jobs", opened, methods=["POST"]),
    Route("/jobs/{number:int}/intake", again),
    Route("/jobs/{number:int}/intake", asked, methods=["POST"]),
    Route("/jobs/{number:int}/checks", checked, methods=["POST"]),
    Route("/result/{name}/checks", checked_alone, methods=["POST"]),
]
