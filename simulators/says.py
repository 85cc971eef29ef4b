"""How probes put their values: SenML, JSON with named fields, text lines, one-wire files."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from random import Random
from typing import NamedTuple

from simulators.parts import Probe
from simulators.probes import UNITS

_FIELD = {
    "gravity": "grav", "temperature": "temp", "float_angle": "angle", "battery": "volt", "signal": "rssi",
    "bubbles": "blips", "mass": "kilos", "contact": "open", "power": "watts", "hydrometer": "scale",
}  # fmt: skip
_LETTER = {
    "gravity": "G", "temperature": "T", "float_angle": "A", "battery": "B", "signal": "R",
    "bubbles": "C", "mass": "M", "contact": "D", "power": "P", "hydrometer": "H",
}  # fmt: skip
_DECIMALS = {
    "gravity": 4, "temperature": 2, "float_angle": 2, "battery": 2, "signal": 0,
    "bubbles": 1, "mass": 3, "contact": 0, "power": 1, "hydrometer": 4,
}  # fmt: skip


class Said(NamedTuple):
    """One value as the probe claims it."""

    measured_ms: int
    quantity: str
    value: float
    unit: str


def rfc3339(ms: int) -> str:
    """UTC with milliseconds, e.g. 2026-03-02T18:00:00.000Z."""
    whole, milli = divmod(ms, 1000)
    return f"{datetime.fromtimestamp(whole, UTC):%Y-%m-%dT%H:%M:%S}.{milli:03}Z"


def topic_of(probe: Probe) -> str:
    """Its MQTT topic."""
    return probe.topic or f"cellar/{probe.name}"


def device_of(probe: Probe) -> str:
    """A one-wire device name, made from the probe's."""
    return f"28-{Random(f'device:{probe.name}').getrandbits(48):012x}"


def field_map(probe: Probe) -> dict[str, str]:
    """Quantity (and `time`) to field of its JSON, as the configuration wants it."""
    own = {"time": "when"} if probe.timed else {}
    return own | {quantity: _FIELD[quantity] for quantity in probe.quantities}


def pattern_of(probe: Probe) -> str:
    """The regular expression that reads its lines."""
    return " ".join(f"{_LETTER[quantity]}=(?P<{quantity}>-?[0-9.]+)" for quantity in probe.quantities)


def payload(probe: Probe, values: dict[str, float], own_ms: int | None) -> bytes:
    """One message of `values`; `own_ms` is the time it claims, None where it carries none."""
    if probe.wire == "onewire":
        return w1_slave(values["temperature"])
    if probe.wire == "hand":
        return json.dumps(values).encode()
    if probe.says == "senml":
        text = senml(topic_of(probe), values, own_ms)
    elif probe.says == "fields":
        own = {"when": rfc3339(own_ms)} if own_ms is not None else {}
        text = json.dumps(own | {_FIELD[quantity]: value for quantity, value in values.items()})
    else:
        text = " ".join(f"{_LETTER[q]}={value:.{_DECIMALS[q]}f}" for q, value in values.items())
    return text.encode() + (b"\r\n" if probe.wire == "serial" else b"")


def senml(base: str, values: dict[str, float], own_ms: int | None) -> str:
    """A SenML pack (RFC 8428); times are seconds with milliseconds."""
    records: list[dict[str, object]] = [
        {"n": quantity, "u": UNITS[quantity], "v": value} for quantity, value in values.items()
    ]
    head: dict[str, object] = {"bn": f"{base}/"}
    if own_ms is not None:
        head["bt"] = own_ms / 1000
    records[0] = head | records[0]
    return json.dumps(records, separators=(",", ":"))


def said(probe: Probe, values: dict[str, float], measured_ms: int) -> tuple[Said, ...]:
    """What a reader should make of the message, as a recording keeps it: the digits that were really sent."""
    sent = values
    if probe.wire == "onewire":
        sent = {"temperature": round(values["temperature"] * 16) * 1000 // 16 / 1000}
    elif probe.says == "text":
        sent = {quantity: round(value, _DECIMALS[quantity]) for quantity, value in values.items()}
    return tuple(Said(measured_ms, quantity, value, UNITS[quantity]) for quantity, value in sent.items())


def torn(probe: Probe, whole: bytes, chance: Random) -> bytes:
    """A message cut short, or not one at all."""
    end = b"\r\n" if probe.wire == "serial" else b""
    body = whole.removesuffix(end)
    junk = (
        body[: chance.randint(1, max(1, len(body) // 2))],
        bytes(chance.randrange(256) for _ in range(chance.randint(3, 24))).replace(b"\n", b"?"),
        b'{"n":',
        b"T=--.-- ?",
        b"",
    )
    return chance.choice(junk) + end


def crc8(data: bytes) -> int:
    """The one-wire check byte: x^8+x^5+x^4+1, lowest bit first (maker's application note 27)."""
    crc = 0
    for byte in data:
        for bit in range(8):
            mixed = (crc ^ (byte >> bit)) & 1
            crc = (crc >> 1) ^ (0x8C if mixed else 0)
    return crc


def w1_slave(celsius: float, *, good: bool = True) -> bytes:
    """The kernel's two lines for a one-wire thermometer at 12 bits; not `good`: a failed check byte."""
    sixteenths = round(celsius * 16)
    scratchpad = sixteenths.to_bytes(2, "little", signed=True) + bytes((0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10))
    check = crc8(scratchpad) if good else crc8(scratchpad) ^ 0x5A
    shown = " ".join(f"{byte:02x}" for byte in (*scratchpad, check))
    verdict = "YES" if good else "NO"
    return f"{shown} : crc={check:02x} {verdict}\n{shown} t={sixteenths * 1000 // 16}\n".encode()
