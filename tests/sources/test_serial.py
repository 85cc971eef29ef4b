"""Serial lines over a real pseudo-terminal: whole lines only, through pulled cables and garbage."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.intake.decode import KEPT_BYTES, MAX_LINE
from monitor.model.clock import ManualClock
from monitor.model.config import Probe
from monitor.sources.serial import Line, Lines, SerialSource
from simulators.wires import PtyLine

from .helpers import NOW, Inbox, until

Start = Callable[..., SerialSource]


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[PtyLine]:
    with PtyLine(tmp_path / "by-id" / "usb-cable") as cable:
        yield cable


@pytest.fixture
def start(cable: PtyLine, inbox: Inbox, clock: ManualClock) -> Iterator[Start]:
    """Starts sources on the cable; by default with one probe whose lines are `T=…`."""
    running: list[SerialSource] = []

    def start(*patterns: str | None) -> SerialSource:
        probes = [
            Probe(name=f"p{index}", source="serial", port=str(cable.path), pattern=pattern)
            for index, pattern in enumerate(patterns or (r"T=(?P<temperature>-?[0-9.]+)",))
        ]
        source = SerialSource(str(cable.path), probes, inbox, clock)
        running.append(source)
        source.start()
        return source

    yield start
    for source in running:
        source.stop()


def ready(start: Start, *patterns: str | None) -> SerialSource:
    source = start(*patterns)
    until(lambda: source.status().connected)
    return source


def test_lines_become_messages(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """Each line, ended by LF or CRLF and in however many pieces, is one message stamped at its end."""
    source = ready(start)
    cable.write(b"T=4.25\r\nT=4.")
    (first,) = inbox.wait(1)
    assert len(inbox.quiet()) == 1
    cable.write(b"50\n\n  \nT=4.75\n")
    inbox.wait(3)
    assert inbox.values() == [("p0", "temperature", value) for value in (4.25, 4.5, 4.75)]
    assert (first.source, first.arrived_ms, first.arrived_mono_ms) == ("serial", NOW, 5_000)
    assert (first.identity, first.receipt) == (None, None)
    status = source.status()
    assert (status.heard, status.last_heard_mono_ms) == ({str(cable.path): 3}, 5_000)
    assert source.alive()


def test_senml_lines_need_no_pattern(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """A probe without a pattern writes SenML, a pack or a record a line."""
    ready(start, None)
    cable.write(
        b'[{"n":"temperature","u":"Cel","v":4.2},{"n":"humidity","u":"%RH","v":61}]\n{"n":"contact","vb":true}\n'
    )
    inbox.wait(2)
    assert inbox.values() == [("p0", "temperature", 4.2), ("p0", "humidity", 61.0), ("p0", "contact", 1.0)]


def test_several_probes_share_a_port(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """Each line goes to the probe that can read it; one that none can read is said once, with each one's reason."""
    source = ready(start, r"^A (?P<temperature>\S+)", r"^B (?P<temperature>\S+)")
    cable.write(b"A 4.25\nB 20.5\nboot\n")
    *_, bad = inbox.wait(3)
    assert inbox.values() == [("p0", "temperature", 4.25), ("p1", "temperature", 20.5)]
    assert bad.probe is None
    (unreadable,) = bad.unreadable
    assert (unreadable.content, unreadable.origin) == (b"boot", str(cable.path))
    assert "p0: " in unreadable.reason
    assert "p1: " in unreadable.reason
    assert source.status().unreadable == 1


def test_the_tail_of_a_line_is_passed_over(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """Where we begin to listen in the middle of a line, its tail is neither an error nor a shortened number."""
    ready(start, r"(?P<temperature>-?[0-9.]+)$")
    cable.write(b"0.5\n20.5\nwarm\n")
    _, bad = inbox.wait(2)
    assert inbox.values() == [("p0", "temperature", 20.5)]
    assert bad.unreadable[0].content == b"warm"


def test_a_whole_first_line_is_taken(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """A first line whose value cannot have lost its beginning is a reading."""
    ready(start)
    cable.write(b"T=20.5\n")
    inbox.wait(1)
    assert inbox.values() == [("p0", "temperature", 20.5)]


def test_a_line_without_end_is_cut(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """Ten thousand bytes without a newline are one unreadable line of which the beginning is kept; then all is well."""
    ready(start)
    cable.write(b"T=1\n")
    inbox.wait(1)
    for _ in range(10):
        cable.write(b"x" * 1000)
    cable.write(b"\nT=2\n")
    _, cut, after = inbox.wait(3)
    assert cut.unreadable[0].content == b"x" * KEPT_BYTES
    assert "longer than" in cut.unreadable[0].reason
    assert after.samples[0].value == 2.0


def test_noise_is_kept_with_its_reason(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """Bytes that no probe means are unreadable, and the lines around them are read."""
    ready(start)
    cable.write(b"T=1\n\x00\xff\xfe\x80\nT=2\n")
    _, noise, _ = inbox.wait(3)
    assert noise.unreadable[0].content == b"\x00\xff\xfe\x80"
    assert [value for _, _, value in inbox.values()] == [1.0, 2.0]


def test_a_pulled_cable_comes_back(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """The cable is pulled and put back twice, as another device under the same name: reading goes on each time."""
    source = ready(start)
    for value in (1, 2, 3):
        cable.write(b"T=%d\n" % value)
        inbox.wait(value)
        cable.unplug()
        until(lambda: not source.status().connected)
        until(lambda: "cannot be read" in source.status().detail)
        assert source.alive()
        cable.replug()
        until(lambda: source.status().connected)
    cable.write(b"T=4\n")
    inbox.wait(4)
    assert [value for _, _, value in inbox.values()] == [1.0, 2.0, 3.0, 4.0]
    assert source.status().detail == ""


def test_half_a_line_before_the_pull_is_not_glued_to_the_next(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """What stood unfinished when the cable was pulled is forgotten."""
    source = ready(start)
    cable.write(b"T=1\nT=2")
    inbox.wait(1)
    cable.unplug()
    until(lambda: not source.status().connected)
    cable.replug()
    until(lambda: source.status().connected)
    cable.write(b"5\nT=3\n")
    inbox.wait(2)
    assert [value for _, _, value in inbox.values()] == [1.0, 3.0]


def test_another_device_under_the_same_name_is_noticed(
    start: Start, cable: PtyLine, tmp_path: Path, inbox: Inbox
) -> None:
    """When the name points elsewhere while the old device stays silently open, the new one is opened."""
    ready(start)
    with PtyLine(tmp_path / "other") as other:
        fresh = cable.path.with_name("fresh")
        fresh.symlink_to(other.path.readlink())
        fresh.replace(cable.path)
        end = time.monotonic() + 10
        while not inbox.messages and time.monotonic() < end:
            other.write(b"T=7\n")
            time.sleep(0.1)
        assert inbox.values()[0] == ("p0", "temperature", 7.0)


def test_a_port_that_is_not_there_yet(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """A start without the cable waits for it, says so, and lasts."""
    cable.unplug()
    source = start()
    until(lambda: "cannot be read" in source.status().detail)
    assert source.alive()
    cable.replug()
    until(lambda: source.status().connected)
    cable.write(b"T=1\n")
    inbox.wait(1)


def test_a_second_reader_is_told(start: Start, inbox: Inbox) -> None:
    """Two sources on one port: the second says that it cannot have it, instead of both losing lines."""
    ready(start)
    second = start()
    until(lambda: "lock" in second.status().detail)
    assert not second.status().connected


def test_a_sink_that_raises_is_tried_again(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """A line that could not be handed over is kept and handed over later: no probe sends it twice."""
    inbox.fail = 2
    source = ready(start)
    cable.write(b"T=1\nT=2\n")
    until(lambda: "could not be handed over" in source.status().detail)
    inbox.wait(2)
    assert [value for _, _, value in inbox.values()] == [1.0, 2.0]
    until(lambda: not source.status().detail)


def test_it_stops_at_once(start: Start, inbox: Inbox) -> None:
    """A stop ends the thread within half a second, even while the sink refuses."""
    source = ready(start)
    began = time.monotonic()
    source.stop()
    assert time.monotonic() - began < 1.0
    assert not source.alive()


def test_many_lines_arrive_whole_and_in_order(start: Start, cable: PtyLine, inbox: Inbox) -> None:
    """Five thousand lines written as fast as the line takes them all arrive, in order."""
    ready(start)
    for at in range(0, 5000, 100):
        cable.write(b"".join(b"T=%.3f\n" % (n / 1000) for n in range(at, at + 100)), patience_s=5)
    inbox.wait(5000)
    assert [value for _, _, value in inbox.values()] == [n / 1000 for n in range(5000)]
    assert cable.lost == 0


@settings(max_examples=200, deadline=None)
@given(st.lists(st.binary(max_size=40)), st.lists(st.integers(1, 30)))
def test_lines_do_not_depend_on_where_the_bytes_are_cut(contents: list[bytes], cuts: list[int]) -> None:
    """However a stream is cut into chunks, the same lines come out, only the first of them perhaps torn."""
    stream = b"".join(content.replace(b"\n", b" ") + b"\n" for content in contents)
    expected = [Line(content.replace(b"\n", b" ").rstrip(b"\r"), index == 0) for index, content in enumerate(contents)]
    lines, found = Lines(), []
    for cut in [*cuts, len(stream) + 1]:
        chunk, stream = stream[:cut], stream[cut:]
        found += lines.feed(chunk)
    assert found == expected


@pytest.mark.parametrize("size", [1, 7, 4096, 100_000])
def test_memory_for_a_line_is_bounded(size: int) -> None:
    """A line without end takes no more memory than one line may, and comes out once, cut."""
    lines = Lines()
    found: list[Line] = []
    for _ in range(20_000 // size + 1):
        found += lines.feed(b"x" * size)
        assert len(lines._rest) <= MAX_LINE
    assert found == []
    assert lines.feed(b"y\nT=1\n") == [Line(b"x" * KEPT_BYTES, torn=True, too_long=True), Line(b"T=1")]
