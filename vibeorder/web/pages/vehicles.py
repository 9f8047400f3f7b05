"""Saved vehicles, the form that fills one in, and how fast its parts turn."""

import tomllib
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from starlette.datastructures import FormData, QueryParams
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.errors import VibeorderError
from vibeorder.vehicle import parse_vehicle
from vibeorder.web.house import house_of
from vibeorder.web.pages_common import form_text, render, sentence_of
from vibeorder.web.rates_view import RatesView, rates_view
from vibeorder.web.vehicle_form import FIELDS, plain_words, profile_of, typed_of

__all__ = ["ROUTES", "gear_of"]


def listed(request: Request) -> Response:
    """All saved vehicles."""
    return render(request, "vehicles.html", vehicles=house_of(request).vehicles.all())


def empty(request: Request) -> Response:
    """The form for a new vehicle."""
    return _form_page(request, dict.fromkeys(FIELDS, ""), "")


def one(request: Request) -> Response:
    """The form of a saved vehicle, with its rates at ?speed= and ?gear=."""
    saved = house_of(request).vehicles.get(request.path_params["name"])
    error, rates = "", None
    try:
        speed, gear = form_text(request.query_params, "speed", 40), gear_of(request.query_params)
        rates = rates_view(saved.vehicle, speed, gear)
    except VibeorderError as trouble:
        error = sentence_of(trouble)
    return _form_page(request, typed_of(tomllib.loads(saved.text)), saved.name, error, rates)


async def save(request: Request) -> Response:
    """Write a new or a changed vehicle; what was typed stays on the page where it cannot be used."""
    vehicles = house_of(request).vehicles
    name = str(request.path_params.get("name", ""))
    form = await request.form()
    try:
        if not form_text(form, "name"):
            raise VibeorderError("give the vehicle a name, such as its job number or colour")
        before = tomllib.loads(vehicles.get(name).text) if name else None
        saved = vehicles.save(profile_of(form, before), name)
    except VibeorderError as trouble:
        typed = {field: str(form.get(field, "")) for field in FIELDS}
        return _form_page(request, typed, name, sentence_of(trouble), status=422)
    return RedirectResponse(f"/vehicles/{saved.name}?saved=1", 303)


async def remove(request: Request) -> Response:
    """Throw a saved vehicle away."""
    house_of(request).vehicles.remove(request.path_params["name"])
    return RedirectResponse("/vehicles", 303)


def profile(request: Request) -> Response:
    """A saved vehicle's TOML, for the command line."""
    saved = house_of(request).vehicles.get(request.path_params["name"])
    disposition = f'attachment; filename="vehicle-{saved.name}.toml"'
    return PlainTextResponse(
        saved.text, headers={"Content-Disposition": disposition}, media_type="application/toml"
    )


def rates(request: Request) -> Response:
    """The rate table of what is typed so far, or of ?vehicle=; {"error"} where it cannot be made yet.

    That is no error of the protocol (status 200): half a word is what typing looks like.
    """
    try:
        return JSONResponse(_rates(request))
    except VibeorderError as error:
        return JSONResponse({"error": plain_words(sentence_of(error))})


def _rates(request: Request) -> dict[str, Any]:
    asked = request.query_params
    if asked.get("vehicle"):
        vehicle = house_of(request).vehicles.get(form_text(asked, "vehicle", 40)).vehicle
    else:
        vehicle = parse_vehicle(_finished(profile_of(asked)), "this vehicle")
    view = rates_view(vehicle, form_text(asked, "speed", 40), gear_of(asked))
    return {**asdict(view), "gears": len(vehicle.gears)}


def gear_of(form: FormData | QueryParams) -> int | None:
    """The gear that was chosen, or None. Raises VibeorderError."""
    text = form_text(form, "gear", 4)
    if not text:
        return None
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise VibeorderError(f"gear {text!r} is not a gear; the lowest is 1")
    return int(text)


def _finished(typed: Mapping[str, Any]) -> dict[str, Any]:
    """A profile while it is typed: a name is not needed yet."""
    return {**typed, "vehicle": {"name": "this vehicle", **typed.get("vehicle", {})}}


def _form_page(
    request: Request, typed: Mapping[str, str], name: str, error: str = "", rates: RatesView | None = None,
    status: int = 200,
) -> Response:  # fmt: skip
    return render(
        request, "vehicle.html", status, typed=typed, name=name, error=plain_words(error), rates=rates,
        saved="saved" in request.query_params,
    )  # fmt: skip


ROUTES = [
    Route("/vehicles", listed),
    Route("/vehicles", save, methods=["POST"]),
    Route("/vehicles/new", empty),
    Route("/vehicles/{name}", one),
    Route("/vehicles/{name}", save, methods=["POST"]),
    Route("/vehicles/{name}/remove", remove, methods=["POST"]),
    Route("/vehicles/{name}/profile.toml", profile),
    Route("/api/rates", rates),
]
