"""The v2 write path before a server that has only that of InfluxDB 1, for tests alone.

InfluxDB 2 is not in Debian; its last package, 1.6.7, answers `/api/v2/write` with 404. Its line parser is the strict
one of that family, though, and its `/query` speaks InfluxQL. So this passes `/api/v2/write?org&bucket&precision` on as
`/write?db&precision` (body as it came, gzip included), and `/ping` and `/query` unchanged. What runs against it has run
against InfluxDB 1.6.7, not against InfluxDB 2 or 3.
"""

from __future__ import annotations

import http.client
import threading
import urllib.parse
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

_PASSED = ("content-encoding", "content-type", "authorization", "accept-encoding")
_DROPPED = ("transfer-encoding", "connection", "date", "content-length")


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: Any

    def do_GET(self) -> None:
        self._pass_on(self.path, b"")

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", "0")))
        where = urllib.parse.urlsplit(self.path)
        asked = dict(urllib.parse.parse_qsl(where.query))
        if where.path == "/api/v2/write":
            fields = {"db": asked.get("bucket", ""), "precision": asked.get("precision", "ns")}
            self._pass_on(f"/write?{urllib.parse.urlencode(fields)}", body)
        else:
            self._pass_on(self.path, body)

    def _pass_on(self, path: str, body: bytes) -> None:
        headers = {name: value for name, value in self.headers.items() if name.lower() in _PASSED}
        behind = http.client.HTTPConnection(self.server.behind, timeout=60)
        try:
            behind.request(self.command, path, body or None, headers)
            answer = behind.getresponse()
            self.send_response(answer.status)
            for name, value in answer.getheaders():
                if name.lower() not in _DROPPED:
                    self.send_header(name, value)
            if answer.status == 204:
                self.end_headers()
                return
            self.send_header("Transfer-Encoding", "chunked")
            self.end_headers()
            while piece := answer.read1(1 << 16):
                self.wfile.write(b"%x\r\n%s\r\n" % (len(piece), piece))
            self.wfile.write(b"0\r\n\r\n")
        except OSError:  # the server behind is gone, or who asked is
            self.close_connection = True
        finally:
            behind.close()

    def log_message(self, *_: object) -> None:
        pass


class Translator:
    """The translator on a free port, before `behind` (such as http://127.0.0.1:8086)."""

    def __init__(self, behind: str) -> None:
        self._server: Any = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
        self._server.daemon_threads = True
        self._server.behind = urllib.parse.urlsplit(behind).netloc
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Take no more."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5.0)
