"""The door of the page: which host, which machine, which form; size of what comes in; headers of what goes out."""

import asyncio
import hashlib
import hmac
import ipaddress
import logging
import secrets
import socket
from collections.abc import Awaitable, Callable
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from vibeorder.web.access import Access
from vibeorder.web.guests import Guests
from vibeorder.web.settings import Settings

__all__ = ["BIG_BODIES", "PASS_COOKIE", "SESSION_COOKIE", "Guard", "is_local"]

SESSION_COOKIE = "vibeorder_session"
PASS_COOKIE = "vibeorder_pass"
TOKEN_FIELD = "csrf_token"
TOKEN_HEADER = "x-csrf-token"
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
BIG_BODIES = ("/upload",)
"""Paths that take recordings: they may send `upload_bytes`, all others `form_bytes`."""
OPEN_PATHS = ("/access", "/static/")
"""What another machine may see before it gave the code."""
HEAD_BYTES = 65_536

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "media-src 'self'; font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # not no-referrer: browsers would then send "Origin: null" with our own forms
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), payment=(), usb=(), geolocation=(self), microphone=(self), "
    "accelerometer=(self), gyroscope=(self)",
}
log = logging.getLogger("vibeorder.web")


class Guard:
    """ASGI middleware round all pages.

    Puts `csrf_token`, `session`, `local` and `guest` (a student of a class, no more) into the scope's state; a form
    carries the token as its *first* field `csrf_token`, a script as the header X-CSRF-Token.
    """

    def __init__(self, app: ASGIApp, settings: Settings, access: Access, guests: Guests) -> None:
        self.app, self.settings, self.access, self.guests = app, settings, access, guests
        self._key = secrets.token_bytes(32)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request through, or answer it here."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        cookies = cookies_of(scope)
        session = cookies.get(SESSION_COOKIE, "")
        fresh = not 20 <= len(session) <= 100
        session = secrets.token_urlsafe(24) if fresh else session
        state = scope.setdefault("state", {})
        state["session"], state["csrf_token"] = session, self.token_of(session)
        state["local"] = is_local(scope)
        state["answered"] = state["guest"] = False
        send = self._outgoing(send, scope, session if fresh else "")
        try:
            await self._let_in(scope, receive, send, cookies)
        except HTTPException as trouble:  # raised before the application was asked
            await refuse(scope, trouble.status_code, trouble.detail)(scope, receive, send)
        except ClientDisconnect:
            return
        except Exception:
            log.exception("fault while answering %s", scope["path"])
            if not state["answered"]:
                await refuse(scope, 500, OUR_FAULT)(scope, receive, send)

    def token_of(self, session: str) -> str:
        """The form token of a session: HMAC-SHA256 (RFC 2104) under a key that lives as long as the server."""
        return hmac.new(self._key, session.encode(), hashlib.sha256).hexdigest()

    async def _let_in(self, scope: Scope, receive: Receive, send: Send, cookies: dict[str, str]) -> None:
        headers = Headers(scope=scope)
        answer: Response | None = None
        if not host_is_ours(headers.get("host", ""), self.settings.lan):
            answer = PlainTextResponse("This name does not belong to the shop page.\n", 421)
        elif self._belongs_to_secure(scope):
            answer = RedirectResponse(_secure_address(scope, headers, self.settings.secure_port), 307)
        elif self._needs_code(scope, cookies):
            answer = _ask_for_code(scope, self.guests.way_in(scope["path"]))
        elif _too_long(headers, self._most(scope)):
            answer = refuse(scope, 413, too_large(self._most(scope)))
        elif scope["method"] not in SAFE_METHODS:
            receive = _counted(receive, self._most(scope))
            try:
                async with asyncio.timeout(self.settings.limits.upload_idle_s):
                    right, receive = await self._form_is_ours(scope, headers, receive)
            except TimeoutError:
                raise HTTPException(408, "The form took too long to arrive; send it again.") from None
            if not right:
                answer = refuse(scope, 403, STALE_FORM)
        await (answer or self.app)(scope, receive, send)

    def _belongs_to_secure(self, scope: Scope) -> bool:
        """Whether another machine came in the clear although there is a secure page for it."""
        return bool(self.settings.secure_port) and scope["scheme"] == "http" and not scope["state"]["local"]

    def _needs_code(self, scope: Scope, cookies: dict[str, str]) -> bool:
        if scope["state"]["local"]:
            return False
        if any(scope["path"] == path or (path.endswith("/") and scope["path"].startswith(path))
               for path in OPEN_PATHS):  # fmt: skip
            return False
        if self.access.has(cookies.get(PASS_COOKIE, "")):
            return False
        scope["state"]["guest"] = self.guests.may(scope["path"], cookies)
        return not scope["state"]["guest"]

    def _most(self, scope: Scope) -> int:
        limits = self.settings.limits
        return limits.upload_bytes if scope["path"] in BIG_BODIES else limits.form_bytes

    async def _form_is_ours(self, scope: Scope, headers: Headers, receive: Receive) -> tuple[bool, Receive]:
        """Whether an unsafe request came from one of our pages, and the body from its beginning."""
        if not _same_origin(headers):
            return False, receive
        given = headers.get(TOKEN_HEADER)
        if given is None:
            given, receive = await _first_field(headers.get("content-type", ""), receive)
        return hmac.compare_digest(given.encode(), scope["state"]["csrf_token"].encode()), receive

    def _outgoing(self, send: Send, scope: Scope, new_session: str) -> Send:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                scope["state"]["answered"] = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                static = scope["path"].startswith("/static/")
                headers.setdefault("Cache-Control", "no-cache" if static else "no-store")
                if new_session and not static:
                    headers.append(
                        "Set-Cookie", cookie(SESSION_COOKIE, new_session, scope["scheme"] == "https")
                    )
            await send(message)

        return sending


OUR_FAULT = "This is a fault in vibeorder, not in what you sent; the window where it runs has the details."
STALE_FORM = (
    "This form is from before the server was last started, or from another page: load the page again."
)


def too_large(most: int) -> str:
    """The sentence for a body over its limit."""
    return (
        f"This is larger than {most / 1e6:.0f} MB, the most the page takes: cut it to the drive that shakes."
    )


def cookie(name: str, value: str, secure: bool = False) -> str:
    """A cookie for this session of the browser, out of reach of scripts and of other sites.

    secure: set on the secure page; the browser then never sends it in the clear.
    """
    return f"{name}={value}; Path=/; HttpOnly; SameSite=Strict" + ("; Secure" if secure else "")


def cookies_of(scope: Scope) -> dict[str, str]:
    """Cookies that came with a request; nothing where they are malformed."""
    try:
        jar = SimpleCookie(Headers(scope=scope).get("cookie", ""))
    except CookieError:
        return {}
    return {name: one.value for name, one in jar.items()}


def is_local(scope: Scope) -> bool:
    """Whether the request came from this very machine, through its loopback address."""
    try:
        return ipaddress.ip_address((scope.get("client") or ("",))[0]).is_loopback
    except ValueError:
        return False


def host_is_ours(host: str, lan: bool) -> bool:
    """Whether a Host header may be ours.

    Another site's name pointed at our address (DNS rebinding) carries that name; a bare address cannot be
    rebound. So: loopback names always, and with lan any bare address and this machine's own name.
    """
    try:
        name = (urlsplit(f"//{host}").hostname or "").rstrip(".")
    except ValueError:
        return False
    own = socket.gethostname().lower()
    if name == "localhost" or (lan and name in (own, f"{own}.local")):
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    return lan or address.is_loopback


def refuse(scope: Scope, status: int, sentence: str) -> Response:
    """A page with one sentence; JSON for scripts."""
    from vibeorder.web.pages_common import problem

    return problem(Request(scope), sentence, status)


def _secure_address(scope: Scope, headers: Headers, port: int) -> str:
    """The same page under https, at the name that the visitor used (checked to be ours before)."""
    name = urlsplit(f"//{headers.get('host', '')}").hostname or ""
    asked = scope["query_string"].decode("latin-1")
    path = scope["path"] + (f"?{asked}" if asked else "")
    return f"https://{f'[{name}]' if ':' in name else name}:{port}{path}"


def _ask_for_code(scope: Scope, where: str) -> Response:
    if scope["method"] in ("GET", "HEAD") and not scope["path"].startswith("/api/"):
        return RedirectResponse(where, 303)
    return refuse(scope, 401, "This machine has not given the access code yet: open the page and type it.")


def _too_long(headers: Headers, most: int) -> bool:
    length = headers.get("content-length", "0")
    return not length.isascii() or not length.isdigit() or int(length[:20]) > most


def _counted(receive: Receive, most: int) -> Receive:
    """The body, ended with a 413 as soon as more than `most` bytes came."""
    seen = 0

    async def receiving() -> Message:
        nonlocal seen
        message = await receive()
        seen += len(message.get("body", b""))
        if seen > most:
            raise HTTPException(413, too_large(most))
        return message

    return receiving


def _same_origin(headers: Headers) -> bool:
    """Whether the browser says that the request came from our own page, as far as it says anything."""
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    return origin is None or urlsplit(origin).netloc.lower() == headers.get("host", "").lower()


async def _first_field(content_type: str, receive: Receive) -> tuple[str, Receive]:
    """The form token, read ahead from the body, and a `receive` that gives the body from its beginning."""
    multipart = content_type.lower().startswith("multipart/form-data")
    body, messages, more = b"", list[Message](), True
    while more and not (multipart and _token_part(body, content_type) is not None):
        if multipart and len(body) > HEAD_BYTES:
            break
        message = await receive()
        messages.append(message)
        body += message.get("body", b"")
        more = message["type"] == "http.request" and bool(message.get("more_body"))
    if multipart:
        token = _token_part(body, content_type) or ""
    elif content_type.lower().startswith("application/x-www-form-urlencoded"):
        fields: dict[str, list[Any]] = parse_qs(body.decode("latin-1"), max_num_fields=2000)
        token = str(fields.get(TOKEN_FIELD, [""])[0])
    else:
        token = ""
    return token, _replayed(messages, receive)


def _token_part(body: bytes, content_type: str) -> str | None:
    """Value of the token where it is the first part of a multipart body; None while it is not all there."""
    _, _, boundary = content_type.partition("boundary=")
    mark = b"--" + boundary.split(";")[0].strip().strip('"').encode("latin-1", "replace")
    first, ended, _ = body.removeprefix(mark).partition(b"\r\n" + mark)
    head, _, value = first.partition(b"\r\n\r\n")
    if not body.startswith(mark) or not ended or f'name="{TOKEN_FIELD}"'.encode() not in head:
        return None
    return value.decode("latin-1")


def _replayed(messages: list[Message], receive: Receive) -> Callable[[], Awaitable[Message]]:
    queue = list(messages)

    async def receiving() -> Message:
        return queue.pop(0) if queue else await receive()

    return receiving
