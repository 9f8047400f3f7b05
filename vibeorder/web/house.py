"""What every page finds at `request.app.state.house`."""

import asyncio
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request

from vibeorder.web.access import Access
from vibeorder.web.classes import Classes
from vibeorder.web.queue import Queue
from vibeorder.web.recordings import Recordings
from vibeorder.web.settings import Settings
from vibeorder.web.store import Store
from vibeorder.web.vehicles import Vehicles

__all__ = ["House", "house_of"]


@dataclass(frozen=True, slots=True)
class House:
    """The page's parts. casebook: the file of jobs, which may not be there yet (open it with create=True).
    uploads: held by each upload while it comes in. recordings: of the phones' recorder page.
    classes: in a round of the classroom."""

    settings: Settings
    store: Store
    queue: Queue
    vehicles: Vehicles
    access: Access
    uploads: asyncio.Semaphore
    casebook: Path
    recordings: Recordings
    classes: Classes


def house_of(request: Request) -> House:
    """The house that a request came to."""
    house: House = request.app.state.house
    return house
