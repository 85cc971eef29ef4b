"""One-wire thermometers, as the Linux driver shows them under /sys/bus/w1/devices.

A thermometer that cannot be read is said once, when it begins, and not again at every turn. 85 °C is what a chip holds
before its first conversion, after an interruption of its power: it is taken only when the reading before was near.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from monitor.intake.values import shown
from monitor.model.clock import Clock
from monitor.model.config import Probe
from monitor.model.errors import PayloadError
from monitor.model.inputs import Message, Sample, Unreadable
from monitor.sources.base import Sink, SourceStatus
from monitor.sources.handing import hand_over

DEVICES = Path("/sys/bus/w1/devices")
_FAMILIES = ("10", "22", "28", "3b", "42")  # thermometers, by the first byte of their address (driver's source)
_SLAVE = re.compile(
    r"((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)\s+(?:[0-9a-f]{2} ){9}t=(-?\d{1,7})\s*", re.IGNORECASE
)
_POWER_ON_C = 85.0
_NEAR_K = 10.0
_TRIES = 3  # a long cable spoils a transfer now and then


def thermometers(root: Path = DEVICES) -> list[str]:
    """The thermometers that the driver sees now."""
    try:
        return sorted(path.name for path in root.iterdir() if path.name.split("-")[0] in _FAMILIES)
    except OSError:
        return []


def read_thermometer(folder: Path, before_c: float | None) -> float:
    """One reading in °C; PayloadError with the reason where there is none. `before_c` is the last good one."""
    slave, plain = folder / "w1_slave", folder / "temperature"
    try:
        text = (slave if slave.exists() else plain).read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        seen = ", ".join(thermometers(folder.parent)) or "none"
        raise PayloadError(f"no thermometer {folder.name} on the bus ({seen} seen)", "check the cable") from error
    celsius = _parse(text)
    if not -55.0 <= celsius <= 125.0:
        raise PayloadError(f"{celsius:g} °C is outside -55 to 125: a broken transfer")
    if celsius == _POWER_ON_C and (before_c is None or abs(before_c - celsius) > _NEAR_K):
        raise PayloadError("85 °C is what a thermometer says after losing power", "check its supply and contacts")
    return celsius


def _parse(text: str) -> float:
    found = _SLAVE.fullmatch(text)
    if found:
        if not any(bytes.fromhex(found[1])):
            raise PayloadError("all bytes are zero, which passes the check: the line is held low", "check the cable")
        if found[2].upper() == "NO":
            raise PayloadError("the check byte is wrong: a broken transfer", "check the cable and its resistor")
        return int(found[3]) / 1000
    if re.fullmatch(r"-?\d{1,7}\s*", text):
        return int(text) / 1000
    raise PayloadError(f"the driver says {shown(text)}" if text.strip() else "the driver gives no reading")


class OneWireSource:
    """Reads each thermometer in its turn, every `probe.every` seconds."""

    def __init__(self, probes: Sequence[Probe], sink: Sink, clock: Clock, root: Path = DEVICES) -> None:
        self._probes = [probe for probe in probes if probe.device]
        self._sink, self._clock, self._root = sink, clock, root
        self._before: dict[str, float] = {}
        self._faults: dict[str, str] = {}
        self._status = SourceStatus("onewire", detail="not started")
        self._stop, self._wake = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="onewire", daemon=True)

    def start(self) -> None:
        """Read all at once, then each at its own pace."""
        self._clock.on_advance(self._wake.set)
        self._thread.start()

    def stop(self) -> None:
        """Stop reading; returns when the thread has ended."""
        self._stop.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join()

    def status(self) -> SourceStatus:
        """How it is."""
        faults = tuple(self._faults.values())
        detail = "; ".join(faults) if faults else self._status.detail
        connected = self._thread.is_alive() and len(faults) < len(self._probes)
        return replace(self._status, heard=dict(self._status.heard), connected=connected, detail=detail)

    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        self._status.detail = ""
        due = dict.fromkeys(range(len(self._probes)), self._clock.mono_ms())
        while not self._stop.is_set() and due:
            for index, probe in enumerate(self._probes):
                if due[index] <= self._clock.mono_ms() and not self._stop.is_set():
                    self._turn(probe, probe.device or "")
                    # From now, not from when it was due: after a stall the turns missed are not made up.
                    due[index] = self._clock.mono_ms() + round(probe.every * 1000)
            self._wake.wait(self._clock.real_seconds(min(due.values()) - self._clock.mono_ms()))
            self._wake.clear()

    def _turn(self, probe: Probe, device: str) -> None:
        for remaining in reversed(range(_TRIES)):
            try:
                celsius = read_thermometer(self._root / device, self._before.get(device))
            except PayloadError as error:
                if not remaining:
                    self._fault(probe, device, str(error))
            else:
                self._before[device] = celsius
                self._faults.pop(device, None)
                self._status.heard[device] = self._status.heard.get(device, 0) + 1
                self._status.last_heard_mono_ms = self._clock.mono_ms()
                self._give(probe, (Sample("temperature", celsius),), ())
                return

    def _fault(self, probe: Probe, device: str, reason: str) -> None:
        if self._faults.get(device) != reason:
            self._faults[device] = reason
            self._give(probe, (), (Unreadable("onewire", device, reason, b""),))

    def _give(self, probe: Probe, samples: tuple[Sample, ...], unreadable: tuple[Unreadable, ...]) -> None:
        now_ms, mono_ms = self._clock.wall_ms(), self._clock.mono_ms()
        message = Message("onewire", probe.name, now_ms, mono_ms, samples, unreadable)
        hand_over(self._sink, message, self._status, self._stop)
