"""The form of a site's summary: bounded, the most urgent first, and never trusted when it comes from elsewhere."""

import json
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.fleet.summary import MOST_BYTES, SENTENCE, LeftOut, SaidOfBatch, Summary, decode, encode, summarise
from monitor.model.clock import iso
from monitor.model.errors import PayloadError
from monitor.web.words import Local

from .helpers import NOW, standing, summary


def batch(number: int, words: str = "Working, falling 0.0100 a day.") -> SaidOfBatch:
    return SaidOfBatch(batch=f"batch-{number}", stage="fermenting", verdict="working", confidence=0.9, sentence=words)


def test_what_was_written_is_read() -> None:
    """Every part comes through as it was."""
    told = summary(batches=(batch(1),), alerts=(standing(),), verdicts={"working": 1})

    assert decode(encode(told)) == told
    assert told.time_ms == NOW


def test_a_site_of_a_thousand_vessels_fits_into_a_brokers_packet() -> None:
    """The first alerts and batches stay, the rest is counted: nothing is left out in silence."""
    told = summary(
        batches=tuple(batch(number, "é" * SENTENCE) for number in range(1000)),
        alerts=tuple(standing(message="ü" * SENTENCE, about=f"probe:p{number}") for number in range(500)),
        verdicts={"working": 1000},
    )

    payload = encode(told)
    back = decode(payload)

    assert MOST_BYTES - 2000 < len(payload) <= MOST_BYTES
    assert back.alerts == told.alerts[: len(back.alerts)]
    assert back.batches == told.batches[: len(back.batches)]
    assert len(back.alerts) > 30
    assert len(back.batches) > 30
    assert back.left_out == LeftOut(alerts=500 - len(back.alerts), batches=1000 - len(back.batches))
    assert back.verdicts == {"working": 1000}


@given(st.integers(0, 60), st.integers(0, 60), st.integers(900, 6000))
def test_it_never_takes_more_than_it_may(batches: int, alerts: int, most: int) -> None:
    """Whatever there is to say; and all of it is said when there is room."""
    told = summary(batches=tuple(map(batch, range(batches))), alerts=(standing(),) * alerts)

    payload = encode(told, most)
    back = decode(payload)

    assert len(payload) <= most
    assert (back == told) == (len(told.model_dump_json().encode()) <= most)
    assert len(back.batches) + back.left_out.batches == batches
    assert len(back.alerts) + back.left_out.alerts == alerts


def test_what_a_later_version_adds_is_passed_over() -> None:
    """A new key harms nothing; a new form is refused with what to do."""
    told = json.loads(encode(summary(batches=(batch(1),))))
    told["weather"] = {"rain": True}
    told["batches"][0]["colour"] = "amber"

    assert decode(json.dumps(told).encode()) == summary(batches=(batch(1),))
    with pytest.raises(PayloadError, match=r"form 2, of a later version .*; update it here"):
        decode(json.dumps(told | {"form": 2}).encode())


@pytest.mark.parametrize(
    "payload",
    [
        b"", b"online", b"\xff\xfe", b"[]", b"{}", b"{" * 5000, b'{"site":1}', b"null", b"NaN",
        encode(summary()).replace(b"2026-03-09T12:00:00.000Z", b"yesterday"),
        encode(summary()).replace(b"2026-03-09T12:00:00.000Z", b"2026-03-09T12:00:00"),
        encode(summary(batches=(batch(1),))).replace(b"0.9", b"1e999"),
        encode(summary(batches=(batch(1),))).replace(b"0.9", b"7"),
        encode(summary()).replace(b'"all":0', b'"all":"many"'),
    ],
)  # fmt: skip
def test_what_is_no_summary_is_refused_in_printable_words(payload: bytes) -> None:
    """Broken, of another kind, or without a time that can be used."""
    with pytest.raises(PayloadError) as refused:
        decode(payload)

    assert str(refused.value).isprintable()


def test_the_most_urgent_comes_first_and_only_what_is_open() -> None:
    """Batches about which an alert stands before the others; closed ones are no news."""
    told = {
        "time": iso(NOW), "site": {"name": "S" * 500},
        "alerts": [
            {"alert": "ferment-stalled", "about": "batch:c", "priority": "medium", "state": "unacknowledged",
             "since": iso(NOW), "message": "m" * 999, "do": ["stir"]},
        ],
        "batches": [_batch("a"), _batch("b", closed=True), _batch("c", verdict="stalled"), _batch("d", stage="cold")],
        "probes": [_probe("float-a"), _probe("float-b", silent=True), _probe("hand:x", by_hand=True, heard=False),
                   _probe("new", heard=False)],
    }  # fmt: skip

    found = summarise(told, Local(ZoneInfo("UTC"), NOW))

    assert [each.batch for each in found.batches] == ["c", "a", "d"]
    assert found.batches[0].sentence == "Stalled, or very slow, at 1.0300."
    assert found.batches[2].sentence == "In the cold."
    assert [each.confidence for each in found.batches] == [0.8, 0.8, None]
    assert found.verdicts == {"stalled": 1, "working": 1, "cold": 1}
    assert found.probes.model_dump() == {"all": 3, "silent": 1, "never_heard": 1}
    assert len(found.site) < 200
    assert len(found.alerts[0].message) == SENTENCE
    assert isinstance(found, Summary)


def _batch(name: str, *, verdict: str = "working", stage: str = "fermenting", closed: bool = False) -> dict:
    said = {"verdict": verdict, "confidence": 0.8, "because": (), "time": iso(NOW)}
    return {"name": name, "vessel": name, "stage": stage, "closed": closed, "verdict": verdict, "judgement": said,
            "gravity": 1.03, "age_hours": 40.0, "hint": None}  # fmt: skip


def _probe(name: str, *, silent: bool = False, heard: bool = True, by_hand: bool = False) -> dict:
    return {"name": name, "silent": silent, "heard": heard, "by_hand": by_hand, "place": None, "unreadable": None}
