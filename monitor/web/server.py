"""uvicorn in a thread of its own, with a port that is really bound before `start` returns."""

from __future__ import annotations

import logging
import socket
import threading

import uvicorn
from starlette.applications import Starlette

from monitor.model.errors import LeeswatchError

log = logging.getLogger(__name__)

BACKLOG = 64
CONNECTIONS = 100
START_SECONDS = 20.0
STOP_SECONDS = 5.0


class WebServer:
    """Serves an app made by `make_app`. Port 0 takes a free one: see `port` once started."""

    def __init__(self, app: Starlette, host: str, port: int) -> None:
        self.app = app
        self.host = host
        self.port = port
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        """Where it can be reached from this machine."""
        name = {"0.0.0.0": "127.0.0.1", "::": "[::1]"}.get(self.host, self.host)  # noqa: S104 - read, not bound
        return f"http://[{name}]:{self.port}" if ":" in name and "[" not in name else f"http://{name}:{self.port}"

    def start(self) -> None:
        """Bind and serve; LeeswatchError when the port cannot be had."""
        listener = _listen(self.host, self.port)
        self.port = listener.getsockname()[1]
        config = uvicorn.Config(
            self.app, log_config=None, log_level="warning", access_log=False, lifespan="on",
            http="h11", ws="none", loop="asyncio", server_header=False, proxy_headers=False,
            timeout_keep_alive=15, limit_concurrency=CONNECTIONS, timeout_graceful_shutdown=3,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        up = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(listener, up), name="web", daemon=True)
        self.app.state.on_start = up.set
        self._thread.start()
        if not up.wait(START_SECONDS) or not self._thread.is_alive():
            raise LeeswatchError("the page did not start", "see the log above for the reason")

    def _run(self, listener: socket.socket, up: threading.Event) -> None:
        assert self._server is not None
        try:
            self._server.run(sockets=[listener])
        except Exception:
            log.exception("the page ended by a fault of ours; watching goes on")
        finally:
            up.set()
            listener.close()

    def alive(self) -> bool:
        """Whether its thread still runs."""
        return self._thread is not None and self._thread.is_alive()

    def stop(self, seconds: float = STOP_SECONDS) -> bool:
        """Let open requests end and return; False when the thread did not end in time."""
        if self._server is None or self._thread is None:
            return True
        self.app.state.streams.stop()
        self._server.should_exit = True
        self._thread.join(seconds)
        return not self._thread.is_alive()


def _listen(host: str, port: int) -> socket.socket:
    try:
        family, kind, proto, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listener = socket.socket(family, kind, proto)
    except OSError as error:
        raise _cannot(host, port, error) from error
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(BACKLOG)
    except OSError as error:
        listener.close()
        raise _cannot(host, port, error) from error
    return listener


def _cannot(host: str, port: int, error: OSError) -> LeeswatchError:
    return LeeswatchError(
        f"the page cannot listen on {host}:{port}: {error.strerror or error}",
        "name another host or port under [web], or stop what uses it",
    )
