"""Invariant 5: missing data ends nothing. It makes a verdict unknown, and is told; alerts return on good readings."""

import math
from pathlib import Path

import pytest

from monitor.model.clock import DAY, HOUR, MINUTE, SECOND, iso
from monitor.model.events import NOTICES
from monitor.model.inputs import BatchClosed, JournalEntry, StageChanged, Ticked

from .helpers import NOW, SETTINGS, Cellar, alternates


def standing(cellar: Cellar) -> set[str]:
    return {f"{alert.alert}/{alert.about}" for alert in cellar.ledger.state.book.standing.values()}


def returned_since(cellar: Cellar, at: int) -> list[str]:
    events = [event for event in cellar.events() if event.get("change") == "returned"]
    return [f"{event['alert']}/{event['about']}" for event in events if event["time"] > iso(at)]


def speak(
    cellar: Cellar, hours: float, values: dict[str, float], probe: str = "float-a", every: int = 15 * MINUTE
) -> None:
    """One probe, again and again, trembling a little as live ones do."""
    for number in range(round(hours * HOUR / every)):
        trembling = {
            quantity: round(value + 0.0002 * math.sin(1.7 * number) * (1 if value < 3 else 300), 5)
            for quantity, value in values.items()
        }
        cellar.say(probe, trembling)
        cellar.pass_time(every, 5 * MINUTE)


def test_a_silent_gravity_probe_makes_the_verdict_unknown_and_is_told(cellar: Cellar) -> None:
    """A working batch whose probe dies is unknown within hours, with the reason, and the probe is called silent."""
    for hour in range(48):
        speak(cellar, 1, {"gravity": 1.06 - 0.0006 * hour, "temperature": 20.0})
    assert cellar.ledger.state.batches["amber-1"].verdict == "working"
    cellar.pass_time(4 * HOUR, 10 * MINUTE)
    verdicts = [event for event in cellar.events() if event.get("batch") == "amber-1"]
    assert verdicts[-1]["verdict"] == "unknown"
    assert "silent" in verdicts[-1]["because"][0]
    assert cellar.alerts("probe-silent") == ["raised"]


def test_it_is_still_said_every_six_hours_while_nothing_comes(cellar: Cellar) -> None:
    """Silence of the probe is no silence of the watcher: the verdict is repeated, unknown, for days."""
    speak(cellar, 6, {"gravity": 1.06, "temperature": 20.0})
    cellar.pass_time(3 * DAY, 10 * MINUTE)
    verdicts = [
        event for event in cellar.events() if event.get("batch") == "amber-1" and event["time"] > iso(NOW + 9 * HOUR)
    ]
    assert {event["verdict"] for event in verdicts} == {"unknown"}
    assert len(verdicts) >= 3 * 4 - 1


def test_days_of_silence_return_no_alert_that_readings_raised(tmp_path: Path) -> None:
    """Too warm, suspect, stuck, fridge warming: then everything goes silent for nine days, and all of them stand."""
    warm = [batch.model_copy(update={"yeast_range_c": (16.0, 19.0)}) for batch in SETTINGS.batch]
    cellar = Cellar(tmp_path, SETTINGS.model_copy(update={"batch": warm}))
    cellar.start()
    for number in range(30 * 12):  # thirty hours
        minutes = number * 5
        warmer = max(0, minutes - 24 * 60) / 20  # the compressor stops after a day
        cellar.say("fridge-air", {"temperature": round(4 + 1.2 * math.sin(minutes / 6) + warmer, 2)})
        if number % 3 == 0:
            cellar.say(
                "float-a", {"gravity": round(1.06 - minutes / 1e5 + 0.0002 * math.sin(number), 5), "temperature": 23.0}
            )
            stuck = {"gravity": 1.05, "temperature": 20.0}
            cellar.say(
                "float-b",
                stuck if minutes > 600 else {"gravity": 1.05 + number / 1e5, "temperature": 20 + number / 100},
            )
        if number == 350:
            for _ in range(4):
                cellar.say("cellar-air", {"temperature": 120.0})
                cellar.clock.advance(SECOND)
        cellar.pass_time(5 * MINUTE)
    before = standing(cellar)
    names = {key.partition("/")[0] for key in before}
    assert {"ferment-too-warm", "probe-suspect", "probe-stuck", "fridge-compressor"} <= names
    then = cellar.clock.wall_ms()
    cellar.pass_time(9 * DAY, 20 * MINUTE)
    raised_by_readings = {key for key in before if key.partition("/")[0] not in NOTICES}
    assert raised_by_readings <= standing(cellar)
    assert not set(returned_since(cellar, then)) & raised_by_readings
    alternates(cellar.events())
    cellar.kill()


def test_nine_days_of_silence_over_restarts_return_nothing_either(cellar: Cellar) -> None:
    """A daemon that is restarted daily forgets no alert, and a silent probe is told of once."""
    speak(cellar, 30, {"gravity": 1.05, "temperature": 28.0}, probe="float-b")
    assert "ferment-too-warm/batch:pale-2" in standing(cellar)
    for _ in range(9):
        cellar.pass_time(23 * HOUR, 30 * MINUTE)
        cellar.kill()
        cellar.clock.advance(HOUR)
        cellar.start()
    assert {"ferment-too-warm/batch:pale-2", "probe-silent/probe:float-b"} <= standing(cellar)
    assert cellar.alerts("probe-silent").count("raised") == 1
    assert "returned" not in cellar.alerts("ferment-too-warm") + cellar.alerts("probe-silent")


def test_a_silent_quantity_is_not_heard_again_by_another(cellar: Cellar) -> None:
    """Temperature goes on while gravity is silent: the alert stands until gravity itself is heard."""
    speak(cellar, 3, {"gravity": 1.05, "temperature": 20.0})
    speak(cellar, 6, {"temperature": 20.0})
    assert cellar.alerts("probe-silent") == ["raised"]
    cellar.say("float-a", {"gravity": 1.049})
    cellar.pass_time(MINUTE)
    assert cellar.alerts("probe-silent") == ["raised", "returned"]


@pytest.mark.parametrize("outage", [MINUTE, 3 * HOUR])
def test_a_restart_does_not_make_a_silent_quantity_heard(cellar: Cellar, outage: int) -> None:
    """After a kill the first temperature must not return an alert about gravity, which is as silent as before."""
    speak(cellar, 3, {"gravity": 1.05, "temperature": 20.0})
    speak(cellar, 3, {"temperature": 20.0})
    assert cellar.alerts("probe-silent") == ["raised"]
    cellar.kill()
    cellar.clock.advance(outage)
    cellar.start()
    speak(cellar, 3, {"temperature": 20.0})
    assert cellar.alerts("probe-silent") == ["raised"]


def test_values_that_cannot_be_right_resolve_nothing(cellar: Cellar) -> None:
    """A silent probe that comes back talking nonsense is not well again."""
    speak(cellar, 3, {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(3 * HOUR, 5 * MINUTE)
    for _ in range(5):
        cellar.say("float-a", {"gravity": 1.5, "temperature": 140.0})
        cellar.pass_time(MINUTE)
    assert "probe-silent/probe:float-a" in standing(cellar)
    assert "returned" not in cellar.alerts("probe-silent")


def test_a_second_witness_that_talks_nonsense_is_not_cleared_by_the_first(tmp_path: Path) -> None:
    """Two probes in a bucket, one of them broken: that they agreed hours ago does not make it believable now."""
    two = [SETTINGS.vessel[0].model_copy(update={"probes": ["float-a", "float-b"]}), *SETTINGS.vessel[2:]]
    batches = [batch for batch in SETTINGS.batch if batch.vessel != "bucket-b"]
    cellar = Cellar(tmp_path, SETTINGS.model_copy(update={"vessel": two, "batch": batches}))
    cellar.start()
    for hour in range(8):
        for number in range(4):
            value = 1.06 - 0.0003 * hour + 0.0001 * number
            cellar.say("float-a", {"gravity": value, "temperature": 20.0 + number / 100})
            broken = hour == 7
            cellar.say("float-b", {"gravity": 1.5 if broken else value, "temperature": 20.0 + number / 90})
            cellar.pass_time(15 * MINUTE, 5 * MINUTE)
    cellar.pass_time(2 * HOUR, 5 * MINUTE)
    assert cellar.alerts("probe-suspect") == ["raised"]
    cellar.kill()


def test_a_finished_batch_whose_probe_dies_keeps_its_notice(cellar: Cellar) -> None:
    """`ferment-finished` does not return because nothing is heard: the verdict is unknown, not otherwise."""
    for hour in range(24):
        speak(cellar, 1, {"gravity": 1.06 - 0.002 * hour, "temperature": 20.0}, every=30 * MINUTE)
    speak(cellar, 80, {"gravity": 1.0085, "temperature": 20.0}, every=30 * MINUTE)
    assert cellar.alerts("ferment-finished")[:1] == ["raised"]
    cellar.pass_time(3 * DAY, 20 * MINUTE)
    assert cellar.ledger.state.batches["amber-1"].verdict == "unknown"
    assert "returned" not in cellar.alerts("ferment-finished")


@pytest.mark.parametrize("how", ["ticked", "stage", "closed"])
def test_a_notice_returns_when_a_person_says_so(cellar: Cellar, how: str) -> None:
    """A reading that is wanted is no longer wanted once ticked off, or when the stage changes; time does not do it."""
    cellar.pass_time(30 * HOUR, 10 * MINUTE)
    asked = next(alert for alert in cellar.ledger.state.book.standing.values() if alert.about == "batch:jug-1")
    assert asked.alert == "reading-due"
    cellar.pass_time(2 * DAY, 20 * MINUTE)
    assert "reading-due/batch:jug-1" in standing(cellar)
    answers: dict[str, JournalEntry] = {
        "ticked": Ticked(id=asked.id),
        "stage": StageChanged(batch="jug-1", stage="cold"),
        "closed": BatchClosed(batch="jug-1"),
    }
    cellar.record(answers[how])
    assert "reading-due/batch:jug-1" not in standing(cellar)


def test_the_fridge_is_not_well_because_its_probe_died(cellar: Cellar) -> None:
    """A freezing jug, then silence for two days: the risk stands until a good reading says otherwise."""
    for number in range(24 * 12):
        cellar.say("fridge-air", {"temperature": round(-3 + 0.8 * math.sin(number / 2), 2)})
        cellar.pass_time(5 * MINUTE)
    assert cellar.alerts("freeze-risk")[:1] == ["raised"]
    cellar.pass_time(2 * DAY, 20 * MINUTE)
    assert "freeze-risk/fridge:fridge" in standing(cellar)
    for number in range(30 * 12):
        cellar.say("fridge-air", {"temperature": round(6 + 0.8 * math.sin(number / 2), 2)})
        cellar.pass_time(5 * MINUTE)
    assert "freeze-risk/fridge:fridge" not in standing(cellar)
