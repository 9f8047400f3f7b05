"""What came out of an upload: all its recordings as one, one page a recording, and what can be carried away."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.casebook import checks_of
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import Vehicle, parse_vehicle
from vibeorder.web.house import house_of
from vibeorder.web.intake_form import checks_view, open_checks
from vibeorder.web.jobs_common import job_of
from vibeorder.web.pages.intake import CHECKS_FILE
from vibeorder.web.pages_common import for_page, render
from vibeorder.web.queue import KEPT_FILE, REQUEST_FILE
from vibeorder.web.result_parts import add_steps, drawn, first_check
from vibeorder.web.store import NotThereError
from vibeorder.web.tasks.diagnose import SUMMARY_FILE, TOGETHER
from vibeorder.web.vehicle_form import plain_words
from vibeorder.web.view import MAP_DAY, MAP_NIGHT, SPECTRUM_CSV, SUSPECTS_CSV, VIEW_FILE

__all__ = ["FILES", "ROUTES"]

FILES = {
    "sheet.html": ("sheet.html", "text/html; charset=utf-8"),
    "result.json": ("diagnosis.json", "application/json"),
    "suspects.csv": (SUSPECTS_CSV, "text/csv; charset=utf-8"),
    "spectrum.csv": (SPECTRUM_CSV, "text/csv; charset=utf-8"),
    MAP_DAY: (MAP_DAY, "image/png"),
    MAP_NIGHT: (MAP_NIGHT, "image/png"),
}
"""What can be fetched: last part of the address -> file in the recording's folder, its type."""

SHEET_POLICY = "sandbox; default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'"
"""The sheet carries its own style. It is shown in a sandbox: no script of it could run, no form be sent."""


async def result(request: Request) -> Response:
    """The result: of one recording, or of several judged as one, each with its own figures below."""
    name = request.path_params["name"]
    waiting = _not_yet(request, name)
    if waiting is not None:
        return waiting
    return _page(request, name, _leading(_summary(request, name)))


async def one_of_several(request: Request) -> Response:
    """The result of one recording of an upload, judged by itself."""
    name, number = request.path_params["name"], request.path_params["number"]
    waiting = _not_yet(request, name)
    if waiting is not None:
        return waiting
    return _page(request, name, number)


async def carried(request: Request) -> Response:
    """A file to keep: the sheet, JSON, CSV; or a picture of the page."""
    name, wanted = request.path_params["name"], request.path_params["file"]
    if wanted not in FILES:
        raise HTTPException(404)
    number = request.path_params.get("number", -1)
    if number < 0:
        number = _leading(_summary(request, name))
    file, kind = FILES[wanted]
    path = _inside(house_of(request).store.path(name), f"{number}/{file}")
    if kind == "image/png":
        return FileResponse(path, media_type=kind, headers={"Cache-Control": "private, max-age=86400"})
    saved = f"{_stem(_view(request, name, number)['source'])}{'' if number else '-and-others'}-{wanted}"
    shown = wanted == "sheet.html" and "save" not in request.query_params
    answer = FileResponse(
        path, media_type=kind, filename=saved, content_disposition_type="inline" if shown else "attachment"
    )
    if wanted == "sheet.html":
        answer.headers["Content-Security-Policy"] = SHEET_POLICY
    return answer


def _not_yet(request: Request, name: str) -> Response | None:
    """Where to go instead while the task works; the reason where it failed."""
    house = house_of(request)
    house.store.path(name)
    if house.store.read_json(name, SUMMARY_FILE) is not None:
        return None
    state = house.queue.state(name)
    if state.state == "failed":
        raise VibeorderError(state.error)
    if state.state == "done":
        raise NotThereError("there is no diagnosis in this result")
    return RedirectResponse(f"/working/{name}", 303)


def _summary(request: Request, name: str) -> dict[str, Any]:
    summary = house_of(request).store.read_json(name, SUMMARY_FILE)
    if not isinstance(summary, dict):
        raise NotThereError("there is no diagnosis in this result")
    return summary


def _leading(summary: Mapping[str, Any]) -> int:
    """What a result's own address shows: all recordings as one where they are several, else the one that was judged."""
    if summary.get("together"):
        return TOGETHER
    return next((int(one["number"]) for one in summary["recordings"] if "error" not in one), 1)


def _page(request: Request, name: str, number: int) -> Response:
    summary = _summary(request, name)
    entries = {int(one["number"]): one for one in summary["recordings"]}
    together = number == TOGETHER and bool(summary.get("together"))
    if not together and number not in entries:
        raise NotThereError(f"this upload has no recording number {number}")
    if not together and "error" in entries[number]:
        raise VibeorderError(str(entries[number]["error"]))
    view, kept = _view(request, name, number), _kept(request, name)
    where = f"/result/{name}/{number}"
    add_steps(view, name, number, _vehicle(request, name))
    return render(
        request,
        "result.html",
        name=name,
        number=number,
        where=where,
        view=view,
        told=summary["recordings"],
        together=bool(summary.get("together")),
        each=_each(request, name, entries) if together else [],
        first=first_check(view),
        pictures=drawn(view, where),
        asked=_asked(request, name),
        kept=kept,
        back=request.url.path,
        checks=_free_checks(request, name, kept),
        saved=_stem(view["source"]) + ("-and-others" if together else ""),
    )


def _free_checks(request: Request, name: str, kept: Mapping[str, Any]) -> dict[str, Any]:
    """How what costs nothing stands, in the job or beside the result, and where its form is sent ('': nowhere)."""
    house = house_of(request)
    state = house.store.read_json(name, CHECKS_FILE)
    action = f"/result/{name}/checks"
    if kept.get("job"):
        try:
            job = job_of(house.casebook, str(kept["job"]))
        except VibeorderError:
            job = None
        state = checks_of(job) if job is not None else {}
        action = f"/jobs/{kept['job']}/checks" if job is not None and not job.closed else ""
    free = checks_view(state if isinstance(state, dict) else {})
    return {"free": free, "free_open": open_checks(free), "free_action": action}


def _each(request: Request, name: str, entries: Mapping[int, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Every recording of a joint result: its view and its pictures, or why it could not be judged."""
    found = []
    for number, entry in entries.items():
        one: dict[str, Any] = dict(entry)
        if "error" not in entry:
            where = f"/result/{name}/{number}"
            one["view"] = _view(request, name, number)
            one |= {"where": where, "pictures": drawn(one["view"], where, f"-{number}")}
        found.append(one)
    return found


def _view(request: Request, name: str, number: int) -> dict[str, Any]:
    view = house_of(request).store.read_json(name, f"{number}/{VIEW_FILE}")
    if not isinstance(view, dict):
        raise NotThereError("this result is not there any more; send the recording again")
    for told in ("history", "notes", "speed"):
        view[told] = [for_page(plain_words(sentence)) for sentence in view[told]]
    return view


def _asked(request: Request, name: str) -> dict[str, Any]:
    """What was said at the upload."""
    asked = house_of(request).store.read_json(name, REQUEST_FILE)
    arguments = asked.get("arguments") if isinstance(asked, dict) else None
    return arguments if isinstance(arguments, dict) else {}


def _kept(request: Request, name: str) -> dict[str, Any]:
    """{"job": N} where it is in a job, {"error": why} where it should be and is not, else empty."""
    kept = house_of(request).store.read_json(name, KEPT_FILE)
    return kept if isinstance(kept, dict) else {}


def _vehicle(request: Request, name: str) -> Vehicle | None:
    sections = _asked(request, name).get("vehicle")
    try:
        return parse_vehicle(sections, "vehicle") if isinstance(sections, dict) else None
    except VibeorderError:
        return None


def _inside(folder: Path, file: str) -> Path:
    """A file that lies in `folder` itself, whatever its writer may have linked there."""
    path = folder / file
    if not path.is_file() or not path.resolve().is_relative_to(folder.resolve()):
        raise NotThereError("this file is not there; it may have been thrown away with an old result")
    return path


def _stem(source: str) -> str:
    """A recording's name as a file name anywhere: plain letters, digits, dots and dashes."""
    stem = source.replace("\\", "/").rpartition("/")[2]
    stem = stem.rpartition(".")[0] or stem
    return re.sub(r"[^A-Za-z0-9.-]+", "-", stem).strip("-.")[:60] or "recording"


ROUTES = [
    Route("/result/{name}", result),
    Route("/result/{name}/{number:int}", one_of_several),
    Route("/result/{name}/{number:int}/{file}", carried),
    Route("/result/{name}/{file}", carried),
]
