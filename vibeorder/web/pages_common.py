"""What every page uses: templates filled in, form fields taken, one sentence for what went wrong."""

import re
from functools import cache
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData, QueryParams
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.templating import Jinja2Templates

from vibeorder.errors import VibeorderError
from vibeorder.web.house import House
from vibeorder.web.store import NotThereError

__all__ = [
    "LONGEST_COMPLAINT",
    "NAVIGATION",
    "TEMPLATES",
    "for_page",
    "form_text",
    "made_or_waiting",
    "owner_of",
    "problem",
    "render",
    "sentence_of",
    "wants_json",
]

TEMPLATES = Path(__file__).parent / "templates"
NAVIGATION = (
    ("/", "Road test"),
    ("/record", "Record"),
    ("/vehicles", "Vehicles"),
    ("/bench", "Bench"),
    ("/jobs", "Jobs"),
    ("/classroom", "Classroom"),
)
LONGEST_FIELD, LONGEST_COMPLAINT = 2000, 1000
_OPTION = re.compile(r"--[a-z][a-z-]*")
_FIELD_OF = {
    option: f"the field “{label}”"
    for option, label in {
        "--axes": "Acceleration columns",
        "--unit": "Unit of the acceleration",
        "--time-column": "Time column",
        "--rate": "Samples per second",
        "--speed-column": "Speed column",
        "--speed-unit": "Unit of the speed column",
        "--rpm-column": "Engine speed column",
        "--speed": "Speed on the dash",
        "--speed-log": "Speed log",
        "--log-late": "How late the speed log runs",
        "--gear": "Gear",
        "--vehicle": "Vehicle",
    }.items()
}


def made_or_waiting(house: House, name: str, file: str, missing: str) -> dict[str, Any] | Response:
    """What a task wrote into `file`, or the way back to waiting for it. Raises NotThereError, saying `missing`."""
    content = house.store.read_json(name, file)
    if isinstance(content, dict):
        return content
    state = house.queue.state(name)
    if state.state in ("waiting", "working"):
        return RedirectResponse(f"/working/{name}", 303)
    raise NotThereError(state.error or missing)


def owner_of(request: Request) -> str:
    """Whose turn it is in the queue: a machine of the network, or a browser of this one."""
    return str(request.state.session) if request.state.local or not request.client else request.client.host


def render(request: Request, name: str, /, status: int = 200, **context: Any) -> Response:
    """A page from a template, with `csrf_token`, `navigation` and `here` (the path) added."""
    state = request.scope.get("state", {})
    guest = bool(state.get("guest"))
    known = {
        "csrf_token": state.get("csrf_token", ""),
        "navigation": () if guest else NAVIGATION,
        "home": "/classroom/join" if guest else "/",
        "here": request.url.path,
        "guest": guest,
        "local": state.get("local", False),
    }
    return _templates().TemplateResponse(request, name, {**known, **context}, status)


def form_text(form: FormData | QueryParams, name: str, limit: int = LONGEST_FIELD) -> str:
    """One text field, stripped; '' where it is missing. Raises VibeorderError where it is longer than `limit`."""
    value = form.get(name, "")
    text = value.replace("\r\n", "\n").strip() if isinstance(value, str) else ""
    if len(text) > limit:
        raise VibeorderError(f"{name.replace('_', ' ')} is longer than {limit} characters; shorten it")
    return text


def sentence_of(error: Exception) -> str:
    """An error's sentence for a page: with a capital, and the page's fields for the command line's options."""
    return for_page(str(error))


def for_page(sentence: str) -> str:
    """A sentence of the library with the names of the page's fields in place of options, and squares written as such.

    >>> for_page("name the columns with --axes")
    'Name the columns with the field “Acceleration columns”'
    """
    said = _OPTION.sub(lambda match: _FIELD_OF.get(match[0], match[0]), " ".join(sentence.split()))
    said = said.replace("m/s^2", "m/s²")
    if "." in said.partition(" ")[0]:  # a file's name stays as its owner writes it
        return said
    return said[:1].upper() + said[1:]


def problem(request: Request, sentence: str, status: int = 422) -> Response:
    """One sentence that says what is wrong: a page, or JSON {"error"} for a script."""
    if wants_json(request):
        return JSONResponse({"error": sentence}, status)
    return render(request, "problem.html", status, sentence=sentence)


def wants_json(request: Request) -> bool:
    """Whether a script asks, not a reader."""
    return request.url.path.startswith("/api/") or "application/json" in request.headers.get("accept", "")


@cache
def _templates() -> Jinja2Templates:
    return Jinja2Templates(directory=TEMPLATES)
