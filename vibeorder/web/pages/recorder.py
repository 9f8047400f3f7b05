"""The recorder: its page for the phone, the pieces it sends, and what became of them."""

import asyncio
import json
import os
import shutil
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.errors import VibeorderError
from vibeorder.web.guard import CONTENT_POLICY
from vibeorder.web.house import House, house_of
from vibeorder.web.pages_common import render, sentence_of
from vibeorder.web.queue import REQUEST_FILE, BusyError
from vibeorder.web.recordings import ConflictError, DamagedError, Done, MissingError
from vibeorder.web.store import NotThereError, is_id

__all__ = ["OFFLINE", "ROUTES"]

STATIC = Path(__file__).parents[1] / "static"
OFFLINE = "recorder_offline.js"
ASKED_NAME = "asked.json"
PAGE_POLICY = CONTENT_POLICY.replace("script-src 'self'", "script-src 'self' blob:")
"""The sound's script is held in memory from the first moment on, since a worklet is fetched only when it is begun, and
then the network may be away."""
STATUS = {MissingError: 409, ConflictError: 409, DamagedError: 422, BusyError: 503, NotThereError: 404}


async def page(request: Request) -> Response:
    """The recorder. It holds nothing of this visit, so that the phone can keep it for when the network is away."""
    limits = house_of(request).settings.limits
    answer = render(request, "recorder.html", most_s=round(limits.decoded_s))
    answer.headers["Content-Security-Policy"] = PAGE_POLICY
    return answer


async def offline(_: Request) -> Response:
    """The script that keeps the page; served here, since a script below /static may not keep /record."""
    headers = {"Service-Worker-Allowed": "/record", "Cache-Control": "no-cache"}
    return FileResponse(STATIC / OFFLINE, media_type="text/javascript", headers=headers)


async def hello(request: Request) -> Response:
    """The token that goes with what is sent: a page kept by the phone may be older than this server."""
    return JSONResponse({"csrf_token": request.state.csrf_token})


async def kept(request: Request) -> Response:
    """{"pieces": numbers that are here}."""
    house, name = house_of(request), request.path_params["name"]
    try:
        return JSONResponse({"pieces": await run_in_threadpool(house.recordings.kept, name)})
    except VibeorderError as error:
        return _refused(error)


async def keep(request: Request) -> Response:
    """One piece, checked against its SHA-256 in the header X-SHA256: 201 when it is new, 200 when it was here."""
    house, name, number = house_of(request), request.path_params["name"], request.path_params["number"]
    try:
        body = await _body(request)
        sha256 = request.headers.get("x-sha256", "")
        fresh = await run_in_threadpool(house.recordings.keep, name, number, body, sha256)
    except VibeorderError as error:
        return _refused(error)
    return JSONResponse({"kept": number, "sha256": sha256}, 201 if fresh else 200)


async def finish(request: Request) -> Response:
    """{"pieces", "sha256"}: put it together; 409 with {"missing"} where pieces are not here."""
    house, name = house_of(request), request.path_params["name"]
    try:
        said = json.loads(await _body(request))
        pieces, digest = int(said["pieces"]), str(said["sha256"])
    except (ValueError, TypeError, KeyError, RecursionError):
        return JSONResponse(
            {"error": "The end of the recording was not understood; load the page again."}, 422
        )
    try:
        done = await run_in_threadpool(house.recordings.finish, name, pieces, digest)
    except VibeorderError as error:
        return _refused(error)
    return JSONResponse({"next": f"/record/{name}", "file": f"/record/{name}/file", **asdict(done.what)})


async def _body(request: Request) -> bytes:
    try:
        async with asyncio.timeout(house_of(request).settings.limits.upload_idle_s):
            return await request.body()
    except (TimeoutError, ClientDisconnect):
        raise DamagedError("the piece broke off on its way; it is sent again") from None


def _refused(error: VibeorderError) -> Response:
    said: dict[str, Any] = {"error": sentence_of(error)}
    if isinstance(error, MissingError):
        said["missing"] = error.missing
    return JSONResponse(said, STATUS.get(type(error), 422))


async def received(request: Request) -> Response:
    """All recordings that phones have sent, for whoever sits at a larger screen."""
    done, underway = await run_in_threadpool(house_of(request).recordings.all)
    return render(request, "recordings.html", done=done, underway=underway, ago=_ago,
                  kept_days=round(house_of(request).settings.limits.kept_days))  # fmt: skip


async def fetch(request: Request) -> Response:
    """The file itself."""
    recordings, name = house_of(request).recordings, request.path_params["name"]
    return FileResponse(recordings.zip_path(name), media_type="application/zip",
                        filename=_shown(recordings.done(name)))  # fmt: skip


async def judge(request: Request) -> Response:
    """On to the road test form, with the recording in it."""
    return RedirectResponse(
        f"/again/{await run_in_threadpool(_asked, house_of(request), request.path_params['name'])}", 303
    )


def _asked(house: House, name: str) -> str:
    """The upload that stands for a recording: the earlier one where its form was not sent yet, else a new one."""
    done, path = house.recordings.done(name), house.recordings.zip_path(name)
    note = path.with_name(ASKED_NAME)
    earlier = note.read_text("utf-8") if note.exists() else ""
    if is_id(earlier) and (house.store.root / earlier).is_dir() and not house.queue.busy() & {earlier}:
        return earlier
    asked = house.store.new()
    target = house.store.path(asked) / "recording-01"
    try:
        os.link(path, target)
    except OSError:
        shutil.copyfile(path, target)
    recordings = [{"file": target.name, "name": _shown(done)}]
    house.store.write_json(
        asked, REQUEST_FILE,
        {"kind": "diagnose", "arguments": {"recordings": recordings, "speed_log": None, "typed": {}}},
    )  # fmt: skip
    note.write_text(asked, "utf-8")
    return asked


def _shown(done: Done) -> str:
    return f"recording {done.what.begun_local.replace(':', '.')}.zip"


def _ago(epoch_s: float) -> str:
    return datetime.fromtimestamp(epoch_s).strftime("%Y-%m-%d %H:%M")


ROUTES = [
    Route("/record", page),
    Route("/record/offline.js", offline),
    Route("/recordings", received),
    Route("/record/{name}", judge),
    Route("/record/{name}/file", fetch),
    Route("/api/record/hello", hello),
    Route("/api/record/{name}", kept),
    Route("/api/record/{name}/pieces/{number:int}", keep, methods=["PUT"]),
    Route("/api/record/{name}/finish", finish, methods=["POST"]),
]
