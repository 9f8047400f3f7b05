"""The classroom: set up a lesson or a round, look at a lesson, fetch what belongs to either."""

import re

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.classroom import choices_of
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import Vehicle
from vibeorder.web.classroom_form import (
    ANY,
    CHOICES,
    lesson_arguments,
    offered,
    round_arguments,
    vehicle_of,
)
from vibeorder.web.house import house_of
from vibeorder.web.pages import classroom_round
from vibeorder.web.pages.classroom_common import classes_of, lesson_figures, question_of, set_token
from vibeorder.web.pages_common import owner_of, render, sentence_of
from vibeorder.web.queue import BusyError
from vibeorder.web.store import NotThereError
from vibeorder.web.tasks.lesson import LESSON_FILE
from vibeorder.web.view import MAP_DAY, MAP_NIGHT

__all__ = ["ROUTES"]

OPEN_FILES = {
    "recording.csv": "text/csv; charset=utf-8",
    "shake.wav": "audio/wav",
    MAP_DAY: "image/png",
    MAP_NIGHT: "image/png",
}
"""What of a question anybody in the class may fetch."""
LINE_SOUND = re.compile(r"line-\d{2}\.wav")
REVEALED_SOUND = "truth.wav"
LOW, HIGH = "45 mph", "60 mph"


async def setup(request: Request) -> Response:
    """Both forms; ?vehicle= says whose parts and gears the lesson's offers."""
    return _setup(request, {"vehicle": request.query_params.get("vehicle", "")[:40]})


async def make_lesson(request: Request) -> Response:
    """Put a lesson into the queue."""
    form = await request.form()
    house = house_of(request)
    try:
        arguments = lesson_arguments(form, house.vehicles)
        name = house.queue.submit("lesson", arguments, owner=owner_of(request))
    except VibeorderError as error:
        typed = {key: str(value) for key, value in form.items()}
        return _setup(request, typed, error=error)
    return RedirectResponse(f"/working/{name}", 303)


async def make_round(request: Request) -> Response:
    """Open a class and put its round into the queue; the cookie makes this browser the trainer's."""
    form = await request.form()
    house = house_of(request)
    name = ""
    try:
        arguments = round_arguments(form, house.vehicles)
        name = house.store.new()
        with house.store.held(name):
            token = classes_of(request).open(name, arguments["questions"])
            house.queue.submit("lesson", arguments, name, owner_of(request))
    except VibeorderError as error:
        house.store.drop(name)
        return _setup(request, {}, round_typed={k: str(v) for k, v in form.items()}, error=error)
    answer = RedirectResponse(f"/working/{name}", 303)
    set_token(request, answer, "trainer", name, token)
    return answer


async def shown(request: Request) -> Response:
    """A lesson, or a round as its trainer, its student or a stranger may see it."""
    name = request.path_params["name"]
    house = house_of(request)
    lesson = house.store.read_json(name, LESSON_FILE)
    if not isinstance(lesson, dict):
        state = house.queue.state(name)
        if state.state == "failed":
            raise VibeorderError(state.error)
        if state.state == "done":
            raise NotThereError("there is no lesson here; it may have been thrown away as an old one")
        return RedirectResponse(f"/working/{name}", 303)
    if lesson["kind"] == "round":
        return classroom_round.shown(request, name)
    question = question_of(request, name, 1)
    figures = lesson_figures(question, question["tracks"], f"/classroom/{name}/1")
    return render(
        request, "lesson.html", name=name, number=1, where=f"/classroom/{name}/1", question=question,
        tracks=question["tracks"], figures=figures, sounds=True,
    )  # fmt: skip


async def carried(request: Request) -> Response:
    """Recording, map or sound; of a riddle only those of questions already asked, the truth's after its reveal."""
    name, number, wanted = (request.path_params[key] for key in ("name", "number", "file"))
    kept = classes_of(request).get(name)
    kind = OPEN_FILES.get(wanted)
    if kept is None and LINE_SOUND.fullmatch(wanted):
        kind = "audio/wav"
    if kept is not None:
        if wanted == REVEALED_SOUND and number in kept.school.revealed:
            kind = "audio/wav"
        if number > kept.school.current:
            kind = None
    path = house_of(request).store.path(name) / str(number) / wanted
    if kind is None or path.is_symlink() or not path.is_file():
        raise HTTPException(404)
    if wanted.endswith(".csv"):
        return FileResponse(path, media_type=kind, filename=f"recording-{number}.csv")
    return FileResponse(path, media_type=kind, headers={"Cache-Control": "private, max-age=3600"})


def _setup(
    request: Request, typed: dict[str, str], round_typed: dict[str, str] | None = None,
    error: VibeorderError | None = None,
) -> Response:  # fmt: skip
    """The page with both forms and what was typed into one of them."""
    vehicles = house_of(request).vehicles
    key = typed.get("vehicle", "")
    try:
        _, vehicle = vehicle_of(vehicles, key)
    except VibeorderError as trouble:
        error, key = error or trouble, ""
        _, vehicle = vehicle_of(vehicles, key)
    vehicles_offered = offered(vehicles)
    status = 200 if error is None else 503 if isinstance(error, BusyError) else 422
    gears = list(enumerate(vehicle.gears, 1)) if vehicle.engine_per_wheel is not None else []
    return render(
        request, "classroom.html", status, error=sentence_of(error) if error else "",
        wrong="round" if round_typed is not None else "lesson", typed=_filled(typed, vehicle),
        round_typed={"vehicle": ANY, "questions": "5", "level": "usual", "unit": "mph", **(round_typed or {})},
        vehicles=vehicles_offered, chosen=key or vehicles_offered[0][0], vehicle=vehicle,
        sources=choices_of(vehicle), gears=gears, any=ANY, **CHOICES,
    )  # fmt: skip


def _filled(typed: dict[str, str], vehicle: Vehicle) -> dict[str, str]:
    """What stands in the lesson's fields: as typed, else a drive that this vehicle can do."""
    straight = next((i for i, ratio in enumerate(vehicle.gears, 1) if ratio <= 1.0), 1)
    last = len(vehicle.gears)
    return {
        "low": LOW, "high": HIGH, "kind": "shift" if last > straight else "sweep", "gear": str(straight),
        "next_gear": str(min(straight + 1, last)), "fault": "", "strength": "clear", "road": "smooth",
        "duration": "30", "rate": "400", **typed,
    }  # fmt: skip


ROUTES = [
    Route("/classroom", setup),
    Route("/classroom/lesson", make_lesson, methods=["POST"]),
    Route("/classroom/round", make_round, methods=["POST"]),
    *classroom_round.ROUTES,
    Route("/classroom/{name}", shown),
    Route("/classroom/{name}/{number:int}/{file}", carried),
]
