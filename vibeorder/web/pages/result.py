"""What came out of an upload: one page a recording, a summary of several, and what can be carried away."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.errors import VibeorderError
from vibeorder.vehicle import Vehicle, parse_vehicle
from vibeorder.web.draw.ordermap import ordermap_svg
from vibeorder.web.draw.signs import sign_svg
from vibeorder.web.draw.spectrum import spectrum_svg
from vibeorder.web.house import house_of
from vibeorder.web.jobs_kept import KEPT_FILE
from vibeorder.web.pages_common import for_page, render
from vibeorder.web.queue import REQUEST_FILE
from vibeorder.web.store import NotThereError
from vibeorder.web.to_bench import bench_link, steps_for
from vibeorder.web.vehicle_form import plain_words
from vibeorder.web.view import MAP_DAY, MAP_NIGHT, SPECTRUM_CSV, SUSPECTS_CSV, VIEW_FILE

__all__ = ["FILES", "ROUTES"]

SETTLED = 0.5
"""Probability from which a suspect's measuring sheet is offered as what to check first, as in diagnosis/advice.py."""

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
    """The result of one recording, or the summary of several."""
    name = request.path_params["name"]
    waiting = _not_yet(request, name)
    if waiting is not None:
        return waiting
    told = _told(request, name)
    if len(told) == 1:
        return _page(request, name, 1, told)
    cards = [_card(request, name, entry) for entry in told]
    return render(request, "results.html", name=name, cards=cards, asked=_asked(request, name))


async def one_of_several(request: Request) -> Response:
    """The result of one recording of an upload."""
    name, number = request.path_params["name"], request.path_params["number"]
    waiting = _not_yet(request, name)
    if waiting is not None:
        return waiting
    return _page(request, name, number, _told(request, name))


async def carried(request: Request) -> Response:
    """A file to keep: the sheet, JSON, CSV; or a picture of the page."""
    name, number = request.path_params["name"], request.path_params.get("number", 1)
    wanted = request.path_params["file"]
    if wanted not in FILES:
        raise HTTPException(404)
    file, kind = FILES[wanted]
    path = _inside(house_of(request).store.path(name), f"{number}/{file}")
    if kind == "image/png":
        return FileResponse(path, media_type=kind, headers={"Cache-Control": "private, max-age=86400"})
    saved = f"{_stem(_view(request, name, number)['source'])}-{wanted}"
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
    if house.store.read_json(name, "summary.json") is not None:
        return None
    state = house.queue.state(name)
    if state.state == "failed":
        raise VibeorderError(state.error)
    if state.state == "done":
        raise NotThereError("there is no diagnosis in this result")
    return RedirectResponse(f"/working/{name}", 303)


def _told(request: Request, name: str) -> list[dict[str, Any]]:
    summary = house_of(request).store.read_json(name, "summary.json")
    return list(summary["recordings"])


def _card(request: Request, name: str, entry: Mapping[str, Any]) -> dict[str, Any]:
    """One recording in the summary."""
    number = entry["number"]
    view = {} if "error" in entry else _view(request, name, number)
    return {**entry, "view": view, "href": f"/result/{name}/{number}"}


def _page(request: Request, name: str, number: int, told: list[dict[str, Any]]) -> Response:
    entry = next((one for one in told if one["number"] == number), None)
    if entry is None:
        raise NotThereError(f"this upload has no recording number {number}")
    if "error" in entry:
        raise VibeorderError(str(entry["error"]))
    view = _view(request, name, number)
    where = f"/result/{name}/{number}"
    picture = view["picture"]
    maps = [
        ordermap_svg(picture, f"{where}/{MAP_DAY}", f"{where}/{MAP_NIGHT}", wide=wide)
        for wide in (True, False)
    ]
    _add_steps(view, name, number, _vehicle(request, name))
    return render(
        request,
        "result.html",
        name=name,
        number=number,
        where=where,
        view=view,
        told=told,
        first=_first_check(view),
        spectra=[spectrum_svg(picture, wide=wide) for wide in (True, False)],
        maps=maps,
        legend=_legend(picture),
        asked=_asked(request, name),
        kept=_kept(request, name),
        saved=_stem(view["source"]),
    )


def _view(request: Request, name: str, number: int) -> dict[str, Any]:
    view = house_of(request).store.read_json(name, f"{number}/{VIEW_FILE}")
    if not isinstance(view, dict):
        raise NotThereError("this result is not there any more; send the recording again")
    for told in ("history", "notes", "speed"):
        view[told] = [for_page(plain_words(sentence)) for sentence in view[told]]
    return view


def _add_steps(view: dict[str, Any], name: str, number: int, vehicle: Vehicle | None) -> None:
    """The measuring sheets of each suspect, as buttons."""
    for row in view["rows"]:
        for one in row["members"]:
            one["steps"] = [
                {
                    "words": step.words,
                    "sheet": step.sheet,
                    "href": bench_link(step, one["part"], one["order"], name, number, vehicle),
                }
                for step in steps_for(one["part"], one["order"])
            ]


def _first_check(view: Mapping[str, Any]) -> dict[str, Any]:
    """What to check first: the suspect it is for, and its sheets where they are warranted already."""
    leading = view["rows"][0]
    if not leading["members"]:
        return {"one": None, "steps": [], "sure": False}
    one = next((one for one in leading["members"] if one["steps"]), leading["members"][0])
    steps = one["steps"]
    sure = leading["probability"] >= SETTLED
    if not sure or not steps or (steps[0]["sheet"] == "runout" and not view["runout"]["warranted"]):
        steps = []
    return {"one": one, "steps": steps, "sure": sure}


def _legend(picture: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every letter and number of the pictures with its sign and sentence."""
    lines = [
        {"letter": one["letter"], "sign": sign_svg(one["part"], filled=one["seen"]), "text": one["text"]}
        for one in picture["marks"]
    ]
    known = {one["letter"] for one in lines}
    lines += [
        {
            "letter": one["letter"],
            "sign": sign_svg(one["part"]),
            "text": f"{one['name']}: its rate, in the map only.",
        }
        for one in picture["map"]["tracks"]
        if one["letter"] not in known and any(hz is not None and hz <= picture["top_hz"] for hz in one["hz"])
    ]
    lines += [{"letter": str(one["number"]), "sign": "", "text": one["text"]} for one in picture["others"]]
    return lines


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
