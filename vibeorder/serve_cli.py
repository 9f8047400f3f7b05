"""`vibeorder serve`: the shop page on this machine, or on the shop's own network."""

import os
import socket
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibeorder import door
from vibeorder.errors import VibeorderError

if TYPE_CHECKING:
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
    import uvicorn

    from vibeorder.web.settings import Settings, default_folder

    listener = _listen("0.0.0.0" if lan else "127.0.0.1", port)
    with listener:
        port = listener.getsockname()[1]
        where = (folder or default_folder()).expanduser()
        settings = Settings(folder=where, host=listener.getsockname()[0], port=port, lan=lan)
        application = _made(settings)
        door.say(_greeting(settings.port, where))
        if lan:
            door.say(_for_others(port))
            _show_code(application.state.house.access.code)
        config = uvicorn.Config(
            application, log_level="warning", access_log=False, proxy_headers=False, server_header=False,
            ws="none", timeout_keep_alive=10, limit_concurrency=200, timeout_graceful_shutdown=5,
        )  # fmt: skip
        uvicorn.Server(config).run(sockets=[listener])


def _made(settings: "Settings") -> "Starlette":
    """The application, or the sentence that says why its folder cannot be used."""
    from vibeorder.web.app import create_app

    try:
        return create_app(settings, _show_code)
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


def _greeting(port: int, where: Path) -> str:
    return (
        f"The shop page is open at http://127.0.0.1:{port}\nIt keeps its things in {where}; Ctrl+C ends it.\n"
    )


def _for_others(port: int) -> str:
    return "".join(f"From a phone on this network: http://{one}:{port}\n" for one in lan_addresses()) or (
        "No network address was found; is the machine on the shop's network?\n"
    )


def lan_addresses() -> list[str]:
    """This machine's own addresses on its networks, the likeliest first; nothing is sent."""
    found: list[str] = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): chooses a route, sends no packet
        found.append(probe.getsockname()[0])
    with suppress(OSError):
        found += [str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return [one for one in dict.fromkeys(found) if not one.startswith("127.")]


def _show_code(code: str) -> None:
    door.say(f"Access code for the next device: {code[:4]} {code[4:]}\n")
