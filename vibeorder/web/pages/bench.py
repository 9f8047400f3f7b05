"""The measuring sheets: runout, half-turn, mating, effect, balance, joint angles, shaft.

A sheet is one form. What was typed is answered on the same page by the functions that the command line uses; while
it is typed, a script asks for the picture and the words of the moment, so that no formula is repeated in it.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, QueryParams
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from vibeorder.bench import MATERIALS, PLACES, Answer, Sheet, as_json
from vibeorder.casebook import Job, runout_on_record
from vibeorder.errors import VibeorderError
from vibeorder.units import show_length
from vibeorder.vehicle import Vehicle, order_text, part_text
from vibeorder.web.bench_answers import WHERE_EMPTY, answer_for, pictures_of
from vibeorder.web.bench_cells import COUNTS, UNITS, cell_names, count_of, filled_cells, unit_of
from vibeorder.web.bench_form import MAIN_FIELD, MOST_MOUNTS, MOST_RUNS, SHEETS, FormError, inputs_of
from vibeorder.web.bench_steps import ABOUT, CARRIED, Link, may_be_balanced, next_links, sheet_link
from vibeorder.web.bench_words import plain, sheet_for_page
from vibeorder.web.draw.dial import readings_svg
from vibeorder.web.house import House, house_of
from vibeorder.web.jobs_common import job_of, job_of_result, keep_reading, vehicle_of
from vibeorder.web.jobs_kept import open_jobs
from vibeorder.web.pages_common import for_page, render

__all__ = ["ROUTES"]

MOST_FIELDS, LONGEST = 400, 2000
_NAME = re.compile(r"[a-z][a-z0-9_]{0,30}")
DIRECTIONS = (
    "the way it turns, from the front", "the way it turns, from the rear",
    "against its turning, from the front", "against its turning, from the rear",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Worked:
    """An answer, its words for the page, its pictures, what comes next, and the words that it came from."""

    answer: Answer
    said: Sheet
    inputs: Mapping[str, Any]
    pictures: tuple[str, ...]
    links: tuple[Link, ...]


def index(request: Request) -> Response:
    """All sheets in the order of work."""
    typed = _typed(request.query_params)
    sheets = [(slug, about, sheet_link(slug, typed)) for slug, about in ABOUT.items()]
    return render(request, "bench.html", sheets=sheets)


def empty(request: Request) -> Response:
    """A sheet, filled in as far as its address says."""
    sheet, house = _sheet(request), house_of(request)
    typed = _typed(request.query_params)
    if not typed.get("job") and typed.get("from"):
        number = job_of_result(house.store, typed["from"])
        if number in [str(job.number) for job in open_jobs(house.casebook)]:
            typed["job"] = number
    typed.setdefault("unit", _unit_of_limit(typed))
    trouble = {}
    if sheet == "balance" and typed.get("order") not in (None, "", "1"):
        trouble = _in_order(typed, None)
    return _page(request, sheet, typed, trouble)


async def answered(request: Request) -> Response:
    """The answer to what was typed, kept in the job where that was asked for."""
    sheet, house = _sheet(request), house_of(request)
    return await run_in_threadpool(_answer, request, sheet, house, _typed(await request.form()))


def _answer(request: Request, sheet: str, house: House, typed: dict[str, str]) -> Response:
    if typed.get("do") == "places":
        return _page(request, sheet, _moved_cells(typed), {})
    try:
        job, vehicle = _job_and_vehicle(house, typed)
        worked = _work(sheet, typed, job, vehicle)
        kept = _keep(house, job, worked, typed) if typed.get("do") == "keep" else ""
    except VibeorderError as error:
        return _page(request, sheet, typed, _by_field(sheet, error), status=422)
    return _page(request, sheet, typed, {}, worked, kept)


async def live(request: Request) -> Response:
    """{"pictures", "sentence", "numbers", "notes", "trouble"} of what is typed so far; nothing is kept."""
    sheet, house = _sheet(request), house_of(request)
    return await run_in_threadpool(_answer_so_far, sheet, house, _typed(await request.form()))


def _answer_so_far(sheet: str, house: House, typed: Mapping[str, str]) -> Response:
    try:
        worked = _work(sheet, typed, *_job_and_vehicle(house, typed))
    except VibeorderError as error:
        pictures = [_picture_so_far(typed)] if sheet == "runout" else []
        return JSONResponse({"pictures": pictures, "trouble": _by_field(sheet, error)})
    said = worked.said
    return JSONResponse(
        {
            "pictures": worked.pictures, "sentence": said.sentence, "numbers": said.numbers, "notes": said.notes,
            "trouble": {},
        }
    )  # fmt: skip


def _sheet(request: Request) -> str:
    sheet = str(request.path_params["sheet"])
    if sheet not in SHEETS:
        raise HTTPException(404)
    return sheet


def _typed(form: FormData | QueryParams) -> dict[str, str]:
    """Every field as text."""
    found: dict[str, str] = {}
    for name, value in form.items():
        if isinstance(value, str) and _NAME.fullmatch(name) and len(found) < MOST_FIELDS:
            found[name] = value.replace("\r\n", "\n").strip()[:LONGEST]
    return found


def _job_and_vehicle(house: House, typed: Mapping[str, str]) -> tuple[Job | None, Vehicle | None]:
    """The job, and the vehicle that was chosen, else the job's."""
    try:
        job = job_of(house.casebook, typed.get("job", ""))
    except VibeorderError as error:
        raise FormError({"job": str(error)}) from error
    if not typed.get("vehicle"):
        return job, vehicle_of(job)
    try:
        return job, house.vehicles.get(typed["vehicle"]).vehicle
    except VibeorderError as error:
        raise FormError({"vehicle": str(error)}) from error


def _work(sheet: str, typed: Mapping[str, str], job: Job | None, vehicle: Vehicle | None) -> Worked:
    """Form to answer. Raises VibeorderError."""
    inputs = inputs_of(sheet, typed)
    if sheet == "balance":
        trouble = _in_order(typed, job)
        if trouble:
            raise FormError(trouble)
        inputs["runout_checked"] = True
    answer = answer_for(SHEETS[sheet], inputs, vehicle)
    links = next_links(sheet, answer, inputs, typed, job)
    return Worked(answer, sheet_for_page(answer.sheet, inputs), inputs, pictures_of(answer, inputs), links)


def _in_order(typed: Mapping[str, str], job: Job | None) -> dict[str, str]:
    """Why a balance would be out of turn, by the field that says so."""
    try:
        order = float(typed.get("order") or "1")
    except ValueError:
        return {"order": f"the order {typed['order']!r} is not a number"}
    field, why = may_be_balanced(order, bool(typed.get("runout_checked")), job)
    return {field: why} if why else {}


def _keep(house: House, job: Job | None, worked: Worked, typed: Mapping[str, str]) -> str:
    """Put the answer into the job, and say so."""
    if job is None:
        raise FormError({"job": "choose the job to keep it in, or open one on the sheet Jobs"})
    about = {name: typed[name] for name in ("part", "order") if typed.get(name) and name not in worked.inputs}
    content = as_json(worked.answer.command, worked.answer.result, worked.answer.sheet)
    new = keep_reading(house.casebook, job, content, {**about, **worked.inputs})
    return f"Kept in job {job.number}." if new else f"This is in job {job.number} already."


def _by_field(sheet: str, error: VibeorderError) -> dict[str, str]:
    """Sentences by the field they belong to."""
    fields = error.fields if isinstance(error, FormError) else {MAIN_FIELD[sheet]: str(error)}
    return {name: for_page(plain(sentence)) for name, sentence in fields.items()}


def _picture_so_far(typed: Mapping[str, str]) -> str:
    cells = filled_cells(typed)
    names = list(
        zip((360.0 * i / count_of(typed) for i in range(count_of(typed))), cell_names(typed), strict=True)
    )
    shown = names if len(names) <= 12 else names[::2]
    return readings_svg([a for a, _ in cells], [v for _, v in cells], unit_of(typed), shown)


def _picture_in_ring(sheet: str, typed: Mapping[str, str], worked: Worked | None) -> str:
    if sheet != "runout":
        return ""
    return worked.pictures[0] if worked else _picture_so_far(typed)


def _moved_cells(typed: Mapping[str, str]) -> dict[str, str]:
    """The same readings at the same angles after the number of places has changed."""
    before = count_of({"count": typed.get("count_before", "")})
    after = count_of(typed)
    moved = {name: text for name, text in typed.items() if not re.fullmatch(r"(m\d_)?c\d+", name)}
    for prefix in ("", *(f"m{k}_" for k in range(1, MOST_MOUNTS + 1))):
        for i in range(before):
            place, rest = divmod(i * after, before)
            if not rest and typed.get(f"{prefix}c{i}"):
                moved[f"{prefix}c{place}"] = typed[f"{prefix}c{i}"]
    return moved


def _unit_of_limit(typed: Mapping[str, str]) -> str:
    """The dial's unit for a limit that came with the address: mm for one in mm; an inch dial reads thousandths."""
    return "mm" if typed.get("limit", "").endswith(" mm") else UNITS[0]


def _page(
    request: Request, sheet: str, typed: Mapping[str, str], trouble: Mapping[str, str],
    worked: Worked | None = None, kept: str = "", status: int = 200,
) -> Response:  # fmt: skip
    house = house_of(request)
    jobs = open_jobs(house.casebook)
    return render(
        request, f"bench_{sheet.replace('-', '_')}.html", status, sheet=sheet, about=ABOUT[sheet], typed=typed,
        trouble=trouble, worked=worked, kept=kept, jobs=jobs, vehicles=house.vehicles.all(),
        units=UNITS, counts=COUNTS, count=count_of(typed), cells=cell_names(typed), places=PLACES,
        directions=DIRECTIONS, material_options=[(name, name) for name in MATERIALS], most_mounts=MOST_MOUNTS,
        most_runs=MOST_RUNS,
        carried={n: typed[n] for n in CARRIED if typed.get(n)}, subject=_subject(typed),
        usual={p.key: show_length(p.usual_limit_m, unit_of(typed)).replace(".0 ", " ") for p in PLACES},
        where_empty={name: f"{value:g} where empty" for name, value in WHERE_EMPTY.items()},
        record=_record(house, typed), picture=_picture_in_ring(sheet, typed, worked),
        to=lambda slug, **more: sheet_link(slug, typed, **more),
    )  # fmt: skip


def _subject(typed: Mapping[str, str]) -> str:
    """What is being measured for, like "driveshaft 1x"."""
    part, order = typed.get("part", ""), typed.get("order", "")
    try:
        said = order_text(float(order)) if order else ""
    except ValueError:
        said = ""
    return f"{part_text(part)} {said}".strip() if part else ""


def _record(house: House, typed: Mapping[str, str]) -> dict[str, str]:
    """Place -> verdict of the runouts on record in the job."""
    try:
        job = job_of(house.casebook, typed.get("job", ""))
    except VibeorderError:
        return {}
    return {} if job is None else runout_on_record(job)


ROUTES = [
    Route("/bench", index),
    Route("/bench/{sheet}", empty),
    Route("/bench/{sheet}", answered, methods=["POST"]),
    Route("/bench/{sheet}/live", live, methods=["POST"]),
]
