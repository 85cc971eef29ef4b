"""A time-series server by script: takes the v2 write API, keeps what it accepted, and answers as it is told."""

from __future__ import annotations

import gzip
import http.server
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import parse_qs, urlsplit

NO_ANSWER = "none"
CUT = "cut"


@dataclass
class Answer:
    """One answer: a status with headers, `none` to hang, or `cut` to drop the connection after reading."""

    status: int | str = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: str | bytes = ""


@dataclass
class Request:
    """One request as it came in."""

    query: dict[str, list[str]]
    headers: dict[str, str]
    lines: list[str]
    size: int


class Receiver:
    """Answers from `script` first, then by `judge` (by default yes). A refusal keeps none of the lines."""

    def __init__(self, port: int = 0) -> None:
        self.script: deque[Answer] = deque()
        self.judge: Callable[[list[str]], Answer] = lambda _: Answer()
        self.started: str | None = "1790000000"
        self.requests: list[Request] = []
        self.looks: list[str] = []  # what each question for its start said of the packing that it understands
        self.kept: list[str] = []
        self._release = threading.Event()
        receiver = self

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                receiver.looks.append(self.headers.get("Accept-Encoding", ""))
                if self.path == "/metrics" and receiver.started is not None:
                    self._say(Answer(200, {}, f"up 1\nvm_app_start_timestamp {receiver.started}\n"))
                else:
                    self._say(Answer(404))

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                size = len(body)
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                lines = body.decode().split("\n")
                at = urlsplit(self.path)
                receiver.requests.append(Request(parse_qs(at.query), dict(self.headers), lines, size))
                if at.path != "/api/v2/write":
                    self._say(Answer(404))
                    return
                answer = receiver.script.popleft() if receiver.script else receiver.judge(lines)
                if answer.status == NO_ANSWER:
                    receiver._release.wait(30)
                    self.close_connection = True
                elif answer.status == CUT:
                    self.close_connection = True
                    self.connection.close()
                else:
                    if answer.status == 204:
                        receiver.kept += lines
                    self._say(answer)

            def _say(self, answer: Answer) -> None:
                assert isinstance(answer.status, int)
                self.send_response(answer.status)
                content = answer.body if isinstance(answer.body, bytes) else answer.body.encode()
                for name, value in answer.headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            def log_message(self, *_: object) -> None:
                pass

        self._server = http.server.ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_port
        self.url = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    def rows(self) -> list[str]:
        """Accepted lines but those that the relay says of itself."""
        return [line for line in self.kept if not line.startswith("leeswatch_relay,")]

    def restart(self) -> None:
        """It starts anew, and has forgotten what it took."""
        self.started = str(int(self.started or 0) + 100)
        self.kept.clear()

    def close(self) -> None:
        """Answer no more."""
        self._release.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def patience(condition: Callable[[], bool], seconds: float = 10.0) -> None:
    """Wait for something real."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)
