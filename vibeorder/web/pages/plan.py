"""What to drive: from vehicle and complaint to a card for the passenger to read out."""

import json
import tomllib
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from vibeorder.casebook import Job, answers_text, intake_of
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import COSTS_NOTHING_FIRST, gear_ratio, parse_vehicle
from vibeorder.web.drive_form import typed_gear
from vibeorder.web.house import House, house_of
from vibeorder.web.jobs_common import job_of
from vibeorder.web.network import qr_svg, secure_address
from vibeorder.web.pages_common import (
    LONGEST_COMPLAINT,
    form_text,
    made_or_waiting,
    owner_of,
    render,
    sentence_of,
)
from vibeorder.web.queue import REQUEST_FILE, BusyError
from vibeorder.web.tasks.plan import CARD_FILE

__all__ = ["ROUTES"]

FIELDS = ("vehicle", "job", "speed", "gear", "low_range", "complaint")
OF_THE_JOB = "job"
"""In the list of vehicles: the one that the job was opened with."""


def form(request: Request) -> Response:
    """The form; ?vehicle= chooses one, ?job= fills in what the job knows."""
    house = house_of(request)
    job = job_of(house.casebook, request.query_params.get("job", "")[:18])
    typed = {"vehicle": request.query_params.get("vehicle", "")[:40]}
    if job is not None:
        intake = intake_of(job)
        typed |= {
            "vehicle": OF_THE_JOB if job.vehicle_text else "",
            "speed": str(intake.get("speed", "")),
            "complaint": ". ".join(one for one in (job.complaint.rstrip(". "), answers_text(intake)) if one),
        }
    return _form(request, typed, job)


async def planned(request: Request) -> Response:
    """Have the card drawn."""
    return await run_in_threadpool(_plan, request, await request.form())


def card(request: Request) -> Response:
    """The card: the drives in their order, in big print."""
    house, name = house_of(request), request.path_params["name"]
    drawn = made_or_waiting(house, name, CARD_FILE, "there is no card here; have it drawn again")
    if isinstance(drawn, Response):
        return drawn
    asked = house.store.read_json(name, REQUEST_FILE)
    arguments = asked.get("arguments", {}) if isinstance(asked, dict) else {}
    marks = [str(step["mark"]) for step in drawn["steps"]]
    address = secure_address(house.settings) if request.state.local else ""
    return render(
        request, "card.html", card=drawn, complaint=arguments.get("complaint", ""), job=arguments.get("job", ""),
        record=f"/record#card={quote(json.dumps(marks, ensure_ascii=False), safe='')}",
        costs_nothing=COSTS_NOTHING_FIRST, qr=qr_svg(f"{address}/plan/{name}") if address else "",
    )  # fmt: skip


def _plan(request: Request, form: FormData) -> Response:
    house = house_of(request)
    typed = {name: str(form.get(name, ""))[:LONGEST_COMPLAINT] for name in FIELDS}
    job = None
    try:
        job = job_of(house.casebook, typed["job"][:18])
        name = house.queue.submit("plan", _arguments(house, form, job), owner=owner_of(request))
    except VibeorderError as error:
        status = 503 if isinstance(error, BusyError) else 422
        return _form(request, typed, job, sentence_of(error), status)
    return RedirectResponse(f"/working/{name}", 303)


def _arguments(house: House, form: FormData, job: Job | None) -> dict[str, Any]:
    from vibeorder.speed.given import parse_speed_given

    chosen, speed = form_text(form, "vehicle", 40), form_text(form, "speed", 60)
    if chosen == OF_THE_JOB and job is not None and job.vehicle_text:
        profile = tomllib.loads(job.vehicle_text)
    elif chosen and chosen != OF_THE_JOB:
        profile = tomllib.loads(house.vehicles.get(chosen).text)
    else:
        raise VibeorderError("choose the vehicle; one that is not there yet is filled in under Vehicles")
    if not speed:
        raise VibeorderError('say at what speed it shakes, like "60 mph" or "55-65 mph"')
    parse_speed_given(speed)
    car, gear = parse_vehicle(profile, "vehicle"), typed_gear(form)
    if gear is not None and car.gears:
        gear_ratio(car, gear)
    return {
        "vehicle": profile,
        "speed": speed,
        "gear": gear,
        "low_range": bool(form.get("low_range")),
        "complaint": " ".join(form_text(form, "complaint", LONGEST_COMPLAINT).split()),
        "job": "" if job is None else str(job.number),
    }


def _form(
    request: Request, typed: Mapping[str, str], job: Job | None, error: str = "", status: int = 200
) -> Response:
    return render(
        request, "plan.html", status, typed=typed, job=job, error=error, vehicles=house_of(request).vehicles.all(),
        of_the_job=OF_THE_JOB,
    )  # fmt: skip


ROUTES = [
    Route("/plan", form),
    Route("/plan", planned, methods=["POST"]),
    Route("/plan/{name}", card),
]
