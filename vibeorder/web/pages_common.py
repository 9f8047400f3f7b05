"""What every page uses: templates filled in, form fields taken, one sentence for what went wrong."""

from functools import cache
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData, QueryParams
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.templating import Jinja2Templates

from vibeorder.errors import VibeorderError

__all__ = ["NAVIGATION", "TEMPLATES", "form_text", "problem", "render", "wants_json"]

TEMPLATES = Path(__file__).parent / "templates"
NAVIGATION = (
    ("/", "New recording"),
    ("/vehicles", "Vehicles"),
    ("/bench", "Bench"),
    ("/jobs", "Jobs"),
    ("/classroom", "Classroom"),
)
LONGEST_FIELD = 2000


def render(request: Request, name: str, /, status: int = 200, **context: Any) -> Response:
    """A page from a template, with `csrf_token`, `navigation` and `here` (the path) added."""
    known = {
        "csrf_token": request.scope.get("state", {}).get("csrf_token", ""),
        "navigation": NAVIGATION,
        "here": request.url.path,
        "local": request.scope.get("state", {}).get("local", False),
    }
    return _templates().TemplateResponse(request, name, {**known, **context}, status)


def form_text(form: FormData | QueryParams, name: str, limit: int = LONGEST_FIELD) -> str:
    """One text field, stripped; '' where it is missing. Raises VibeorderError where it is longer than `limit`."""
    value = form.get(name, "")
    text = value.replace("\r\n", "\n").strip() if isinstance(value, str) else ""
    if len(text) > limit:
        raise VibeorderError(f"{name.replace('_', ' ')} is longer than {limit} characters; shorten it")
    return text


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
