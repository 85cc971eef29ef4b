"""Real receivers on loopback: a web server and a mail server that answer as told and keep what they got."""

from __future__ import annotations

import json
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

HANG = 0  # as a status: take the request and never answer


@dataclass
class WebReceiver:
    """What a web server was asked, and what it answers next (the last answer stays)."""

    port: int
    answers: list[int] = field(default_factory=lambda: [200])
    asked: list[tuple[str, str, dict[str, Any] | None]] = field(default_factory=list)
    changed: threading.Condition = field(default_factory=threading.Condition)
    released: threading.Event = field(default_factory=threading.Event)

    @property
    def address(self) -> str:
        return f"json://127.0.0.1:{self.port}/hook?cto=0.5&rto=0.5"

    @property
    def taken(self) -> list[dict[str, Any]]:
        return [body for _, _, body in self.asked if body is not None]

    def wait(self, asked: int, seconds: float = 10.0) -> bool:
        with self.changed:
            return self.changed.wait_for(lambda: len(self.asked) >= asked, seconds)

    def note(self, method: str, path: str, content: bytes) -> int:
        with self.changed:
            self.asked.append((method, path, json.loads(content) if content else None))
            self.changed.notify_all()
            return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]


@contextmanager
def web_receiver(*answers: int) -> Iterator[WebReceiver]:
    """A web server that answers with these statuses in turn."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.answer(self.rfile.read(int(self.headers["Content-Length"] or 0)))

        def do_GET(self) -> None:
            self.answer(b"")

        def answer(self, content: bytes) -> None:
            status = receiver.note(self.command, self.path, content)
            if status == HANG:
                receiver.released.wait(30.0)
                return
            self.send_response(status)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *args: object) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True

    server = Server(("127.0.0.1", 0), Handler)
    receiver = WebReceiver(server.server_address[1], list(answers) or [200])
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield receiver
    finally:
        receiver.released.set()
        server.shutdown()
        thread.join()
        server.server_close()


@dataclass
class MailReceiver:
    """What a mail server took, and whether each came encrypted."""

    port: int = 0
    mails: list[EmailMessage] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)
    refusal: str | None = None

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self.refusal is not None:
            return self.refusal
        assert isinstance(envelope.content, bytes)
        mail = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails.append(mail)
        self.encrypted.append(session.ssl is not None)
        return "250 OK"


@contextmanager
def mail_receiver(password: str, tls: ssl.SSLContext | None = None) -> Iterator[MailReceiver]:
    """A mail server that knows the user `cellar`; where `tls` is given it wants STARTTLS and the password."""

    def authenticate(server: object, session: object, envelope: object, mechanism: str, given: object) -> AuthResult:
        assert isinstance(given, LoginPassword)
        right = given.login == b"cellar" and given.password == password.encode()
        return AuthResult(success=right, handled=False)  # not handled: the server itself says 235 or 535

    class OwnController(Controller):
        def factory(self) -> SMTP:
            return SMTP(
                receiver, authenticator=authenticate, auth_required=tls is not None, auth_require_tls=tls is not None,
                tls_context=tls, require_starttls=tls is not None, timeout=10, hostname="receiver.invalid",
            )  # fmt: skip

        def _trigger_server(self) -> None:
            assert self.server is not None  # it connects to the port it was given, which was none
            self.port = self.server.sockets[0].getsockname()[1]
            super()._trigger_server()

    receiver = MailReceiver()
    controller = OwnController(receiver, hostname="127.0.0.1", port=0)
    controller.start()
    receiver.port = controller.port
    try:
        yield receiver
    finally:
        controller.stop()


def self_signed(folder: Path) -> ssl.SSLContext:
    """A server's side of TLS with a certificate that nobody signed."""
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "1",
         "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", certificate],
        check=True, capture_output=True,
    )  # fmt: skip
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    return context
