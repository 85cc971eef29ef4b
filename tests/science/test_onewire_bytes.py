"""Bytes of a one-wire thermometer."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import onewire

from .tables import rows, unhurried


def test_check_bytes_match_the_published_examples():
    """Published bytes give their published check bytes."""
    cases = rows("onewire_crc8")
    assert len(cases) == 4
    for case in cases:
        data = bytes.fromhex(case["bytes_in_transmission_order_hex"])
        assert onewire.crc8(data) == int(case["crc8_hex"], 16), case["case"]


@unhurried
@given(st.binary(min_size=1, max_size=40), st.integers(0), st.integers(0))
def test_any_one_broken_bit_is_noticed(data, position, bit):
    """Data with their check byte give 0; with any one bit turned over, never."""
    whole = data + bytes([onewire.crc8(data)])
    assert onewire.crc8(whole) == 0
    broken = bytearray(whole)
    broken[position % len(broken)] ^= 1 << bit % 8
    assert onewire.crc8(bytes(broken)) != 0


def test_registers_decode_as_published():
    """Each published register gives its temperature."""
    for row in rows("onewire_temperature"):
        assert onewire.temperature(int(row["hex_16bit"], 16)) == float(row["t_C"])


@unhurried
@given(st.integers(-55 * 16, 125 * 16), st.integers(9, 12))
def test_every_temperature_survives_and_coarse_ones_lose_only_their_low_bits(sixteenths, bits):
    """Every sixteenth decodes to itself; at lower resolution it is cut down to the coarser step below."""
    raw = sixteenths & 0xFFFF
    step = 2 ** (12 - bits)
    assert onewire.temperature(raw) == sixteenths / 16.0
    assert onewire.temperature(raw, bits) == (sixteenths // step * step) / 16.0


def scratchpad(first: int, second: int, config: int = 0x7F) -> bytes:
    data = bytes([first, second, 0x4B, 0x46, config, 0xFF, 0x0C, 0x10])
    return data + bytes([onewire.crc8(data)])


def test_a_whole_scratchpad_decodes_with_its_own_resolution():
    """Nine bytes give the temperature; the resolution is taken from them."""
    assert onewire.scratchpad_temperature(bytes.fromhex("50054B467FFF0C101C")) == onewire.POWER_ON_C
    assert onewire.scratchpad_temperature(scratchpad(0x5E, 0xFF)) == -10.125
    assert onewire.scratchpad_temperature(scratchpad(0x97, 0x01, 0x1F)) == 25.0


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (bytes(9), "line held low"),
        (b"\xff" * 9, "check byte is wrong"),
        (bytes.fromhex("50054B467FFF0C101D"), "check byte is wrong"),
        (bytes.fromhex("5005"), "9 bytes; there are 2"),
        (scratchpad(0xFF, 0x7F), "-55 to 125"),
    ],
)
def test_a_broken_transfer_is_refused(data, reason):
    """A line held low or high, a wrong check byte, missing bytes or an impossible value is no reading."""
    with pytest.raises(ValueError, match=reason):
        onewire.scratchpad_temperature(data)


@pytest.mark.parametrize(("raw", "bits"), [(-1, 12), (0x10000, 12), (0, 8), (0, 13)])
def test_impossible_registers_are_refused(raw, bits):
    """A register beyond 16 bits or a resolution beyond 9-12 bits is refused."""
    with pytest.raises(ValueError, match="must"):
        onewire.temperature(raw, bits)
