"""Jobs: the list, one job's story from complaint to verified repair, before and after, and what can be carried away."""

import io
import os
import shutil
import zipfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from vibeorder.casebook import Job, as_files, as_json, checks_of, intake_of, open_casebook
from vibeorder.diagnosis.compare_asked import order_asked
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import Vehicle, parse_vehicle
from vibeorder.vehicle.trade import CAUTIONS
from vibeorder.web.bench_steps import ABOUT
from vibeorder.web.draw.plot import levels_svg
from vibeorder.web.house import House, house_of
from vibeorder.web.intake_form import checks_view
from vibeorder.web.job_story import Recorded, local_time, recordings_of, story_of
from vibeorder.web.jobs_common import job_of, now
from vibeorder.web.next_step import next_step
from vibeorder.web.pages_common import for_page, form_text, made_or_waiting, owner_of, render, sentence_of
from vibeorder.web.queue import KEPT_FILE, REQUEST_FILE
from vibeorder.web.store import NotThereError
from vibeorder.web.tasks.compare import COMPARISON_FILE

__all__ = ["ROUTES"]

LONGEST_WORDS = 1000
NOTES = {"decision": "decision", "cure": "cure", "close": "closed", "reopen": "reopened"}
"""Button -> kind of entry."""
SILENT = ("closed", "reopened")
"""Kinds that need no words."""


def listed(request: Request) -> Response:
    """All jobs, newest first; ?q= searches, ?state= is open or closed."""
    return _list(request)


def one(request: Request) -> Response:
    """A job's story."""
    return _story(request, _job(request))


async def noted(request: Request) -> Response:
    """Put a decision, the cure, or its end on record."""
    form = await request.form()
    return await run_in_threadpool(_note, request, form)


async def compared(request: Request) -> Response:
    """Send two recordings of the job to be compared."""
    form = await request.form()
    return await run_in_threadpool(_compare, request, form)


def comparison(request: Request) -> Response:
    """What a comparison came to."""
    house, name = house_of(request), request.path_params["name"]
    content = made_or_waiting(house, name, COMPARISON_FILE, "there is no comparison in this result")
    if isinstance(content, Response):
        return content
    arguments = _arguments(house, name)
    kept = house.store.read_json(name, KEPT_FILE)
    return render(
        request, "comparison.html", sentence=for_page(content["result"]["sentence"]),
        warnings=[for_page(one) for one in content["result"]["warnings"]], numbers=content["numbers"],
        picture=levels_svg(content["result"], content["speed_unit"]), arguments=arguments,
        trouble=kept.get("error", "") if isinstance(kept, dict) else "",
    )  # fmt: skip


def exported(request: Request) -> Response:
    """The job as one JSON file, or as a zip of JSON and files."""
    job, kind = _job(request), request.path_params["kind"]
    with open_casebook(house_of(request).casebook) as book:
        files = book.kept_files(job)
    if kind == "json":
        content, media = as_json(job, files).encode(), "application/json"
    elif kind == "zip":
        content, media = _zipped(as_files(job, files)), "application/zip"
    else:
        raise NotThereError("a job can be carried away as JSON or as a zip")
    disposition = f'attachment; filename="job-{job.number}.{kind}"'
    return Response(content, media_type=media, headers={"Content-Disposition": disposition})


def _job(request: Request) -> Job:
    job = job_of(house_of(request).casebook, str(request.path_params["number"]))
    assert job is not None  # the address has a number
    return job


def _list(request: Request) -> Response:
    house = house_of(request)
    words = request.query_params.get("q", "")[:200]
    state = request.query_params.get("state", "")
    jobs = []
    if house.casebook.exists():
        with open_casebook(house.casebook) as book:
            jobs = [line for line in book.jobs() if _found(line, words)]
    jobs = [line for line in jobs if state not in ("open", "closed") or line.closed == (state == "closed")]
    return render(
        request, "jobs.html", jobs=[(line, local_time(line.opened_at)) for line in jobs], words=words, state=state,
    )  # fmt: skip


def _found(line: Any, words: str) -> bool:
    said = f"{line.number} {line.complaint} {line.vehicle_name}".casefold()
    return all(word in said for word in words.casefold().split())


def _story(
    request: Request, job: Job, trouble: Mapping[str, str] | None = None, typed: Mapping[str, str] | None = None
) -> Response:  # fmt: skip
    house = house_of(request)
    recordings = recordings_of(job, house.store)
    before = [r for r in recordings if r.role != "after"]
    after = [r for r in recordings if r.role == "after"]
    return render(
        request, "job.html", 422 if trouble else 200, job=job, opened=local_time(job.opened_at),
        story=story_of(job, house.store), step=next_step(job), recordings=recordings,
        first=before[-1].key if before else "", second=after[-1].key if after else "",
        suspects=_suspects(before), free=checks_view(checks_of(job)),
        asked=bool(intake_of(job)), sheets=ABOUT, cautions=CAUTIONS[1:], trouble=trouble or {}, typed=typed or {},
    )  # fmt: skip


def _suspects(recordings: list[Recorded]) -> list[tuple[str, str]]:
    """Every suspect of the drives before, each once."""
    return list(dict.fromkeys(pair for recording in reversed(recordings) for pair in recording.suspects))


def _note(request: Request, form: FormData) -> Response:
    job, house = _job(request), house_of(request)
    do = str(form.get("do", ""))
    try:
        kind = NOTES.get(do)
        if kind is None:
            raise VibeorderError("choose what this is: a decision, the cure, or the end of the job")
        text = form_text(form, "text", LONGEST_WORDS)
        if not text and kind not in SILENT:
            raise VibeorderError(f"say in a few words what the {kind} is")
        if job.closed and kind != "reopened":
            raise VibeorderError(f"job {job.number} is closed; open it again first")
        with open_casebook(house.casebook) as book:
            book.add(job.number, kind, {"text": text}, now())
    except VibeorderError as error:
        return _story(request, job, {"text": sentence_of(error)}, {"text": str(form.get("text", ""))})
    return RedirectResponse(f"/jobs/{job.number}#last", 303)


def _compare(request: Request, form: FormData) -> Response:
    job, house = _job(request), house_of(request)
    typed = {name: str(form.get(name, ""))[:100] for name in ("before", "after", "suspect")}
    try:
        if job.closed:
            raise VibeorderError(f"job {job.number} is closed; open it again first")
        here = {one.key: one for one in recordings_of(job, house.store)}
        if typed["before"] not in here or typed["after"] not in here:
            raise VibeorderError("choose one recording from before the repair and one from after it")
        if typed["before"] == typed["after"]:
            raise VibeorderError("this is the same recording twice; choose one of each drive")
        part, _, number = typed["suspect"].partition("@")
        order = order_asked(float(number)) if number else None
        name = house.store.new()
        with house.store.held(name):
            arguments = _drives(house, typed["before"], typed["after"], name)
            arguments |= {"job": job.number, "part": part, "order": order}
            house.queue.submit("compare", arguments, name, owner_of(request))
    except ValueError:
        return _story(request, job, {"compare": "Choose the part from the list."}, typed)
    except VibeorderError as error:
        return _story(request, job, {"compare": sentence_of(error)}, typed)
    return RedirectResponse(f"/working/{name}", 303)


def _drives(house: House, before: str, after: str, name: str) -> dict[str, Any]:
    """Both drives as they were uploaded, with their files brought along into the folder of the task."""
    target = house.store.path(name)
    found: dict[str, Any] = {}
    told: list[dict[str, Any]] = []
    for role, key in (("before", before), ("after", after)):
        source, _, number = key.partition("/")
        asked = _arguments(house, source)
        listed = asked.get("recordings")
        if not isinstance(listed, list) or not 0 < int(number) <= len(listed):
            raise NotThereError("a recording is not on this machine any more; send it again")
        one = {
            field: asked.get(field)
            for field in ("speed", "speed_unit", "gear", "low_range", "options", "log_late")
        }
        folder = house.store.path(source)
        one |= _brought(folder, target, role, listed[int(number) - 1])
        if asked.get("speed_log"):
            one["speed_log"] = _brought(folder, target, f"{role}-log", asked["speed_log"])
        found[role] = one
        told.append(asked)
    _check_alike(*told)
    first, limits = told[0], house.settings.limits
    found |= {name: first[name] for name in ("vehicle", "intake", "count_words") if name in first}
    return {**found, "decoded_s": limits.decoded_s, "unpacked_bytes": limits.unpacked_bytes}


def _check_alike(before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    """Refuse drives of two vehicles, or in two ranges: one profile and one range serve both. Raises VibeorderError."""
    first, second = (_turning(one["vehicle"]) for one in (before, after))
    if replace(first, name="") != replace(second, name=""):
        which = f"two different profiles of {first.name}" if first.name == second.name else (
            f"two different vehicles, {first.name} and {second.name}"
        )  # fmt: skip
        raise VibeorderError(
            f"the recordings were sent with {which}; send one of them again with the vehicle that both are of"
        )
    if bool(before.get("low_range")) != bool(after.get("low_range")):
        raise VibeorderError(
            "one of the recordings was sent as driven in low range and the other was not; drive both times in one "
            "range, or send the wrong one again"
        )


def _turning(profile: dict[str, Any]) -> Vehicle:
    """The vehicle without what decides no rotation rate."""
    return replace(parse_vehicle(profile, "vehicle"), limits=(), source="", notes=())


def _brought(folder: Path, target: Path, role: str, one: Mapping[str, str]) -> dict[str, str]:
    """A stored file linked into another folder of the store."""
    source, copy = folder / one["file"], target / f"{role}-{one['file']}"
    try:
        os.link(source, copy)
    except OSError:
        try:
            shutil.copyfile(source, copy)
        except OSError:
            raise NotThereError(f"{one['name']} is not on this machine any more; send it again") from None
    return {"file": copy.name, "name": one["name"]}


def _arguments(house: House, name: str) -> dict[str, Any]:
    asked = house.store.read_json(name, REQUEST_FILE)
    arguments = asked.get("arguments") if isinstance(asked, dict) else None
    return arguments if isinstance(arguments, dict) else {}


def _zipped(files: Mapping[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return buffer.getvalue()


ROUTES = [
    Route("/jobs", listed),
    Route("/jobs/{number:int}", one),
    Route("/jobs/{number:int}/words", noted, methods=["POST"]),
    Route("/jobs/{number:int}/compare", compared, methods=["POST"]),
    Route("/jobs/{number:int}/job.{kind}", exported),
    Route("/comparison/{name}", comparison),
]
