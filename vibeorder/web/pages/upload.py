"""The first page: a recording, a vehicle, what was driven and what the customer said."""

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.errors import VibeorderError
from vibeorder.web.house import house_of
from vibeorder.web.multipart import receive_upload
from vibeorder.web.pages_common import form_text, render, wants_json

__all__ = ["ROUTES"]


async def form(request: Request) -> Response:
    """The empty form."""
    return _page(request, {}, "", 200)


async def send(request: Request) -> Response:
    """Take an upload and put it into the queue."""
    house = house_of(request)
    name = house.store.new()
    typed: dict[str, str] = {}
    try:
        upload = await receive_upload(request, house.store.path(name), house.settings.limits)
        typed = {key: str(value) for key, value in upload.fields.items()}
        saved = house.vehicles.get(form_text(upload.fields, "vehicle", 40))
        recordings = [
            {"file": one.file, "name": one.name} for one in upload.files if one.field == "recording"
        ]
        if not recordings:
            raise VibeorderError("choose a recording first")
        limits = house.settings.limits
        import tomllib

        gear = form_text(upload.fields, "gear", 4)
        arguments = {
            "recordings": recordings,
            "vehicle": tomllib.loads(saved.text),
            "speed": form_text(upload.fields, "speed", 60),
            "gear": int(gear) if gear else None,
            "decoded_s": limits.decoded_s,
            "unpacked_bytes": limits.unpacked_bytes,
        }
        house.queue.submit("diagnose", arguments, name, request.state.session)
    except VibeorderError as error:
        house.store.drop(name)
        return _page(request, typed, str(error), 422)
    except BaseException:
        house.store.drop(name)
        raise
    if wants_json(request):
        return JSONResponse({"next": f"/working/{name}"})
    return RedirectResponse(f"/working/{name}", 303)


def _page(request: Request, typed: dict[str, str], error: str, status: int) -> Response:
    if error and wants_json(request):
        return JSONResponse({"error": error}, status)
    return render(
        request, "upload.html", status, typed=typed, error=error, vehicles=house_of(request).vehicles.all()
    )


ROUTES = [Route("/", form), Route("/upload", send, methods=["POST"])]
