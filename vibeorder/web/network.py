"""Where the page is on the shop's network, as text and as a QR code with the access code in it."""

import socket
from contextlib import suppress

from vibeorder.web.settings import Settings

__all__ = ["lan_addresses", "qr_svg", "qr_text", "secure_address", "with_code"]

QUIET_MODULES = 4
"""Light margin round a QR code (ISO/IEC 18004)."""
HALVES = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
"""Two modules above each other as one character, dark modules left to a dark ground."""


def lan_addresses() -> list[str]:
    """This machine's own addresses on its networks, the likeliest first; nothing is sent."""
    found: list[str] = []
    with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737): chooses a route, sends no packet
        found.append(probe.getsockname()[0])
    with suppress(OSError):
        found += [str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return [one for one in dict.fromkeys(found) if not one.startswith("127.")]


def secure_address(settings: Settings) -> str:
    """The address for phones; '' where there is none."""
    if not settings.secure_port or not settings.addresses:
        return ""
    return f"https://{settings.addresses[0]}:{settings.secure_port}"


def with_code(address: str, code: str) -> str:
    """The address that fills in the code by itself.

    The code stands behind "#": that part stays in the phone and is never sent, so it is in no log and no referrer.
    """
    return f"{address}/access#{code}"


def qr_svg(text: str) -> str:
    """A QR code as a data URI of an SVG, dark on light in any colour scheme."""
    import segno

    drawn: str = segno.make(text, error="m", micro=False).svg_data_uri(
        border=QUIET_MODULES, dark="#000", light="#fff", scale=4
    )
    return drawn


def qr_text(text: str, coloured: bool) -> str:
    """A QR code for a terminal, two rows a line. coloured: force white on black, whatever the terminal's colours."""
    import segno

    code = segno.make(text, error="l", micro=False)
    rows = [[bool(dark) for dark in row] for row in code.matrix_iter(border=QUIET_MODULES // 2)]
    rows += [[False] * len(rows[0])] * (len(rows) % 2)
    lines = [
        "".join(HALVES[pair] for pair in zip(upper, lower, strict=True))
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]
    begin, end = ("\x1b[97;40m", "\x1b[0m") if coloured else ("", "")
    return "".join(f"{begin}{line}{end}\n" for line in lines)
