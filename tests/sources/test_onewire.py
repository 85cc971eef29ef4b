"""One-wire thermometers over a tree of files like the kernel's."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.model.clock import ManualClock
from monitor.model.config import Probe
from monitor.model.errors import PayloadError
from monitor.sources.onewire import OneWireSource, read_thermometer, thermometers
from simulators.wires import OneWireTree

from .helpers import NOW, Inbox, until

DEVICE = "28-0316a2795b1c"
POWER_ON = b"50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"
HELD_LOW = b"00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"


@pytest.fixture
def tree(tmp_path: Path) -> OneWireTree:
    return OneWireTree(tmp_path / "w1")


@pytest.fixture
def start(tree: OneWireTree, inbox: Inbox, clock: ManualClock) -> Iterator[Callable[..., OneWireSource]]:
    running: list[OneWireSource] = []

    def start(**every: float) -> OneWireSource:
        probes = [
            Probe(name=name, source="onewire", device=DEVICE if name == "a" else f"28-{name}", every=seconds)
            for name, seconds in every.items()
        ]
        source = OneWireSource(probes, inbox, clock, tree.devices)
        running.append(source)
        source.start()
        return source

    yield start
    for source in running:
        source.stop()


def test_a_reading_of_the_driver(tree: OneWireTree) -> None:
    """The driver's two lines, and its file of thousandths, give degrees Celsius, below zero too."""
    tree.put(DEVICE, 4.0625)
    assert read_thermometer(tree.devices / DEVICE, None) == 4.062  # the driver cuts to thousandths
    tree.put(DEVICE, -10.125)
    assert read_thermometer(tree.devices / DEVICE, None) == -10.125
    (tree.devices / DEVICE / "w1_slave").unlink()
    assert read_thermometer(tree.devices / DEVICE, None) == -10.125
    assert thermometers(tree.devices) == [DEVICE]
    assert thermometers(tree.devices / "none") == []


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"72 01 4b 46 7f ff 0e 10 57 : crc=57 NO\n72 01 4b 46 7f ff 0e 10 57 t=23125\n", "check byte"),
        (HELD_LOW, "held low"),
        (b"", "no reading"),
        (b"72 01 4b 46 7f", "the driver says"),
        (b"\xff\xff", "no thermometer"),
        (b"f0 ff 4b 46 7f ff 0e 10 57 : crc=57 YES\nf0 ff 4b 46 7f ff 0e 10 57 t=-60000\n", "outside"),
    ],
)
def test_what_is_no_reading(tree: OneWireTree, content: bytes, reason: str) -> None:
    """A broken transfer, a line held low and a driver without an answer are refused, each with its reason."""
    tree.raw(DEVICE, content)
    with pytest.raises(PayloadError, match=reason):
        read_thermometer(tree.devices / DEVICE, 20.0)


def test_85_degrees_after_power_on_is_refused(tree: OneWireTree) -> None:
    """Exactly 85 °C is taken only when the reading before lay within 10 K."""
    tree.raw(DEVICE, POWER_ON)
    for before in (None, 20.0, 74.9, 95.1):
        with pytest.raises(PayloadError, match="losing power"):
            read_thermometer(tree.devices / DEVICE, before)
    for before in (75.0, 84.9, 95.0):
        assert read_thermometer(tree.devices / DEVICE, before) == 85.0
    tree.put(DEVICE, 85.0625)
    assert read_thermometer(tree.devices / DEVICE, None) == 85.062


def test_each_is_read_at_its_own_pace(
    start: Callable[..., OneWireSource], tree: OneWireTree, inbox: Inbox, clock: ManualClock
) -> None:
    """All are read at the start, then each every so many seconds of the clock that is given."""
    tree.put(DEVICE, 4.0)
    tree.put("28-b", 20.0)
    source = start(a=60, b=20)
    first = inbox.wait(2)[0]
    assert (first.source, first.probe, first.arrived_ms) == ("onewire", "a", NOW)
    assert len(inbox.quiet(0.4)) == 2
    for _ in range(6):
        before = len(inbox.messages)
        clock.advance(20_000)
        inbox.wait(before + 1)
        inbox.quiet(0.05)
    assert [probe for probe, _, _ in inbox.values()].count("a") == 3
    assert [probe for probe, _, _ in inbox.values()].count("b") == 7
    clock.advance(3_600_000)
    inbox.wait(12)
    assert len(inbox.quiet()) == 12  # an hour missed is not made up
    assert source.status().heard == {DEVICE: 4, "28-b": 8}
    assert source.status().connected
    assert source.alive()


def test_a_missing_thermometer_is_said_once(
    start: Callable[..., OneWireSource], tree: OneWireTree, inbox: Inbox, clock: ManualClock
) -> None:
    """It falls off the bus for ten turns: one reason, naming what is seen, and again only after it had come back."""
    tree.put(DEVICE, 4.0)
    tree.put("28-b", 20.0)
    source = start(a=10)
    inbox.wait(1)
    for turns in (1, 2):
        tree.remove(DEVICE)
        for _ in range(10):
            clock.advance(10_000)
            until(lambda: "no thermometer" in source.status().detail)
        faults = [each for message in inbox.quiet() for each in message.unreadable]
        assert len(faults) == turns
        assert faults[-1].origin == DEVICE
        assert "28-b" in faults[-1].reason
        assert not source.status().connected
        before = len(inbox.messages)
        tree.put(DEVICE, 5.0)
        clock.advance(10_000)
        inbox.wait(before + 1)
        until(lambda: source.status().connected and not source.status().detail)
    assert source.status().unreadable == 2


def test_a_sink_that_raises_is_tried_again(
    start: Callable[..., OneWireSource], tree: OneWireTree, inbox: Inbox
) -> None:
    """A reading that could not be handed over is handed over later."""
    inbox.fail = 1
    tree.put(DEVICE, 4.0)
    start(a=600)
    inbox.wait(1)
    assert inbox.values() == [("a", "temperature", 4.0)]


def test_without_probes_it_ends(start: Callable[..., OneWireSource]) -> None:
    """With nothing to read the thread ends by itself."""
    source = start()
    until(lambda: not source.alive())
