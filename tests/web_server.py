"""A running shop page for tests: a real uvicorn on loopback, or the application called as if from elsewhere."""

import asyncio
import re
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest import mock

import httpx
import uvicorn
from patience import PATIENCE_S
from starlette.applications import Starlette
from web_children import forked_child

from vibeorder.web import queue
from vibeorder.web.app import create_app
from vibeorder.web.house import House
from vibeorder.web.settings import Limits, Settings

if TYPE_CHECKING:
    import subprocess

__all__ = ["SAMPLES", "Running", "asked_from", "csrf_of", "finished", "running", "upload_sample"]

SAMPLES = Path(__file__).resolve().parents[1] / "sample_data"


@dataclass(frozen=True, slots=True)
class Running:
    """A server that runs: where, and its insides."""

    url: str
    app: Starlette

    @property
    def house(self) -> House:
        """Store, queue, vehicles, ..."""
        house: House = self.app.state.house
        return house


@contextmanager
def running(
    folder: Path,
    *,
    limits: Limits | None = None,
    workers: int = 1,
    children: Callable[[Limits], "subprocess.Popen[bytes]"] = forked_child,
    **more: Any,
) -> Iterator[Running]:
    """A real uvicorn in a thread on a free port of loopback, keeping its things in `folder`.

    children: how its queue starts them.
    """
    with (
        mock.patch.object(queue, "start_child", children),
        _served(
            create_app(Settings(folder=folder, workers=workers, limits=limits or Limits(), **more))
        ) as one,
    ):
        yield one


@contextmanager
def _served(app: Starlette) -> Iterator[Running]:
    config = uvicorn.Config(
        app, host="127.0.0.1", port=0, log_level="warning", proxy_headers=False, ws="none"
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + PATIENCE_S
    while not server.started:
        assert thread.is_alive() and time.monotonic() < until, "the server did not start"
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield Running(f"http://127.0.0.1:{port}", app)
    finally:
        server.should_exit = True
        thread.join(timeout=PATIENCE_S)


def asked_from(address: str, app: Starlette, method: str, url: str, **request: Any) -> httpx.Response:
    """What the application answers a machine at `address`; without its lifespan, so that no child runs."""

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(app, client=(address, 50000))
        async with httpx.AsyncClient(transport=transport) as client:
            return await client.request(method, url, **request)

    with ThreadPoolExecutor(1) as pool:  # a browser of the tests may have a loop of its own in this thread
        return pool.submit(lambda: asyncio.run(ask())).result()


def csrf_of(client: httpx.Client, path: str = "/") -> str:
    """The form token of a client's session."""
    found = re.search(r'name="csrf_token" value="([0-9a-f]+)"', client.get(path).text)
    assert found, f"{path} has no form token"
    return found.group(1)


def upload_sample(
    client: httpx.Client, house: House, sample: str = "tire.csv", vehicle: str = "truck.toml", **fields: str
) -> str:
    """Save a sample's vehicle, upload the sample as the page's form does, and return the task's id."""
    import tomllib

    saved = house.vehicles.save(tomllib.loads((SAMPLES / vehicle).read_text("utf-8")))
    data = {"csrf_token": csrf_of(client), "vehicle": saved.name, **fields}
    with (SAMPLES / sample).open("rb") as file:
        answer = client.post("/upload", data=data, files={"recording": (sample, file)})
    assert answer.status_code == 303, answer.text
    return answer.headers["location"].rsplit("/", 1)[1]


def finished(client: httpx.Client, name: str, within_s: float = PATIENCE_S) -> dict[str, Any]:
    """What the progress endpoint says once a task is done or failed."""
    until = time.monotonic() + within_s
    while True:
        said: dict[str, Any] = client.get(f"/api/tasks/{name}").json()
        if said["state"] in ("done", "failed"):
            return said
        assert time.monotonic() < until, f"still {said}"
        time.sleep(0.05)
