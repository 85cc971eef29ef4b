from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import httpx
import pytest

from monitor.model.inputs import Acknowledged
from monitor.store.reader import Reader
from monitor.web import stream
from tests.web.cellar import House
from tests.web.conftest import client_of


@pytest.fixture(autouse=True)
def hurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look often, so that the tests are short."""
    monkeypatch.setattr(stream, "LOOK_EVERY", 0.05)


def blocks(answer: httpx.Response) -> Iterator[dict[str, str]]:
    """The blocks of a stream, as a browser takes them apart."""
    block: dict[str, str] = {}
    for line in answer.iter_lines():
        if not line:
            yield block
            block = {}
            continue
        name, _, value = line.partition(":")
        block[name or "comment"] = value.strip()


def first_alert(client: httpx.Client) -> str:
    return str(client.get("/api/alerts").json()["standing"][0]["id"])


def test_an_event_is_told_when_it_happens(house: House, client: httpx.Client):
    """A change shows in an open stream, with its number and kind, as the very line of the event log."""
    number = first_alert(client)
    with client.stream("GET", "/api/events") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        told = blocks(answer)
        assert next(told) == {"retry": "3000"}
        house.desk.record(Acknowledged(id=number)).result(10)
        block = next(told)
    assert block["event"] == "alert"
    with Reader(house.desk.path) as reader:
        assert int(block["id"]) == reader.last_event()
        assert block["data"] == list(reader.event_lines())[-1]


def test_a_reader_resumes_after_the_event_it_saw_last(house: House, client: httpx.Client):
    """With Last-Event-ID every event after that number comes, once and in order."""
    with Reader(house.desk.path) as reader:
        expected = list(reader.events(20))
    with client.stream("GET", "/api/events", headers={"Last-Event-ID": "20"}) as answer:
        told = blocks(answer)
        next(told)
        numbers = [int(next(told)["id"]) for _ in expected]
    assert numbers == [number for number, _ in expected]


def test_after_in_the_address_resumes_too(client: httpx.Client):
    """A program that cannot set headers names the number in the address."""
    with client.stream("GET", "/api/events?after=0") as answer:
        told = blocks(answer)
        next(told)
        assert next(told)["id"] == "1"


def test_a_number_of_another_store_starts_from_now(house: House, client: httpx.Client):
    """A number beyond the last event, from a store since replaced, does not keep new events back."""
    number = first_alert(client)
    with client.stream("GET", "/api/events", headers={"Last-Event-ID": "999999"}) as answer:
        told = blocks(answer)
        next(told)
        time.sleep(0.3)
        house.desk.record(Acknowledged(id=number)).result(10)
        assert next(told)["event"] == "alert"


def test_a_quiet_stream_still_beats(client: httpx.Client, monkeypatch: pytest.MonkeyPatch):
    """While nothing happens a comment comes now and then, so that both ends know that the other is there."""
    monkeypatch.setattr(stream, "HEARTBEAT", 0.1)
    with client.stream("GET", "/api/events") as answer:
        told = blocks(answer)
        next(told)
        assert next(told) == {"comment": "nothing new"}


def test_senseless_numbers_are_refused(client: httpx.Client):
    """A Last-Event-ID that is no number is a bad request."""
    assert client.get("/api/events", headers={"Last-Event-ID": "x"}).status_code == 400


def test_streams_are_bounded(client: httpx.Client, monkeypatch: pytest.MonkeyPatch):
    """Beyond so many open streams the next is told to come back, and a closed one makes room."""
    monkeypatch.setattr(stream, "STREAMS", 1)
    with client.stream("GET", "/api/events") as answer:
        told = blocks(answer)  # kept: letting go of it would close the stream
        next(told)
        refused = client.get("/api/events")
        assert refused.status_code == 503
        assert refused.headers["retry-after"] == "30"
    for _ in range(100):
        with client.stream("GET", "/api/events") as again:
            if again.status_code == 200:
                return
        time.sleep(0.05)
    pytest.fail("a closed stream made no room")


def test_the_server_stops_with_streams_open(house: House):
    """Stopping ends open streams in good order and at once."""
    ended = threading.Event()

    def follow() -> None:
        with client_of(house) as client, client.stream("GET", "/api/events") as answer:
            for _ in blocks(answer):
                started.set()
        ended.set()

    started = threading.Event()
    thread = threading.Thread(target=follow)
    thread.start()
    assert started.wait(10)
    before = time.monotonic()
    assert house.server.stop()
    assert time.monotonic() - before < 2.5
    assert ended.wait(5)
    thread.join()
