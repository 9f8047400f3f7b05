"""The first page: a recording, a vehicle, what was driven and what the customer said."""

import os
import shutil
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.casebook import JobLine, intake_of, open_casebook
from vibeorder.errors import VibeorderError
from vibeorder.web.drive_form import DRIVE_FIELDS, PHONE_PLACES, drive_arguments
from vibeorder.web.house import House, house_of
from vibeorder.web.intake_form import unit_told
from vibeorder.web.jobs_kept import open_jobs
from vibeorder.web.multipart import Upload, receive_upload
from vibeorder.web.pages_common import form_text, owner_of, render, sentence_of, wants_json
from vibeorder.web.queue import REQUEST_FILE, STATE_FILE, BusyError
from vibeorder.web.vehicle_form import plain_words

__all__ = ["ROUTES"]

Named = dict[str, str]


def form(request: Request) -> Response:
    """The empty form; ?vehicle= and ?job= fill in these two."""
    typed = {name: request.query_params.get(name, "")[:40] for name in ("vehicle", "job", "role")}
    return _page(request, typed)


def again(request: Request) -> Response:
    """The form as it was filled in for an earlier task, whose recordings are still here."""
    house, name = house_of(request), request.path_params["name"]
    asked = _asked(house, name)
    return _page(request, asked.get("typed", {}), again=name, kept=asked.get("recordings", []))


async def send(request: Request) -> Response:
    """Take an upload and put it into the queue.

    What arrived is thrown away when the upload breaks off, and kept when only a field is wrong.
    """
    house = house_of(request)
    if house.uploads.locked():
        raise BusyError("several recordings are being sent at this moment; send it again in a minute")
    async with house.uploads:
        name = house.store.new()
        try:
            with house.store.held(name):
                upload = await receive_upload(request, house.store.path(name), house.settings.limits)
                return _accept(request, house, name, upload)
        except VibeorderError as error:
            house.store.drop(name)
            return _page(request, {}, sentence_of(error), status=_status(error))
        except BaseException:
            house.store.drop(name)
            raise


def _accept(request: Request, house: House, name: str, upload: Upload) -> Response:
    """The task's waiting page; or the form again, with the recordings kept, where a field is wrong."""
    earlier = form_text(upload.fields, "again", 40)
    recordings = [{"file": one.file, "name": one.name} for one in upload.files if one.field == "recording"]
    logs = [{"file": one.file, "name": one.name} for one in upload.files if one.field == "speed_log"]
    if earlier:
        recordings, logs = _brought_along(house, earlier, name, recordings, logs)
    log = logs[0] if logs else None
    typed = {field: str(upload.fields.get(field, "")) for field in DRIVE_FIELDS}
    try:
        arguments = drive_arguments(upload.fields, recordings, log, house.vehicles, house.settings.limits)
        arguments |= _said_before(house, arguments)
        house.queue.submit("diagnose", arguments, name, owner_of(request))
    except VibeorderError as error:
        if recordings:
            asked = {"recordings": recordings, "speed_log": log, "typed": typed}
            house.store.write_json(name, REQUEST_FILE, {"kind": "diagnose", "arguments": asked})
        else:
            house.store.drop(name)
            name = ""
        return _page(request, typed, plain_words(sentence_of(error)), _status(error), name, recordings)
    finally:
        _forget(house, earlier)
    if wants_json(request):
        return JSONResponse({"next": f"/working/{name}"})
    return RedirectResponse(f"/working/{name}", 303)


def _asked(house: House, name: str) -> Mapping[str, Any]:
    """The arguments of an earlier upload."""
    request = house.store.read_json(name, REQUEST_FILE)
    asked = request.get("arguments") if isinstance(request, dict) else None
    if not isinstance(asked, dict) or not asked.get("recordings"):
        raise VibeorderError("the recording of that result is not here any more; send it again")
    return asked


def _brought_along(
    house: House, earlier: str, name: str, recordings: list[Named], logs: list[Named]
) -> tuple[list[Named], list[Named]]:
    """Recordings and speed log of an earlier upload, for those not sent anew."""
    asked = _asked(house, earlier)
    source, target = house.store.path(earlier), house.store.path(name)
    kept_log = [asked["speed_log"]] if asked.get("speed_log") else []
    wanted = ([] if recordings else asked["recordings"], [] if logs else kept_log)
    found = [
        [_linked(source / one["file"], target / f"kept-{i}-{one['file']}", one["name"]) for one in group]
        for i, group in enumerate(wanted)
    ]
    return recordings or found[0], logs or found[1]


def _linked(source: Path, target: Path, name: str) -> Named:
    try:
        os.link(source, target)
    except OSError:
        shutil.copyfile(source, target)
    return {"file": target.name, "name": name}


def _forget(house: House, earlier: str) -> None:
    """Throw away an upload that only waited for its form to be mended."""
    with suppress(VibeorderError):
        if (
            earlier
            and earlier not in house.queue.busy()
            and not (house.store.path(earlier) / STATE_FILE).exists()
        ):
            house.store.drop(earlier)


def _jobs(house: House) -> tuple[JobLine, ...]:
    """Jobs to choose from; none where the casebook cannot be read, which the jobs' own page says."""
    try:
        return open_jobs(house.casebook)
    except VibeorderError:
        return ()


def _said_before(house: House, arguments: Mapping[str, Any]) -> dict[str, Any]:
    """What the job to keep it in knows of the complaint: the customer's answers, and the unit of their speed."""
    number = arguments["job"]
    if not isinstance(number, int):
        return {}
    if number not in [line.number for line in open_jobs(house.casebook)]:
        raise VibeorderError(f"there is no open job {number}; choose another one from the list")
    with open_casebook(house.casebook) as book:
        job = book.job(number)
    intake = intake_of(job)
    if arguments["count_words"]:
        _check_answers(number, intake)
    told = arguments["speed_unit"] or unit_told(str(intake.get("speed", "")), job.complaint)
    return {"intake": intake, "speed_unit": told}


def _check_answers(number: int, intake: Mapping[str, Any]) -> None:
    """Raises VibeorderError where a job from elsewhere holds answers that cannot be weighed."""
    from vibeorder.diagnosis.intake import Intake

    try:
        Intake.from_json(intake)
    except VibeorderError as error:
        raise VibeorderError(
            f"job {number}: {error}; ask the questions again, or send it without letting the customer's words count"
        ) from error


def _status(error: VibeorderError) -> int:
    return 503 if isinstance(error, BusyError) else 422


def _page(
    request: Request, typed: Mapping[str, str], error: str = "", status: int = 200, again: str = "",
    kept: list[Named] | None = None,
) -> Response:  # fmt: skip
    """The form with what was typed. again: the upload whose recordings need not be sent again."""
    if error and wants_json(request):
        return JSONResponse({"error": error, "again": again}, status)
    house = house_of(request)
    return render(
        request, "upload.html", status, typed=typed, error=error, vehicles=house.vehicles.all(),
        jobs=_jobs(house), places=PHONE_PLACES, again=again, kept=kept or [],
        limits=house.settings.limits,
    )  # fmt: skip


ROUTES = [
    Route("/", form),
    Route("/again/{name}", again),
    Route("/upload", send, methods=["POST"]),
]
