"""The web application: every page behind one guard, on one house."""

import asyncio
import errno
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib import import_module
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from vibeorder.casebook import casebook_path
from vibeorder.casebook.store import DEFAULT_NAME, PATH_VARIABLE
from vibeorder.errors import VibeorderError
from vibeorder.web.access import Access
from vibeorder.web.classes import Classes
from vibeorder.web.guard import Guard
from vibeorder.web.guests import Guests
from vibeorder.web.house import House
from vibeorder.web.jobs_common import keep_comparison
from vibeorder.web.jobs_kept import keep_in_job
from vibeorder.web.pages_common import problem, sentence_of
from vibeorder.web.queue import BusyError, Queue
from vibeorder.web.recordings import Recordings
from vibeorder.web.settings import Settings
from vibeorder.web.store import NotThereError, Store
from vibeorder.web.vehicles import Vehicles

__all__ = ["PAGES", "create_app"]

PAGES = (
    "upload",
    "waiting",
    "vehicles",
    "access",
    "result",
    "bench",
    "intake",
    "plan",
    "jobs",
    "classroom",
    "recorder",
)
"""Modules of vibeorder.web.pages, each with ROUTES."""
STATIC = Path(__file__).parent / "static"
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def create_app(settings: Settings, show_code: Callable[[str], None] | None = None) -> Starlette:
    """The application. Its folder is made where it is missing; children start with the server's lifespan.

    show_code: called with the access code whenever it changes.
    """
    house = _house(settings, show_code)
    guests = Guests(house.classes)

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        house.store.tidy()
        house.queue.start()
        try:
            yield
        finally:
            house.queue.stop()

    app = Starlette(
        routes=[*_routes(), Mount("/static", StaticFiles(directory=STATIC), name="static")],
        middleware=[Middleware(Guard, settings=settings, access=house.access, guests=guests)],
        exception_handlers={
            VibeorderError: _user_trouble,
            HTTPException: _http_trouble,
            OSError: _system_trouble,
        },
        lifespan=lifespan,
    )
    app.state.house = house
    return app


def _house(settings: Settings, show_code: Callable[[str], None] | None) -> House:
    # 0700: what is kept here is the customers' business, not that of other users of the machine
    settings.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    store = Store(settings.folder / "results", settings.limits)
    own = None if os.environ.get(PATH_VARIABLE) else settings.folder / DEFAULT_NAME
    casebook = casebook_path(own)
    after = {
        "diagnose": lambda name, arguments: keep_in_job(casebook, store, name, arguments),
        "compare": lambda name, arguments: keep_comparison(casebook, store, name, arguments),
    }
    return House(
        settings=settings,
        store=store,
        queue=Queue(store, settings.limits, settings.workers, after),
        vehicles=Vehicles(settings.folder / "vehicles", settings.limits.vehicles),
        access=Access(show_code),
        uploads=asyncio.Semaphore(settings.limits.uploads_at_once),
        casebook=casebook,
        recordings=Recordings(settings.folder / "recordings", settings.limits),
        classes=Classes(store),
    )


def _routes() -> list[BaseRoute]:
    return [route for page in PAGES for route in import_module(f"vibeorder.web.pages.{page}").ROUTES]


async def _user_trouble(request: Request, error: Exception) -> Response:
    status = 404 if isinstance(error, NotThereError) else 503 if isinstance(error, BusyError) else 422
    return problem(request, sentence_of(error), status)


async def _system_trouble(request: Request, error: Exception) -> Response:
    if isinstance(error, OSError) and error.errno in NO_ROOM:
        return problem(request, "The disk of the shop page is full; make room and send it again.", 507)
    raise error


async def _http_trouble(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    said = {404: "There is no such page.", 405: "This page cannot be asked for in that way."}
    if 300 <= error.status_code < 400 and error.headers and "location" in error.headers:
        return RedirectResponse(error.headers["location"], error.status_code)
    return problem(request, said.get(error.status_code, error.detail), error.status_code)
