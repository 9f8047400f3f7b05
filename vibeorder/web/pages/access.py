"""The access code: asked of other machines, shown on this one."""

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from vibeorder.errors import VibeorderError
from vibeorder.web.guard import PASS_COOKIE, cookie
from vibeorder.web.house import house_of
from vibeorder.web.network import qr_svg, secure_address, with_code
from vibeorder.web.pages_common import form_text, render
from vibeorder.web.tries import TooManyTriesError

__all__ = ["ROUTES"]


async def show(request: Request) -> Response:
    """The form; on the machine itself the code."""
    house = house_of(request)
    local = bool(request.state.local)
    code = house.access.code if local and house.settings.lan else ""
    address = secure_address(house.settings)
    drawn = qr_svg(with_code(address, code)) if code and address else ""
    return render(request, "access.html", code=code, error="", address=address, qr=drawn)


async def give(request: Request) -> Response:
    """Check the code that was typed."""
    house = house_of(request)
    address = request.client.host if request.client else ""
    form = await request.form()
    try:
        ticket = house.access.admit(form_text(form, "code", 40), address)
    except VibeorderError as error:
        status = 429 if isinstance(error, TooManyTriesError) else 403
        return render(request, "access.html", status, code="", error=str(error))
    answer = RedirectResponse("/", 303)
    answer.headers.append("Set-Cookie", cookie(PASS_COOKIE, ticket, request.url.scheme == "https"))
    return answer


ROUTES = [Route("/access", show), Route("/access", give, methods=["POST"])]
