"""The words of the project as types: events, journal entries, quantities, errors."""

import json
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from monitor.model import deeds, errors, inputs
from monitor.model.clock import parse_time
from monitor.model.errors import ConfigError, LeeswatchError, Problem, RecordingError, StoreBusy, StoreTrouble
from monitor.model.events import (
    NOTICES,
    OF_THE_WATCHER,
    PRIORITIES,
    AlertEvent,
    AlertName,
    Cause,
    VerdictEvent,
    as_line,
)
from monitor.model.inputs import JOURNAL, Configured, HandReading, JournalEntry, ProbeMoved
from monitor.model.quantities import QUANTITIES

NOW = parse_time("2026-03-09T04:10:00Z")


# --- events ------------------------------------------------------------------------------------------------------


def test_a_verdict_is_written_as_the_contract_says() -> None:
    """Key for key, in order, with times as text, ranges as pairs and rounded numbers."""
    event = VerdictEvent(
        NOW, "amber-1", "slowing", 0.9312, ("it slows",), ("float-a", "hand"), 1.01213, (1.01141, 1.01279), -0.00312,
        (-0.00364, -0.00258), (0.0015, 0.005), 1.0083, (1.0068, 1.0101), parse_time("2026-03-10T15:00:00Z"),
        (parse_time("2026-03-10T03:00:00Z"), parse_time("2026-03-11T20:00:00Z")), "finished-soon",
        (Cause("too-cold", 0.604),), parse_time("2026-03-09T04:09:41.120Z"),
    )  # fmt: skip

    assert as_line(event.record()) == (
        '{"time":"2026-03-09T04:10:00.000Z","event":"verdict","batch":"amber-1","verdict":"slowing","gravity":1.01213,'
        '"gravity_range":[1.01141,1.01279],"rate_per_day":-0.00312,"rate_range":[-0.00364,-0.00258],'
        '"remaining_range":[0.0015,0.005],"final_expected":1.0083,"final_range":[1.0068,1.0101],'
        '"finish_expected":"2026-03-10T15:00:00.000Z","finish_range":["2026-03-10T03:00:00.000Z",'
        '"2026-03-11T20:00:00.000Z"],"hint":"finished-soon","confidence":0.931,"causes":[{"cause":"too-cold",'
        '"weight":0.6}],"used":["float-a","hand"],"because":["it slows"],"seen":"2026-03-09T04:09:41.120Z"}'
    )


def test_what_is_not_known_is_null() -> None:
    """A verdict of nothing but its words still has every key."""
    record = VerdictEvent(NOW, "amber-1", "unknown", None, ("no gravity source",)).record()

    known = {"time", "event", "batch", "verdict", "because", "causes", "used"}
    assert {key for key, value in record.items() if value is None} == set(record) - known
    assert json.loads(as_line(record)) == record


def test_an_alert_is_written_as_the_contract_says() -> None:
    """Its priority follows from its name."""
    event = AlertEvent(
        NOW,
        "a1b2",
        "ferment-stalled",
        "raised",
        "batch:amber-1",
        "It stands still at 1.030 °.",
        ("flat",),
        ("warm it",),
    )

    assert as_line(event.record()) == (
        '{"time":"2026-03-09T04:10:00.000Z","event":"alert","id":"a1b2","alert":"ferment-stalled","change":"raised",'
        '"priority":"medium","about":"batch:amber-1","message":"It stands still at 1.030 °.","causes":[],'
        '"because":["flat"],"do":["warm it"],"seen":null}'
    )


def test_priorities_are_as_agreed() -> None:
    """Five alerts break quiet hours, eight are medium, the rest low."""
    by_priority = {level: {name for name, each in PRIORITIES.items() if each == level} for level in ("high", "medium")}

    assert by_priority == {
        "high": {"freeze-risk", "fridge-compressor", "fridge-door", "seal-unsafe", "store-trouble"},
        "medium": {"ferment-stalled", "ferment-not-started", "ferment-too-warm", "ferment-too-cold", "fridge-drift",
                   "probe-silent", "probe-stuck", "clearing-due"},
    }  # fmt: skip
    assert set(PRIORITIES) == set(get_args(AlertName))
    assert set(PRIORITIES) >= NOTICES
    assert set(PRIORITIES) >= OF_THE_WATCHER


# --- the journal -------------------------------------------------------------------------------------------------

KINDS = get_args(JournalEntry)
FILLED: dict[str, Any] = {
    "version": "0.1.0", "watched_until": NOW - 1, "by_ms": -5, "settings": {"site": "Cellar"}, "batch": "amber-1",
    "stage": "cold", "probe": "float-a", "to": "vessel:b", "at": NOW - 9, "fridge": "larder", "contents": ["a"],
    "what": "sugar", "id": "a1", "until": NOW + 9, "online": True, "vessel": "b", "hydrometer": 1.01,
    "temperature": 18.5, "calibrated": 20.0, "alert": "store-trouble", "active": False, "detail": "so",
    "name": "amber-1b", "volume_l": 4.5, "into": "amber-2", "about": "jar:ale-3", "text": "clear",
    "file": "0123456789abcdef.jpg", "part": 2, "target_c": 4.0, "hours": 48.0, "litres": 4.0, "headspace_l": 0.3,
    "sealed_at_c": 4.0, "stored_at_c": 25.0, "wash": "w-1", "strain": "ale", "generation": 2, "volume_ml": 500.0,
    "water_ml": 300.0, "jar": "ale-3", "origin": "wash", "cells_per_ml": 1.2e9, "layer_ml": 60.0, "ml": 80.0,
    "of": NOW - 99,
}  # fmt: skip


def made(kind: type[Any]) -> Any:
    values = {name: FILLED[name] for name, field in kind.model_fields.items() if field.is_required()}
    if kind is inputs.BatchStarted:
        values["batch"] = {"name": "amber-1"}
    if kind is deeds.Racked:
        values["to"] = "bucket-c"
    return kind(received=NOW, **values)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_an_entry_comes_back_from_its_line(kind: type[Any]) -> None:
    """Each kind of entry is written with times as text, its kind named, and read back as it was."""
    entry = made(kind)
    line = entry.model_dump_json()

    assert JOURNAL.validate_json(line) == entry
    assert json.loads(line)["received"] == "2026-03-09T04:10:00.000Z"
    assert json.loads(line)["kind"] == entry.kind
    assert entry.__doc__


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_an_entry_with_a_key_too_many_is_refused(kind: type[Any]) -> None:
    """A misspelt key would quietly change what a replay says."""
    told = {**made(kind).model_dump(mode="json"), "colour": "amber"}

    with pytest.raises(ValidationError, match="colour"):
        JOURNAL.validate_python(told)


def test_kinds_are_told_apart() -> None:
    """Every kind has a name of its own, and an unknown one is refused."""
    kinds = [kind.model_fields["kind"].default for kind in KINDS]

    assert len(set(kinds)) == len(kinds)
    with pytest.raises(ValidationError):
        JOURNAL.validate_python({"kind": "distilled", "received": NOW})


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_an_entry_holds_no_infinite_number(value: float) -> None:
    """What cannot be written as JSON is not taken."""
    with pytest.raises(ValidationError):
        HandReading(vessel="b", hydrometer=value, temperature=None, calibrated=20.0, at=NOW)


def test_an_entry_does_not_change() -> None:
    """What was written stays as it was written."""
    with pytest.raises(ValidationError, match="frozen"):
        ProbeMoved(probe="a", to=None, at=NOW).to = "vessel:b"  # type: ignore[misc]


@given(st.dictionaries(st.text(max_size=5), st.one_of(st.text(max_size=5), st.integers(), st.lists(st.booleans()))))
def test_a_configuration_in_the_journal_is_any_json(settings: dict[str, Any]) -> None:
    """Those of later versions included: what it means is for the rules to say."""
    entry = Configured(settings=settings, received=NOW)

    assert JOURNAL.validate_json(entry.model_dump_json()) == entry


# --- quantities and errors ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("quantity", QUANTITIES.values(), ids=lambda quantity: quantity.name)
def test_what_is_believed_is_possible(quantity: Any) -> None:
    """The plausible range of each quantity lies in its possible one."""
    assert quantity.possible[0] <= quantity.plausible[0] < quantity.plausible[1] <= quantity.possible[1]
    assert quantity.title
    assert quantity.decimals >= 0


def test_every_error_says_what_to_do_and_whether_to_try_again() -> None:
    """One tree: each says what is wrong and the remedy; trouble from outside may pass, a mistake does not."""
    error = StoreTrouble("the disk is full", "free space")

    assert str(error) == "the disk is full; free space"
    assert error.retry
    assert not StoreBusy("another process writes").retry
    kinds = [each for each in vars(errors).values() if isinstance(each, type) and issubclass(each, Exception)]
    assert all(issubclass(each, LeeswatchError) and each.__doc__ for each in kinds)
    drawn = errors.__doc__ or ""
    assert [each.__name__ for each in kinds if each.__name__ not in drawn] == [], "the drawing shows every error"


def test_a_problem_is_one_sentence() -> None:
    """File and line first, as compilers and editors have it."""
    problems = [Problem(3, "site.name", "found 5", "it should be text"), Problem(None, "file", "missing", "make it")]

    assert str(ConfigError("c.toml", problems)) == (
        "c.toml:3: site.name: found 5; it should be text\nc.toml: file: missing; make it"
    )
    assert str(RecordingError("r.csv", 7, "no time", "give one")) == "r.csv:7: no time; give one"
    assert str(RecordingError("r.csv", 0, "no file", "name one")) == "r.csv: no file; name one"
