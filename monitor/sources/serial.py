"""Probes on a serial line. One thread owns a port, for two readers would each get half of every line.

A pulled cable is ordinary: whatever pyserial raises then, the port is closed and opened again once it is back. Name
ports by `/dev/serial/by-id/…`: the number in `/dev/ttyUSB0` changes from one plugging to the next.
"""

from __future__ import annotations

import os
import termios
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from serial import Serial, SerialException

from monitor.intake.decode import KEPT_BYTES, MAX_LINE
from monitor.intake.values import shown
from monitor.model.clock import Clock
from monitor.model.config import Probe
from monitor.model.inputs import Message, Unreadable
from monitor.sources.base import Sink, SourceStatus
from monitor.sources.handing import hand_over
from monitor.sources.hearing import Heard, Hearing

# What pyserial raises when the cable is pulled, depending on where it is caught: its own error from read, a plain
# OSError from in_waiting, termios.error while opening, TypeError or ValueError when the port is closed meanwhile.
_GONE = (SerialException, OSError, termios.error, TypeError, ValueError)
_READ_TIMEOUT_S = 0.25
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.2, 5.0


class Line(NamedTuple):
    """One line without its end."""

    content: bytes
    torn: bool = False  # its beginning may be missing
    too_long: bool = False  # only its beginning is kept


class Lines:
    """Cuts a stream of bytes into lines. What never ends in a newline takes no more memory than one line."""

    def __init__(self) -> None:
        self._torn = True  # we may have begun to listen in the middle of a line
        self._rest = b""
        self._cut: bytes | None = None  # the beginning of a line that has grown too long

    def feed(self, chunk: bytes) -> list[Line]:
        """The lines that `chunk` completes."""
        *done, self._rest = (self._rest + chunk).split(b"\n")
        lines = [self._line(content) for content in done]
        if len(self._rest) > MAX_LINE:
            self._cut, self._rest = self._cut or self._rest[:KEPT_BYTES], b""
        return lines

    def _line(self, content: bytes) -> Line:
        cut, torn = self._cut, self._torn
        self._cut, self._torn = None, False
        if cut is not None or len(content) > MAX_LINE:
            return Line((cut or content)[:KEPT_BYTES], torn, too_long=True)
        return Line(content.rstrip(b"\r"), torn)


class SerialSource:
    """Reads the lines of one port for the probes that share it."""

    def __init__(self, port: str, probes: Sequence[Probe], sink: Sink, clock: Clock) -> None:
        """`probes` are those on this port; the first says its speed."""
        self._port, self._sink, self._clock = port, sink, clock
        self._baud = probes[0].baud
        self._hearing = Hearing("serial", probes)
        self._status = SourceStatus(f"serial {port}", detail="not started")
        self._pause_s = _FIRST_PAUSE_S
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"serial {port}", daemon=True)

    def start(self) -> None:
        """Open the port, now or when it is there, and go on doing so."""
        self._thread.start()

    def stop(self) -> None:
        """Close the port; returns when the thread has ended."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    def status(self) -> SourceStatus:
        """How it is."""
        return replace(self._status, heard=dict(self._status.heard))

    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                # Exclusive: a second reader is told, instead of both losing lines.
                with Serial(self._port, self._baud, timeout=_READ_TIMEOUT_S, exclusive=True) as line:
                    self._status.connected, self._status.detail = True, ""
                    self._read(line)
            except _GONE as error:
                self._status.detail = f"{self._port} cannot be read: {shown(str(error))}; trying again"
            self._status.connected = False
            self._stop.wait(self._pause_s)
            self._pause_s = min(2 * self._pause_s, _LONGEST_PAUSE_S)

    def _read(self, port: Serial) -> None:
        lines = Lines()
        while not self._stop.is_set():
            chunk = port.read(port.in_waiting or 1)  # one call for all that is there: 200 times as fast as readline()
            if not chunk:
                self._check_device(port)
                continue
            self._pause_s = _FIRST_PAUSE_S
            for line in lines.feed(chunk):
                self._take(line)

    def _check_device(self, port: Serial) -> None:
        """A line that is silent may be a cable that was put back as another device while this one looks open."""
        if self._port.startswith("/") and Path(self._port).stat().st_rdev != os.fstat(port.fileno()).st_rdev:
            raise SerialException("the cable was pulled and put back")

    def _take(self, line: Line) -> None:
        now_ms, mono_ms = self._clock.wall_ms(), self._clock.mono_ms()
        if line.too_long:
            reason = f"a line longer than {MAX_LINE} bytes: is the speed right?"
            heard = [Heard(None, (), (Unreadable("serial", self._port, reason, line.content),))]
        else:
            heard = self._hearing.read(line.content, self._port, torn=line.torn)
        for each in heard:
            if line.torn and not each.samples:
                continue  # the tail of a line that began before we listened is nobody's fault
            self._status.heard[self._port] = self._status.heard.get(self._port, 0) + 1
            self._status.last_heard_mono_ms = mono_ms
            message = Message("serial", each.probe, now_ms, mono_ms, each.samples, each.unreadable)
            hand_over(self._sink, message, self._status, self._stop)
