"""One server, two doors: plain HTTP, and HTTPS for other machines."""

import asyncio
import socket
import ssl

import uvicorn
from starlette.applications import Starlette

__all__ = ["TwoDoors"]

HANDSHAKE_S = 10.0
BACKLOG = 128


class TwoDoors(uvicorn.Server):
    """uvicorn with a second listener behind TLS; one lifespan, one set of connections, one end."""

    def __init__(self, app: Starlette, secure: socket.socket | None, tls: ssl.SSLContext | None) -> None:
        super().__init__(
            uvicorn.Config(
                app, log_level="warning", access_log=False, proxy_headers=False, server_header=False,
                ws="none", timeout_keep_alive=10, limit_concurrency=200, timeout_graceful_shutdown=5,
            )
        )  # fmt: skip
        self._secure, self._tls = secure, tls

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Open both doors."""
        await super().startup(sockets)
        if self._secure is None or self.should_exit:
            return
        config = self.config

        def protocol() -> asyncio.Protocol:
            made: asyncio.Protocol = config.http_protocol_class(  # type: ignore[call-arg]
                config=config, server_state=self.server_state, app_state=self.lifespan.state
            )
            return made

        self.servers.append(
            await asyncio.get_running_loop().create_server(
                protocol, sock=self._secure, ssl=self._tls, backlog=BACKLOG, ssl_handshake_timeout=HANDSHAKE_S
            )
        )
