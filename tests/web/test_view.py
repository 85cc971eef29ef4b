from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from monitor.alerts.book import Outcome
from monitor.engine.state import State
from monitor.engine.step import due_ticks, step
from monitor.engine.view import overview
from monitor.ledger import Ledger
from monitor.model.clock import DAY, HOUR, MINUTE, iso
from monitor.model.config import Calibration, Fridge, RuleProbe, RuleSettings, Vessel
from monitor.model.inputs import (
    Acknowledged,
    BatchStarted,
    Configured,
    JournalEntry,
    ProbeMoved,
    ProbeStatus,
    Reading,
    Shelved,
)
from monitor.store.reader import Reader
from monitor.store.store import Store
from monitor.web.look import load
from tests.web.cellar import START
from tests.web.conftest import Filled

SETTINGS = RuleSettings(
    site="Stone cellar",
    probe=[
        RuleProbe(name="float-a", calibration={"float_angle": Calibration(gravity=[(25.0, 1.0), (60.0, 1.1)])}),
        RuleProbe(name="well-b", measures="liquid"),
        RuleProbe(name="spare"),
    ],
    vessel=[Vessel(name="bucket", probes=["float-a", "well-b"]), Vessel(name="jar", volume_l=0.5, material="glass")],
    fridge=[Fridge(name="larder", probes=["air"], contents=["jar"])],
)


def told_of(
    *items: JournalEntry | Reading, now: int, settings: RuleSettings = SETTINGS
) -> tuple[State, dict[str, Any]]:
    """Run inputs through the engine, ticks and all, and look at what stands."""
    state = State()
    step(state, Configured(settings=settings.as_json(), received=START), START, Outcome())
    for item in items:
        at = item.received_ms if isinstance(item, Reading) else item.received
        for tick in list(due_ticks(state, at)):
            step(state, tick, tick.received_ms, Outcome())
        step(state, item, at, Outcome())
    for tick in list(due_ticks(state, now)):
        step(state, tick, tick.received_ms, Outcome())
    told = overview(state, now)
    assert json.loads(json.dumps(told, allow_nan=False)) == told, "plain JSON"
    return state, told


def reading(probe: str, quantity: str, minute: int, value: float) -> Reading:
    at = START + minute * MINUTE
    return Reading(probe, quantity, at, value, at)


def probe(told: dict[str, Any], name: str) -> dict[str, Any]:
    return next(each for each in told["probes"] if each["name"] == name)


def test_before_anything_is_heard_all_is_unknown():
    """A fresh state tells what is set up, and null for everything not known."""
    _, told = told_of(now=START + MINUTE)
    assert told["site"]["name"] == "Stone cellar"
    assert [each["name"] for each in told["probes"]] == ["float-a", "well-b", "spare", "air"]
    assert {(each["status"], each["why"]) for each in told["probes"]} == {(None, "never heard")}
    assert probe(told, "spare")["place"] is None
    (fridge,) = told["fridges"]
    assert fridge["air"] is fridge["mean"] is fridge["swing"] is None
    assert fridge["contents"][0]["margin"] is None
    assert told["batches"] == told["alerts"] == []


def test_looking_changes_nothing(recorded: Callable[[str, float | None], Filled]):
    """The overview is pure: a second look is equal, and no piece of the state was touched."""
    filled = recorded("two-siblings", 140.5)
    with Reader(filled.path) as reader:
        state = load(reader)
    state.drain()
    first = overview(state, filled.last_ms)
    assert overview(state, filled.last_ms) == first
    assert set(state.drain()) == {"clock"}


def test_committed_pieces_tell_the_same_as_the_writers_memory(
    recorded: Callable[[str, float | None], Filled], tmp_path
):
    """A state put together from the store, without hours, gives the same picture as the one that was stepped."""
    filled = recorded("two-siblings", 140.5)
    with Store.private() as store, Reader(filled.path) as reader:
        ledger = Ledger(store, strict=True)
        ledger.load()
        with ledger.commit():
            for item in reader.inputs():
                ledger.put(item)
            ledger.tick(filled.last_ms)
        assert overview(load(reader), filled.last_ms) == overview(ledger.state, filled.last_ms)


def test_a_calibrated_value_is_told_raw_and_as_gravity():
    """What the probe said and what it means stand side by side."""
    _, told = told_of(reading("float-a", "float_angle", 1, 42.5), now=START + 2 * MINUTE)
    (row,) = probe(told, "float-a")["quantities"]
    assert (row["value"], row["unit"], row["time"]) == (42.5, "deg", iso(START + MINUTE))
    assert row["calibrated"]["value"] == pytest.approx(1.05)
    assert row["calibrated"]["quantity"] == "gravity"


def test_silence_is_a_failure_with_the_time_it_was_last_heard():
    """A probe that stopped is in failure by NE 107, and its last value is no longer fresh."""
    items = [reading("well-b", "temperature", minute, 20.0 + minute % 3 / 10) for minute in range(1, 30)]
    _, told = told_of(*items, now=START + 3 * HOUR)
    silent = probe(told, "well-b")
    assert silent["status"] == "failure"
    assert iso(START + 29 * MINUTE) in silent["why"]
    assert not silent["quantities"][0]["fresh"]
    assert not told["vessels"][0]["temperature"]["fresh"]


def test_a_moved_probe_is_in_function_check_and_a_wild_one_out_of_specification():
    """The words of NE 107 follow from what happened to the probe."""
    _, told = told_of(
        reading("well-b", "temperature", 1, 20.0),
        ProbeMoved(probe="well-b", to="vessel:jar", at=START + 2 * MINUTE, received=START + 2 * MINUTE),
        *[reading("air", "temperature", minute, 120.0) for minute in (3, 4, 5)],
        now=START + 6 * MINUTE,
    )
    assert probe(told, "well-b")["status"] == "function check"
    assert probe(told, "well-b")["place"] == "vessel:jar"
    assert probe(told, "air")["status"] == "out of specification"


def test_a_probe_that_says_goodbye_is_told_as_offline():
    """What a probe says of itself is passed on."""
    _, told = told_of(
        reading("well-b", "temperature", 1, 20.0),
        ProbeStatus(probe="well-b", online=False, received=START + 2 * MINUTE),
        now=START + 3 * MINUTE,
    )
    assert probe(told, "well-b")["online"] is False
    assert "goes offline" in probe(told, "well-b")["why"]


def test_alert_states_are_the_words_of_the_standard():
    """Unacknowledged, acknowledged, shelved until a time, and unacknowledged again when that has passed."""
    items: list[JournalEntry | Reading] = [reading("well-b", "temperature", 1, 20.0)]
    state, told = told_of(*items, now=START + 3 * HOUR)
    (alert,) = told["alerts"]
    assert (alert["alert"], alert["state"], alert["priority"]) == ("probe-silent", "unacknowledged", "medium")
    at, until = START + 3 * HOUR + 1, START + 5 * HOUR
    step(state, Shelved(id=alert["id"], until=until, received=at), at, Outcome())
    (shelved,) = overview(state, at + MINUTE)["alerts"]
    assert (shelved["state"], shelved["shelved_until"]) == ("shelved", iso(until))
    assert overview(state, until)["alerts"][0]["state"] == "unacknowledged"
    step(state, Acknowledged(id=alert["id"], received=at + 1), at + 1, Outcome())
    assert overview(state, until)["alerts"][0]["state"] == "acknowledged"


def test_the_most_urgent_unseen_alert_comes_first(recorded: Callable[[str, float | None], Filled]):
    """High before medium before low, and what somebody has seen after what nobody has."""
    filled = recorded("two-siblings", 140.5)
    with Reader(filled.path) as reader:
        state = load(reader)
    first = overview(state, filled.last_ms)["alerts"]
    assert [each["alert"] for each in first] == ["fridge-door", "ferment-stalled", "ferment-finished"]
    step(state, Acknowledged(id=first[0]["id"], received=filled.last_ms + 1), filled.last_ms + 1, Outcome())
    assert [each["alert"] for each in overview(state, filled.last_ms)["alerts"]] == [
        "ferment-stalled", "ferment-finished", "fridge-door",
    ]  # fmt: skip


def test_strength_is_told_with_its_range_once_the_gravities_are_known():
    """From the original gravity and the present one, with a range that holds the value."""
    start = BatchStarted(
        batch={"name": "amber", "vessel": "bucket", "pitched": START, "original_gravity": 1.062}, received=START + 1
    )
    items = [reading("float-a", "float_angle", minute, 35.0) for minute in range(10, 60 * 30, 10)]
    _, told = told_of(start, *items, now=START + DAY + 6 * HOUR)
    (batch,) = told["batches"]
    assert batch["original"] == {"gravity": 1.062, "told": True}
    assert batch["gravity"] == pytest.approx(1.0286, abs=0.001)
    low, high = batch["alcohol"]["abv_range"]
    assert low < batch["alcohol"]["abv"] < high
    assert batch["alcohol"]["abv"] == pytest.approx(4.4, abs=0.3)
    assert batch["gravity_probes"] == ["float-a"]
    assert told["vessels"][0]["batch"] == "amber"


def test_a_batch_nobody_measured_has_no_strength():
    """Without a gravity there is no strength, and no verdict was passed."""
    start = BatchStarted(batch={"name": "amber", "vessel": "jar", "pitched": START}, received=START + 1)
    _, told = told_of(start, now=START + HOUR)
    (batch,) = told["batches"]
    assert batch["alcohol"] is batch["gravity"] is batch["final"] is batch["temperature"] is None
    assert batch["age_hours"] == 1.0
