"""`vibeorder serve`: the shop page on this machine, or on the shop's own network."""

import os
import socket
import sys
from contextlib import ExitStack, suppress
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibeorder import door
from vibeorder.errors import VibeorderError
from vibeorder.web.network import lan_addresses

if TYPE_CHECKING:
    import ssl

    from starlette.applications import Starlette

    from vibeorder.web.settings import Settings

__all__ = ["app"]

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Open the shop page: the same answers in a browser.",
)

HIGHEST_PORT = 65535
Port = Annotated[
    int, typer.Option(metavar="N", help="Port of the page; 0 takes a free one.", min=0, max=HIGHEST_PORT)
]
Lan = Annotated[
    bool, typer.Option("--lan", help="Let phones on the shop's network in, each with an access code.")
]
Folder = Annotated[
    Path | None,
    typer.Option(
        metavar="DIR", help="Where vehicles, results and jobs are kept; else this user's data folder."
    ),
]


@app.command()
def serve(port: Port = 8765, lan: Lan = False, folder: Folder = None) -> None:
    """Open the shop page: upload a recording from any browser, read the answer there; Ctrl+C ends it."""
    from vibeorder.web.serving import TwoDoors
    from vibeorder.web.settings import Settings, default_folder

    where = (folder or default_folder()).expanduser()
    with ExitStack() as open_doors:
        listener = open_doors.enter_context(_listen("0.0.0.0" if lan else "127.0.0.1", port))
        host, port = listener.getsockname()[:2]
        settings, secure, tls = Settings(folder=where, host=host, port=port, lan=lan), None, None
        if lan:
            secure = open_doors.enter_context(_listen_secure(port))
            settings = replace(
                settings, addresses=tuple(lan_addresses()), secure_port=secure.getsockname()[1]
            )
        application = _made(settings)
        if lan:
            tls = _show_secure(application, settings)
        else:
            door.say(_greeting(port, where))
        TwoDoors(application, secure, tls).run(sockets=[listener])


def _show_secure(application: "Starlette", settings: "Settings") -> "ssl.SSLContext":
    """Say where phones find the page, how they know it, and the code; what the secure page is opened with."""
    from vibeorder.web.certificate import own_certificate, tls_context

    fingerprint = own_certificate(settings.folder, settings.addresses)
    door.say(_greeting(settings.port, settings.folder))
    door.say(_for_others(settings.secure_port))
    door.say(_WARNING + f"SHA-256 of its certificate: {fingerprint}\n")
    _show_code(application.state.house.access.code, settings)
    return tls_context(settings.folder)


def _made(settings: "Settings") -> "Starlette":
    """The application, or the sentence that says why its folder cannot be used."""
    from vibeorder.web.app import create_app

    try:
        return create_app(settings, partial(_show_code, settings=settings))
    except OSError as error:
        raise VibeorderError(
            f"--folder {settings.folder} cannot be used: {error.strerror or error}; name a folder that may be written"
        ) from error


def _listen(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name != "nt":  # there it would let two programs share the port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(128)  # who connects before the server is ready waits instead of being refused
    except OSError as error:
        listener.close()
        raise VibeorderError(
            f"--port {port} cannot be used: {error.strerror or error}; try --port 0 for a free one"
        ) from error
    return listener


def _listen_secure(port: int) -> socket.socket:
    """The door beside the plain one: the next port, or a free one where that is taken."""
    try:
        return _listen("0.0.0.0", port + 1 if port < HIGHEST_PORT else 0)
    except VibeorderError:
        return _listen("0.0.0.0", 0)


def _greeting(port: int, where: Path) -> str:
    return (
        f"The shop page is open at http://127.0.0.1:{port}\nIt keeps its things in {where}; Ctrl+C ends it.\n"
    )


def _for_others(port: int) -> str:
    return "".join(f"From a phone on this network: https://{one}:{port}\n" for one in lan_addresses()) or (
        "No network address was found; is the machine on the shop's network?\n"
    )


_WARNING = """\
The phone warns once that nobody vouches for this page: no authority can, for an address inside a shop. What is
sent is encrypted all the same. Choose "Advanced" or "Details", then "Proceed" or "Visit this website"; to make
sure that it is this machine, compare the fingerprint.
"""


def _show_code(code: str, settings: "Settings") -> None:
    """The code as text, and with the address as a QR code where the terminal can show one."""
    from vibeorder.web.network import qr_text, secure_address, with_code

    address = secure_address(settings)
    if address:
        drawn = qr_text(with_code(address, code), coloured=sys.stdout.isatty())
        with suppress(UnicodeEncodeError):
            drawn.encode(sys.stdout.encoding or "utf-8")
            door.say(drawn)
    door.say(f"Access code for the next device: {code[:4]} {code[4:]}\n")
