"""Clearing: what is asked before the first part, the clock, and when it is slow."""

from __future__ import annotations

import pytest

from monitor.batches import clearing
from monitor.batches.clearing import Facts, Sinking, Surroundings
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.config import ClearingPractice
from monitor.model.deeds import Clarity, Fined, Merged, Photo, Racked, Split, Undone

PRACTICE = ClearingPractice(first_ml_per_l=1.0, second_ml_per_l=2.0)
START = 1_780_000_000_000
READY = Facts(
    verdict="finished", finished_ms=START, racked_ms=START + DAY, stage="fermenting", temperature_c=19.0,
    temperature_from="by probe float-a", volume_l=19.0,
)  # fmt: skip


def fined(part: int, at: int, what: str = "silica sol", received: int | None = None) -> Fined:
    return Fined(at=at, batch="amber-1", part=part, what=what, received=received if received is not None else at)


def seen(at: int, clearness: str | None = None, ntu: float | None = None) -> Clarity:
    return Clarity(at=at, batch="amber-1", clearness=clearness, ntu=ntu, received=at + 1)


def answers(facts: Facts = READY, **said: object) -> dict[str, str]:
    told = {"degassed": True, **said}
    return {each.name: each.answer for each in clearing.before_first(facts, PRACTICE, **told)}


def changed(**changes: object) -> Facts:
    fields = {name: getattr(READY, name) for name in Facts.__slots__}
    return Facts(**(fields | changes))


def test_a_batch_that_is_ready_passes_everything():
    """Finished, racked since, degassed, warm, and a dose by the packet for its volume."""
    assert set(answers().values()) == {"pass"}
    assert clearing.suggested_dose(19.0, 1.0) == 19.0


@pytest.mark.parametrize(
    ("changes", "name", "answer"),
    [
        ({"verdict": "slowing"}, "finished", "not"),
        ({"verdict": "unknown"}, "finished", "unknown"),
        ({"verdict": None}, "finished", "unknown"),
        ({"racked_ms": None}, "racked", "not"),
        ({"racked_ms": START - 8 * DAY}, "racked", "not"),
        ({"racked_ms": START - 2 * DAY}, "racked", "pass"),
        ({"finished_ms": None}, "racked", "unknown"),
        ({"temperature_c": 14.9}, "15 to 25 °C", "not"),
        ({"temperature_c": 25.1}, "15 to 25 °C", "not"),
        ({"temperature_c": None}, "15 to 25 °C", "unknown"),
        ({"stage": "cold"}, "not cold", "not"),
        ({"volume_l": None}, "dose", "unknown"),
    ],
)
def test_each_condition_is_asked(changes, name, answer):
    """What is not so and what is not known are told apart, and neither passes."""
    found = answers(changed(**changes))
    assert found[name] == answer
    others = {each for key, each in found.items() if key != name}
    assert others == {"pass"}


def test_degassing_is_never_guessed():
    """Without the person's word it is unknown, and the how is said with the caution."""
    (found,) = (c for c in clearing.before_first(READY, PRACTICE, degassed=False) if c.name == "degassed")
    assert found.answer == "unknown"
    assert "foam" in found.do
    assert "carbon dioxide gathers low" in found.do


@pytest.mark.parametrize(("dose", "answer"), [(19.0, "pass"), (22.0, "pass"), (30.0, "not"), (10.0, "not")])
def test_a_dose_is_held_against_the_packet(dose, answer):
    """Within a fifth of the packet's it is that dose; else another."""
    assert answers(dose_ml=dose)["dose"] == answer


def test_the_packet_may_be_told_on_the_spot():
    """Without a setting the dose is unknown until the packet's is told."""
    bare = ClearingPractice()
    (unknown,) = (c for c in clearing.before_first(READY, bare, degassed=True, dose_ml=19.0) if c.name == "dose")
    (told,) = (
        c for c in clearing.before_first(READY, bare, degassed=True, dose_ml=19.0, ml_per_l=1.0) if c.name == "dose"
    )
    assert (unknown.answer, told.answer) == ("unknown", "pass")


# --- the clock ---------------------------------------------------------------------------------------------------


def test_the_clock_of_two_parts():
    """An hour after the first the second is due; twelve to forty-eight hours after that it should be clear."""
    one = clearing.clearing([fined(1, START)], PRACTICE)
    assert clearing.second_due_ms(one, PRACTICE) == START + HOUR
    assert clearing.clear_expected_ms(one, PRACTICE) is None
    two = clearing.clearing([fined(1, START), fined(2, START + HOUR, "chitosan")], PRACTICE)
    assert clearing.second_due_ms(two, PRACTICE) is None
    assert clearing.clear_expected_ms(two, PRACTICE) == (START + 13 * HOUR, START + 49 * HOUR)
    assert two.allergens == ("chitosan",)


def test_a_part_that_was_undone_does_not_count():
    """The clock of the first part runs again once the second is taken back, and stops with the first."""
    record = [fined(1, START), fined(2, START + HOUR), Undone(of=START + HOUR, received=START + 2 * HOUR)]
    assert clearing.second_due_ms(clearing.clearing(record, PRACTICE), PRACTICE) == START + HOUR
    assert clearing.is_fined(record)
    record.append(Undone(of=START, received=START + 3 * HOUR))
    assert clearing.clearing(record, PRACTICE).first is None
    assert not clearing.is_fined(record)


def test_clear_is_since_the_first_of_the_last_looks_that_said_so():
    """A look that says hazy again takes back what was clear before."""
    record = [fined(1, START), fined(2, START + HOUR)]
    looks = [seen(START + 10 * HOUR, "hazy"), seen(START + 20 * HOUR, ntu=6.0), seen(START + 30 * HOUR, "bright")]
    found = clearing.clearing([*record, *looks], PRACTICE)
    assert found.clear_ms() == START + 20 * HOUR
    assert found.took_ms() == 19 * HOUR
    again = clearing.clearing([*record, *looks, seen(START + 31 * HOUR, "hazy")], PRACTICE)
    assert again.clear_ms() is None


def test_a_photo_and_a_probe_tell_too():
    """A photo's clearness counts as a look, and so does what a turbidity probe says, in words by its figure."""
    photo = Photo(
        at=START + 5 * HOUR, about="batch:amber-1", file="0123456789abcdef.jpg", clearness="cloudy", received=START + 9
    )
    found = clearing.clearing([fined(1, START), fined(2, START + HOUR), photo], PRACTICE)
    assert [(look.clearness, look.how) for look in found.looks] == [("cloudy", "by photo")]
    more = clearing.with_probe(found, "haze-a", [(START - HOUR, 1.0), (START + 6 * HOUR, 7.9)], PRACTICE)
    assert [look.clearness for look in more.looks] == ["cloudy", "clear"]
    words = [clearing.clearness_of(ntu, 8.0) for ntu in (2, 8, 8.1, 33, 201)]
    assert words == ["bright", "clear", "hazy", "cloudy", "opaque"]


def test_clear_leads_to_cold_and_racking():
    """Once it is clear the next step is to go cold, then to rack off the sediment."""
    record = [fined(1, START), fined(2, START + HOUR), seen(START + 20 * HOUR, "clear")]
    said = " ".join(clearing.next_steps(clearing.clearing(record, PRACTICE), PRACTICE, 48.0))
    assert "go cold" in said
    assert "rack it off the sediment" in said
    cold = clearing.next_steps(clearing.clearing(record, PRACTICE), PRACTICE, 48.0, "cold")
    assert cold[0] == "its stage is cold, so no clock of finings runs"


# --- slow --------------------------------------------------------------------------------------------------------


def slow_after(hours: float, clearness: str, *, now: float | None = None, **more: object):
    found = clearing.clearing(
        [fined(1, START - HOUR), fined(2, START), seen(round(START + hours * HOUR), clearness)], PRACTICE
    )
    return clearing.slow("amber-1", found, PRACTICE, round(START + (now or hours) * HOUR), **more)


def test_slow_by_practice():
    """Not clear beyond the latest expected time; a look from before it could be clear proves nothing."""
    assert slow_after(47, "hazy") is None
    found = slow_after(47, "hazy", now=48)
    assert found is not None
    assert found.against == "practice"
    assert "hazy 47 h after the second part" in found.because[0]
    assert slow_after(5, "hazy", now=60) is None
    assert slow_after(47, "clear", now=60) is None


def test_slow_by_its_sibling():
    """A sibling fined at about the same time was clear in ten hours: at twice that this one is slow."""
    other = clearing.clearing([fined(1, START), fined(2, START + HOUR), seen(START + 11 * HOUR, "clear")], PRACTICE)
    assert slow_after(19, "hazy", siblings=[("amber-2", other)]) is None
    found = slow_after(20, "hazy", siblings=[("amber-2", other)])
    assert found is not None
    assert found.against == "sibling"
    assert "amber-2 was clear 10 h after its second part" in found.because
    old = clearing.clearing(
        [fined(1, START - 9 * DAY), fined(2, START - 8 * DAY), seen(START - 8 * DAY + 10 * HOUR, "clear")], PRACTICE
    )
    assert slow_after(30, "hazy", siblings=[("amber-0", old)]) is None


def test_slow_by_settling():
    """Still cloudy after flocs had time to sink: the message says what sinks how fast; hazy is not enough."""
    falls = clearing.sinking(Surroundings(clearing.depth_mm(19.0), 18.0, 12.0))
    found = slow_after(13, "cloudy", falls=falls)
    assert found is not None
    assert found.against == "settling"
    assert "Stokes" in found.because[1]
    assert slow_after(13, "hazy", falls=falls) is None
    assert slow_after(11, "cloudy", falls=falls) is None
    deep = Sinking((2.0, 1.0, 30.0), (99.0, 50.0, 200.0), Surroundings(900.0, 4.0, 12.0))
    assert slow_after(29, "cloudy", falls=deep) is None


@pytest.mark.parametrize("litres", [1.0, 4.0, 19.0, 25.0])
@pytest.mark.parametrize("celsius", [15.0, 20.0, 25.0])
def test_the_expected_times_agree_with_stokes(litres, celsius):
    """To 25 litres flocs are down before the earliest time of practice, at the slowest; single cells usually later."""
    falls = clearing.sinking(Surroundings(clearing.depth_mm(litres), celsius, 12.0))
    soon, late = (each / 3600.0 for each in PRACTICE.clear_after)
    assert falls.flocs[2] < soon
    assert falls.cells[0] > soon
    if litres >= 19.0:
        assert falls.cells[0] > late  # a bucket does not clear by single cells within two days


@pytest.mark.parametrize(("litres", "slowest"), [(30.0, 12.03), (200.0, 22.6)])
def test_deep_vessels_need_longer_than_practice_says(litres, slowest):
    """At 15 °C flocs may need more than the twelve hours from thirty litres up, but not more than the latest time."""
    falls = clearing.sinking(Surroundings(clearing.depth_mm(litres), 15.0, 12.0))
    assert falls.flocs[2] == pytest.approx(slowest, rel=0.01)
    assert falls.flocs[2] * 3600.0 < PRACTICE.clear_after[1]


def test_depth_is_that_of_a_vessel_as_wide_as_deep():
    """By geometry: 19 litres stand 0.289 m deep in a cylinder 0.289 m wide."""
    assert clearing.depth_mm(19.0) == pytest.approx(289.2, abs=0.1)


# --- fined -------------------------------------------------------------------------------------------------------


def test_a_part_of_a_fined_batch_is_fined():
    """What was split off after the finings, or poured onto, is fined as well; what was split off before is not."""
    before = Split(at=START - DAY, batch="amber-1", name="early", vessel="jug-1", volume_l=4.0, received=START - DAY)
    after = Split(at=START + DAY, batch="amber-1", name="late", vessel="jug-2", volume_l=4.0, received=START + DAY)
    pour = Merged(at=START + 2 * DAY, batch="late", into="blend", received=START + 2 * DAY)
    records = {
        "batch:amber-1": [before, fined(1, START), after],
        "batch:early": [before],
        "batch:late": [after, pour],
        "batch:blend": [pour],
    }
    told = {name: clearing.fined_by(records, name) for name in ("amber-1", "early", "late", "blend")}
    assert told == {"amber-1": True, "early": False, "late": True, "blend": True}
    assert not clearing.fined_by(records, "amber-1", START - MINUTE)


def test_racking_is_remembered():
    """The latest racking is known to the check."""
    racked = Racked(at=START + 5, batch="amber-1", to="jug-1", received=START + 5)
    assert clearing.clearing([racked], PRACTICE).racked_ms == START + 5
