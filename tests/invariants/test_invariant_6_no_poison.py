"""Invariant 6: what cannot be read is counted, kept (bounded) with its reason, and acknowledged; it stops nothing."""

import json
import math
import os
import time
from concurrent.futures import Future
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from monitor.intake.decode import Decoder
from monitor.model.clock import MINUTE
from monitor.model.config import Probe
from monitor.model.errors import StoreTrouble
from monitor.model.inputs import Acknowledged, HandReading, Message, ProbeMoved, Sample, StageChanged, Unreadable
from monitor.sources.hearing import Hearing
from monitor.sources.serial import SerialSource
from monitor.sources.topics import Topics
from monitor.store.reader import Reader
from monitor.store.store import UNREADABLE_KEPT
from simulators.wires import Broker, BrokerLink, PtyLine

from .helpers import NOW, Cellar
from .wired import until, wired

GOOD = b'[{"n":"gravity","u":"1","v":1.0421}]'

GARBAGE: dict[str, bytes] = {
    "nothing but a space": b" ",
    "no JSON": b"hello",
    "half a message": b'[{"n":"gravity","v":1.04',
    "zeros": bytes(64),
    "all bytes": bytes(range(256)),
    "no UTF-8": b'{"n":"gravity","v":"\xff\xfe"}',
    "another encoding": "[]".encode("utf-16"),
    "a byte order mark alone": b"\xef\xbb\xbf",
    "null": b"null",
    "a number": b"42",
    "text": b'"gravity"',
    "deep nesting": b"[" * 20_000,
    "deep and closed": b'{"a":' * 5_000 + b"1" + b"}" * 5_000,
    "a huge number": b'[{"n":"gravity","v":1e999}]',
    "a number of a thousand digits": b'[{"n":"gravity","v":' + b"9" * 1_000 + b"}]",
    "digits beyond what the language converts": b'[{"n":"gravity","v":' + b"9" * 5_000 + b"}]",
    "NaN": b'[{"n":"gravity","v":NaN}]',
    "minus infinity": b'[{"n":"gravity","v":-Infinity}]',
    "true": b'[{"n":"gravity","v":true}]',
    "a number as text": b'[{"n":"gravity","v":"1.04"}]',
    "a list as value": b'[{"n":"gravity","v":[1.04]}]',
    "no value": b'[{"n":"gravity"}]',
    "no quantity": b'[{"v":1.04}]',
    "an unknown quantity": b'[{"n":"happiness","v":1.04}]',
    "an impossible value": b'[{"n":"gravity","v":17}]',
    "a unit of something else": b'[{"n":"gravity","u":"kg","v":1.04}]',
    "a unit nobody knows": b'[{"n":"temperature","u":"furlong","v":1.04}]',
    "a lone surrogate as quantity": b'[{"n":"\\ud800","v":1.04}]',
    "a lone surrogate as unit": b'[{"n":"gravity","u":"\\udfff","v":1.04}]',
    "a zero character": b'[{"n":"gra\\u0000vity","v":1.04}]',
    "an injection": b'[{"n":"x\'); DROP TABLE readings; --","v":1}]',
    "a time of 1970": b'[{"n":"gravity","v":1.04,"t":300000000}]',
    "a time of the year 5138": b'[{"n":"gravity","v":1.04,"t":99999999999}]',
    "a time of text": b'[{"n":"gravity","v":1.04,"t":"noon"}]',
    "a time beyond all": b'[{"n":"gravity","v":1.04,"t":1e300}]',
    "a time that is NaN": b'[{"n":"gravity","v":1.04,"t":NaN}]',
    "a later version": b'[{"bver":99,"n":"gravity","v":1.04}]',
    "a field that must be understood": b'[{"n":"gravity","v":1.04,"x_":1}]',
    "two thousand records": b"[" + b",".join([b'{"n":"happiness","v":1}'] * 2_000) + b"]",
    "a very long name": b'[{"n":"' + b"x" * 40_000 + b'","v":1}]',
    "more than one message may have": b"[" + b" " * 70_000 + b"]",
    "a key twice": b'[{"n":"gravity","n":"\\ud834","v":1.04}]',
}


def unreadable(path: Path) -> list[tuple[int, str, str, str, bytes]]:
    with Reader(path) as reader:
        return reader.unreadable(1_000)


def good_ones(path: Path) -> list[float]:
    with Reader(path) as reader:
        return [value for _, value in reader.curve("float-a", "gravity", 0, 2**60)]


def counted(cellar: Cellar) -> int:
    return sum(n for name, n in cellar.counters().items() if name.startswith("unreadable:"))


# --- through the real decoders -----------------------------------------------------------------------------------


def test_every_kind_of_garbage_is_kept_acknowledged_and_passed_over(tmp_path: Path, broker: Broker) -> None:
    """Between two good messages each of forty bad ones is counted and kept with a reason; the broker has none left."""
    with BrokerLink(broker.port) as link:
        with wired(tmp_path, broker.port) as life:
            for content in GARBAGE.values():
                link.publish("cellar/float-a", content)
                link.publish("cellar/float-a", GOOD)
            link.settle()
            store = tmp_path / "store.db"
            until(lambda: good_ones(store) == [1.0421] * len(GARBAGE))
            time.sleep(0.3)
        found = unreadable(store)
        with Reader(store) as reader:
            assert reader.counters()["unreadable:mqtt"] >= len(found)
        with wired(tmp_path, broker.port) as life:  # had one not been acknowledged, it would come again now
            link.publish("cellar/float-a", GOOD)
            life.committed(1)
            time.sleep(0.2)
            assert (life.writer.status.messages, life.source.status().unreadable) == (1, 0)
    assert len(found) >= len(GARBAGE) - 1  # a space alone is no more than an empty message, which clears
    assert all(reason.strip() and source == "mqtt" and len(content) <= 2_048 for _, source, _, reason, content in found)


def test_garbage_on_a_status_topic_is_kept_too(tmp_path: Path, broker: Broker) -> None:
    """A probe's status that is neither online nor offline is no reason to stop either."""
    with BrokerLink(broker.port) as link, wired(tmp_path, broker.port) as life:
        for content in (b"online", b"perhaps", b"\xff\x00", b"offline"):
            link.publish("cellar/float-a/status", content)
        link.publish("cellar/float-a", GOOD)
        life.committed(5)
        assert [reason for *_, reason, _ in unreadable(tmp_path / "store.db")] != []
        assert life.writer.ledger.state.probes["float-a"].online is False


def test_noise_on_a_serial_line_does_not_cost_the_next_line(tmp_path: Path, cellar: Cellar) -> None:
    """Random bytes, a line that never ends, lines that do not fit: the good line after them is a reading."""
    line = PtyLine(tmp_path / "line")
    probe = Probe(name="fridge-air", source="serial", port=str(line.path), pattern=r"T=(?P<temperature>-?[0-9.]+)")
    source = SerialSource(str(line.path), [probe], cellar.writer.submit, cellar.clock)
    source.start()
    try:
        until(lambda: source.status().connected)
        line.write(b"T=4.00\n")
        for noise in (Random(1).randbytes(2_000), b"x" * 20_000, b"T=\n", b"T=1.2.3\n", b"T=99999\n", "T=٣\n".encode()):
            line.write(noise + b"\n", 5.0)
        line.write(b"T=4.50\n")
        until(lambda: cellar.settled() and 4.5 in cellar.values("fridge-air", "temperature"))
    finally:
        source.stop()
        line.unplug()
    assert cellar.values("fridge-air", "temperature") == [4.0, 4.5]
    assert counted(cellar) >= 5


PROBES = [
    Probe(name="a", source="mqtt", topic="t"),
    Probe(name="b", source="mqtt", topic="t", fields={"gravity": "g", "temperature": "x.y[0]", "time": "at"}),
    Probe(name="c", source="mqtt", topic="t", pattern=r"G=(?P<gravity>\S+)( at (?P<time>\S+))?"),
    Probe(name="d", source="mqtt", topic="t/gravity", fields={"gravity": "sum(a[*].v)", "contact": "!open"}),
]
scalars = st.sampled_from([None, True, 1.04, 2**70, "1.04"]) | st.floats() | st.integers() | st.text(max_size=8)
json_keys = st.sampled_from(["n", "v", "u", "t", "bn", "bt", "bv", "bver", "vb", "g", "x", "y", "at", "a"])
json_values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(json_keys, inner, max_size=5),
    max_leaves=12,
)  # fmt: skip
payloads = (
    st.binary(max_size=200)
    | json_values.map(lambda value: json.dumps(value).encode())
    | st.text(max_size=40).map(lambda text: f"G={text}".encode("utf-8", "surrogatepass"))
    | st.sampled_from(list(GARBAGE.values()))
)


@settings(
    max_examples=60, deadline=None, database=None, phases=[Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(content=st.lists(payloads, min_size=1, max_size=12))
def test_whatever_bytes_come_the_writer_goes_on(cellar: Cellar, content: list[bytes]) -> None:
    """Any bytes through any decoder and into the store: all acknowledged, the next good reading is there."""
    hearing, before = Hearing("mqtt", PROBES), len(cellar.receipts)
    good = len(cellar.values("a"))
    sent = 0
    for payload in content:
        for each in hearing.read(payload, "t/gravity"):
            sent += 1
            receipt = lambda: cellar.receipts.append("x")  # noqa: E731
            cellar.writer.submit(
                Message(
                    "mqtt", each.probe, cellar.clock.wall_ms(), 1_000, each.samples, each.unreadable, receipt=receipt
                )
            )
    cellar.settle()
    cellar.clock.advance(1)
    cellar.say("good", {"gravity": 1.0421})
    cellar.settle()
    assert len(cellar.receipts) - before == sent
    assert cellar.writer.status.trouble is None
    assert cellar.values("good")[-1] == 1.0421
    assert len(cellar.values("a")) >= good


# --- kept, but bounded -------------------------------------------------------------------------------------------


def test_what_is_kept_is_bounded_and_what_is_counted_is_not(cellar: Cellar) -> None:
    """Of a thousand unreadable messages the latest few hundred are kept, cut short; the count is of all."""
    for number in range(1_000):
        bad = Unreadable("mqtt", "cellar/float-a", f"reason {number}", os.urandom(5_000))
        cellar.writer.submit(Message("mqtt", "float-a", NOW, 1_000, unreadable=(bad,)))
        if number % 15 == 14:
            cellar.settle()
    cellar.settle()
    found = unreadable(cellar.path)
    assert len(found) == UNREADABLE_KEPT
    assert found[0][3] == "reason 999"
    assert max(len(content) for *_, content in found) <= 2_048
    assert cellar.counters() == {"unreadable:mqtt": 1_000}


def test_one_bad_value_does_not_lose_its_neighbours() -> None:
    """In one message each value stands for itself: the good ones are taken, the bad one is named."""
    samples, bad = Decoder(PROBES[0]).decode(
        b'[{"n":"gravity","v":1.04},{"n":"temperature","v":NaN},{"n":"battery","v":3.9}]', "t"
    )
    assert [sample.quantity for sample in samples] == ["gravity", "battery"]
    assert [("temperature" in each.reason or b"temperature" in each.content) for each in bad] == [True]


def test_an_unknown_topic_of_an_old_session_is_no_trouble() -> None:
    """A session remembers subscriptions of an earlier configuration: what comes on them is nobody's."""
    assert Topics(PROBES).read("cellar/long-gone", GOOD) == ([], None)


# --- what no decoder should let through --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sample",
    [
        pytest.param(Sample("gravity", math.nan), id="NaN"),
        pytest.param(Sample("gravity", 1.05, 2**70), id="a time of 2 to the 70th"),
        pytest.param(Sample("gravity", 1.05, -(2**70)), id="and before all time"),
        pytest.param(Sample("\ud800", 1.05), id="a lone surrogate"),
        pytest.param(Sample("gravity", "1.05"), id="text"),  # type: ignore[arg-type]
        pytest.param(Sample("gravity", [1.05]), id="a list"),  # type: ignore[arg-type]
        pytest.param(Sample("happiness", 1.05), id="a quantity nobody knows"),
    ],
)
def test_what_a_decoder_should_have_stopped_stops_nothing(cellar: Cellar, sample: Sample) -> None:
    """A fault of ours lets an impossible sample through: its neighbours in the commit are kept, it is acknowledged."""
    cellar.ledger._strict = False
    cellar.say("float-b", {"gravity": 1.03}, receipt="before")
    receipt = lambda: cellar.receipts.append("bad")  # noqa: E731
    cellar.writer.submit(Message("mqtt", "float-a", NOW, 1_000, (sample,), receipt=receipt))
    cellar.say("float-b", {"gravity": 1.02}, receipt="after")
    cellar.settle()
    cellar.pass_time(2 * MINUTE)
    cellar.say("float-b", {"gravity": 1.01}, receipt="later")
    cellar.settle()
    assert cellar.values("float-b") == [1.03, 1.02, 1.01]
    assert sorted(cellar.receipts) == ["after", "bad", "before", "later"]
    assert cellar.writer.status.trouble is None
    kept = len(unreadable(cellar.path)) + len(cellar.values()) + len(cellar.values(quantity="happiness"))
    assert kept + cellar.counters().get("rule-faults", 0) >= 1


def test_unreadable_words_that_no_table_can_hold_are_kept_in_plain_characters(cellar: Cellar) -> None:
    """Even the reason may hold what SQLite refuses: it is written so that it can be kept."""
    bad = Unreadable("mqtt", "cellar/\ud800", "because \udfff", b"x")
    cellar.writer.submit(Message("mqtt", "float-a", NOW, 1_000, unreadable=(bad,)))
    cellar.settle()
    ((_, source, _, reason, content),) = unreadable(cellar.path)
    assert (source, reason.isascii(), rb"\ud800" in content) == ("mqtt", True, True)


def test_a_change_that_cannot_be_written_is_told_to_whoever_asked(cellar: Cellar) -> None:
    """A command's change that no table can hold is answered with the error; messages beside it are committed."""
    cellar.say("float-a", {"gravity": 1.05}, receipt="a")
    answer: Future[int] = cellar.writer.record(Acknowledged(id="\ud800"))
    cellar.settle()
    assert answer.exception(0) is not None
    assert (cellar.values(), cellar.receipts) == ([1.05], ["a"])


def test_someone_who_went_away_is_no_trouble(cellar: Cellar) -> None:
    """A page that was closed before the answer: the change is made, and the writer goes on."""
    answer = cellar.writer.record(StageChanged(batch="amber-1", stage="cold"))
    answer.cancel()
    chore = cellar.writer.do(lambda store: store.count("x"))
    chore.cancel()
    cellar.settle()
    assert cellar.ledger.state.batches["amber-1"].stage == "cold"
    cellar.say("float-a", {"gravity": 1.05})
    cellar.settle()
    assert cellar.values() == [1.05]


@pytest.mark.parametrize(
    "entry",
    [
        ProbeMoved(probe="no such probe", to="vessel:no such vessel", at=NOW),
        StageChanged(batch="no such batch", stage="cold"),
        Acknowledged(id="no such alert"),
        HandReading(vessel="no such vessel", hydrometer=1.0, temperature=None, calibrated=20, at=NOW),
    ],
)
def test_a_change_to_something_unknown_stops_nothing(cellar: Cellar, entry: Any) -> None:
    """Names that mean nothing go into the journal and change nothing else."""
    cellar.record(entry)
    cellar.say("float-a", {"gravity": 1.05})
    cellar.pass_time(2 * MINUTE)
    assert cellar.values() == [1.05]


def test_a_courier_that_fails_does_not_stop_the_writer(cellar: Cellar) -> None:
    """What is to happen after a commit may fail in any way: the commit stands and the next one comes."""

    def fail(_: object) -> None:
        raise StoreTrouble("no")

    cellar.writer._on_commit = fail
    for value in (1.05, 1.04):
        cellar.say("float-a", {"gravity": value})
        cellar.settle()
    assert cellar.values() == [1.05, 1.04]
