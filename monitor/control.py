"""How a command reaches the one writer: a local socket beside the store, one JSON line each way.

    {"entries": [journal entries], "readings": [{probe, quantity, value, time}]}  ──►  {"received": "…"}
    {"ask": "health"}                                                             ──►  {…}
    {"ask": "time"}                                                               ──►  {"time": "…"}
    {"ask": "relay-past", "from": ms or null, "to": ms or null}                   ──►  {"job": {…}}
    what cannot be done                                                           ──►  {"what": …, "remedy": …}

Only this user and its group may connect: the mode of the socket says so.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import logging
import os
import socket
import socketserver
import tempfile
import threading
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from monitor.intake.values import OLDEST_OWN_MS, refuse_future
from monitor.model.clock import EARLIEST_MS, iso
from monitor.model.deeds import Deed, Undone
from monitor.model.entry import Ms
from monitor.model.errors import LeeswatchError, StoreError, UsageError
from monitor.model.inputs import (
    JOURNAL,
    Acknowledged,
    Added,
    BatchClosed,
    BatchStarted,
    ContentsChanged,
    Exported,
    ForcedFinal,
    HandReading,
    JournalEntry,
    Message,
    ProbeMoved,
    ReadingUndone,
    Sample,
    Shelved,
    StageChanged,
    Ticked,
)
from monitor.model.quantities import QUANTITIES, QuantityName

log = logging.getLogger(__name__)

ANSWER_SECONDS = 20.0
LONGEST_LINE = 1 << 20
LONGEST_SOCKET_NAME = 100  # the kernel allows 107 bytes

# What a person may write; the rest is the daemon's own.
BY_PEOPLE = (
    Acknowledged, Added, BatchClosed, BatchStarted, ContentsChanged, Exported, ForcedFinal, HandReading,
    ProbeMoved, ReadingUndone, Shelved, StageChanged, Ticked, Deed, Undone,
)  # fmt: skip


class TypedReading(BaseModel):
    """One reading typed by hand."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    probe: str = Field(pattern=r"hand:.+")
    quantity: QuantityName
    value: float
    time: Ms

    def sample(self) -> Sample:
        """As a source would hand it over; UsageError where the value cannot be."""
        low, high = QUANTITIES[self.quantity].possible
        if not low <= self.value <= high:
            raise UsageError(f"{self.quantity} {self.value:g} cannot be", f"give a value from {low:g} to {high:g}")
        return Sample(self.quantity, self.value, self.time)


def socket_path(store: Path) -> Path:
    """Where the socket of a store lies: beside it, or, where that name is too long for a socket, among temporaries."""
    beside = Path(f"{store.resolve()}.sock")
    if len(str(beside).encode()) <= LONGEST_SOCKET_NAME:
        return beside
    short = hashlib.blake2s(str(beside).encode(), digest_size=8).hexdigest()
    return Path(tempfile.gettempdir()) / f"leeswatch-{os.getuid()}-{short}.sock"


def parse_request(request: dict[str, Any], now_ms: int) -> list[Message | JournalEntry]:
    """The inputs that a request asks to have written; UsageError where it cannot be."""
    try:
        entries = [JOURNAL.validate_python(entry) for entry in request.get("entries", ())]
        typed = [TypedReading.model_validate(reading) for reading in request.get("readings", ())]
    except ValidationError as error:
        first = error.errors()[0]
        raise UsageError(f"{'.'.join(map(str, first['loc']))}: {first['msg']}", "see the command's --help") from error
    for entry in entries:
        if not isinstance(entry, BY_PEOPLE):
            raise UsageError(f'an entry of kind "{entry.kind}" is written by the daemon alone', "leave it out")
    for at in (*(getattr(entry, "at", None) for entry in entries), *(each.time for each in typed)):
        if at is not None:
            _check_time(at, now_ms)
    items: list[Message | JournalEntry] = list(entries)
    for probe in dict.fromkeys(each.probe for each in typed):
        samples = tuple(each.sample() for each in typed if each.probe == probe)
        items.append(Message("hand", probe, now_ms, 0, samples))
    return items


def _check_time(at_ms: int, now_ms: int) -> None:
    """A time that was left out is the machine's, and a machine whose clock is not set would file it in 1970."""
    if at_ms < OLDEST_OWN_MS:
        raise UsageError(f"{iso(at_ms)} is what a clock says that is not set", "say when, or set the machine's clock")
    late = refuse_future(at_ms, now_ms) if now_ms >= EARLIEST_MS else None
    if late is not None:
        raise UsageError(f"{iso(at_ms)} is still to come", "give the time at which it was")


class ControlServer:
    """The daemon's end."""

    def __init__(
        self,
        store: Path,
        record: Callable[..., Future[int]],
        now: Callable[[], int],
        health: Callable[[], dict[str, Any]],
        others: Mapping[str, Callable[[dict[str, Any]], dict[str, Any]]] | None = None,
    ) -> None:
        """`others` answer questions by the word after `ask`."""
        self._path = socket_path(store)
        self._record = record
        self._now = now
        self._health = health
        self._others = dict(others or {})
        self._server: socketserver.ThreadingUnixStreamServer | None = None

    def start(self) -> None:
        """Listen. The store's lock is ours, so a socket that lies there is left from a kill."""
        control = self

        class Handler(socketserver.StreamRequestHandler):
            timeout = ANSWER_SECONDS

            def handle(self) -> None:
                try:
                    line = self.rfile.readline(LONGEST_LINE)
                    if line:
                        self.wfile.write(json.dumps(control._reply(line)).encode() + b"\n")
                except OSError as error:
                    log.debug("a command went away: %s", error)

        self._path.unlink(missing_ok=True)
        umask = os.umask(0o117)
        try:
            self._server = socketserver.ThreadingUnixStreamServer(str(self._path), Handler)
        finally:
            os.umask(umask)
        self._server.daemon_threads = True
        threading.Thread(target=self._server.serve_forever, name="control", args=(0.2,), daemon=True).start()

    def stop(self) -> None:
        """Stop listening and take the socket away."""
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._path.unlink(missing_ok=True)

    def _reply(self, line: bytes) -> dict[str, Any]:
        try:
            request = json.loads(line)
            if request.get("ask") == "health":
                return self._health()
            if request.get("ask") == "time":
                return {"time": iso(self._now())}
            if request.get("ask") in self._others:
                return self._others[request["ask"]](request)
            items = parse_request(request, self._now())
            return {"received": self._record(*items).result(ANSWER_SECONDS)}
        except LeeswatchError as error:
            return {"what": error.what, "remedy": error.remedy, "wrong_use": isinstance(error, UsageError)}
        except (ValueError, AttributeError, TypeError) as error:
            return {"what": f"the request cannot be read: {error}", "remedy": "send one JSON object on one line"}
        except TimeoutError:
            return {"what": "the daemon did not answer in time", "remedy": "look at its log; the change may still come"}


def ask(store: Path, request: dict[str, Any]) -> dict[str, Any] | None:
    """Ask the daemon of a store; None when none runs. StoreError or UsageError when it refuses."""
    with contextlib.closing(socket.socket(socket.AF_UNIX)) as line:
        line.settimeout(ANSWER_SECONDS + 5.0)
        try:
            line.connect(str(socket_path(store)))
        except (FileNotFoundError, ConnectionRefusedError):
            return None
        except PermissionError as error:
            raise StoreError(
                "the daemon runs as another user", "run this command as that user, for instance with sudo -u leeswatch"
            ) from error
        try:
            line.sendall(json.dumps(request).encode() + b"\n")
            answer: dict[str, Any] = json.loads(_whole(line))
        except (OSError, ValueError) as error:
            raise StoreError(
                f"the daemon took the request and gave no answer: {error}",
                "see its log; then look whether the change has come before you ask again",
            ) from error
    if "what" in answer:
        raise (UsageError if answer.get("wrong_use") else StoreError)(answer["what"], answer.get("remedy", ""))
    return answer


def _whole(line: socket.socket) -> bytes:
    parts: list[bytes] = []
    while chunk := line.recv(65_536):
        parts.append(chunk)
    return b"".join(parts)


def as_request(entries: Sequence[JournalEntry], readings: Sequence[TypedReading] = ()) -> dict[str, Any]:
    """What `ask` sends to have these written."""
    return {
        "entries": [entry.model_dump(mode="json", exclude={"received"}) for entry in entries],
        "readings": [reading.model_dump(mode="json") for reading in readings],
    }
