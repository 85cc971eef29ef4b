"""What a one-wire thermometer sends: the check byte and the temperature in its nine-byte scratchpad."""

from __future__ import annotations

from typing import Final

POWER_ON_C: Final = 85.0
"""The register holds this until the first conversion; on its own it is no measurement."""

_SCRATCHPAD: Final = 9


def _table() -> bytes:
    entries = bytearray()
    for byte in range(256):
        register = byte
        for _ in range(8):
            register = (register >> 1) ^ (0x8C if register & 1 else 0)
        entries.append(register)
    return bytes(entries)


_CRC: Final = _table()


def crc8(data: bytes) -> int:
    """Check byte of one-wire data, 0–255; 0 over data that end in their own right check byte.

    Any length. Source: polynomial x^8 + x^5 + x^4 + 1, least bit first, start 0 ("CRC-8/MAXIM-DOW" in the
    CRC catalogues; application note 27 of the bus's inventor).
    """
    register = 0
    for byte in data:
        register = _CRC[register ^ byte]
    return register


def temperature(raw: int, bits: int = 12) -> float:
    """Temperature in °C from the 16-bit register (0–65535, two's complement, sixteenths of a kelvin).

    `bits` is the resolution set, 9–12; the lowest bits are undefined below 12 and are cleared. The probe's
    range is -55–125 °C; ValueError outside it, or when an argument is out of range.
    Source: register format of the common one-wire thermometers (data sheet, checked by arithmetic).
    """
    if not 0 <= raw <= 0xFFFF:
        raise ValueError(f"the register must lie between 0 and 65535; it is {raw}")
    if not 9 <= bits <= 12:
        raise ValueError(f"the resolution must be 9 to 12 bits; it is {bits}")
    raw &= 0xFFFF << (12 - bits)
    signed = raw - 0x10000 if raw & 0x8000 else raw
    celsius = signed / 16.0
    if not -55.0 <= celsius <= 125.0:
        raise ValueError(f"a one-wire thermometer reads -55 to 125 °C; {celsius:g} is a broken transfer")
    return celsius


def scratchpad_temperature(scratchpad: bytes) -> float:
    """Temperature in °C from all nine bytes of the scratchpad, after its check byte and resolution.

    ValueError when there are not nine bytes, the check byte is wrong, or all bytes are zero (a line held
    low passes the check). `POWER_ON_C` is returned like any other value: only the readings before it can
    tell whether it is true. Source: as `temperature`.
    """
    if len(scratchpad) != _SCRATCHPAD:
        raise ValueError(f"a scratchpad has 9 bytes; there are {len(scratchpad)}")
    if not any(scratchpad):
        raise ValueError("a scratchpad of zeros is a line held low, not a reading")
    if crc8(scratchpad) != 0:
        raise ValueError(f"the scratchpad's check byte is wrong: {scratchpad.hex(' ')}")
    bits = 9 + (scratchpad[4] >> 5 & 0b11)
    return temperature(int.from_bytes(scratchpad[:2], "little"), bits)
