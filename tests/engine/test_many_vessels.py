"""What one vessel costs does not grow with the others."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.engine import view
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.model.clock import HOUR, MINUTE
from monitor.model.deeds import Fined, Held
from monitor.model.inputs import ProbeMoved, StageChanged, Tick
from tests.cost import calls_of

from .cellar import PITCHED, Cellar

ONE = """
[[probe]]
name = "float-{n}"
source = "mqtt"
topic = "float-{n}"
measures = "liquid"
[[vessel]]
name = "bucket-{n}"
volume_l = 19
probes = ["float-{n}"]
[[batch]]
name = "amber-{n}"
vessel = "bucket-{n}"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.060
expected_final = 1.010
yeast_range_c = [16, 24]
"""


def cellar_of(count: int) -> Cellar:
    """So many vessels, each with ten hours of gravity and temperature."""
    found = Cellar("".join(ONE.format(n=number) for number in range(count)))
    for hour in range(20):
        for number in range(count):
            found.say(f"float-{number}", gravity=1.05 - hour / 2_000 - number / 10_000, temperature=20 + hour % 3 / 10)
        found.wait(30 * MINUTE)
    return found


@pytest.fixture(scope="module")
def few_and_many() -> tuple[Cellar, Cellar]:
    return cellar_of(4), cellar_of(32)


def calls_of_a_tick(cellar: Cellar, every: int) -> int:
    at = (cellar.now // every + 1) * every
    cellar.wait_until(at - 1)
    found = calls_of(lambda: step(cellar.state, Tick(at), at, cellar.out), built_in=True)
    cellar.now = at
    return found


@pytest.mark.parametrize("every", [MINUTE, HOUR])
def test_a_tick_grows_with_the_vessels_and_no_faster(few_and_many, every):
    """Eight times as many vessels, eight times the calls, give or take a fifth."""
    few, many = (calls_of_a_tick(each, every) for each in few_and_many)
    assert many < 8 * 1.2 * few + 200


def test_a_reading_costs_the_same_among_many(few_and_many):
    """The rules look at one vessel, not at all of them."""
    few, many = (
        calls_of(lambda each=each: each.say("float-1", gravity=1.0421, temperature=20.4), built_in=True)
        for each in few_and_many
    )
    assert many <= 1.3 * few


def test_the_cellars_are_alike(few_and_many):
    """What is compared went the same way."""
    for each in few_and_many:
        assert each.now > PITCHED + 10 * HOUR
        assert all(batch.last_gravity is not None for batch in each.state.batches.values())


def test_a_picture_grows_with_the_vessels_and_no_faster():
    """What the page and the summary are made of; here of batches without a gravity, whose strength is not reckoned."""
    cellars = [Cellar("".join(ONE.format(n=number) for number in range(count))) for count in (4, 32)]
    few, many = (calls_of(lambda each=each: view.overview(each.state, each.now), built_in=True) for each in cellars)
    assert many < 8 * 1.2 * few


def test_a_strength_is_worked_out_once(few_and_many):
    """A picture of the same gravities asks for no formula again."""
    few, _ = few_and_many
    view._strength.cache_clear()
    first, again = (calls_of(lambda: view.overview(few.state, few.now)) for _ in range(2))
    assert again < first / 5


def test_when_all_fall_silent_at_once_nobody_goes_through_all_for_each():
    """The broker is gone: one look at all of them finds the common cause."""
    few, many = calls_when_silent(cellar_of(4)), calls_when_silent(cellar_of(32))

    assert many < 8 * 1.2 * few


def calls_when_silent(cellar: Cellar) -> int:
    """Calls of the minute in which all probes are found silent."""
    while not any(probe.silent for probe in cellar.state.probes.values()):
        calls = calls_of_a_tick(cellar, MINUTE)
    assert all(probe.silent for probe in cellar.state.probes.values())
    assert "probe-silent/site:Cellar" in cellar.state.book.standing
    return calls


def test_a_minute_of_batches_that_clear_in_the_cold_grows_no_faster():
    """Clocks of finings and of holds look at the probes in the vessel."""
    few, many = cellar_of(4), cellar_of(32)
    for each in (few, many):
        for name in list(each.state.batches):
            each.tell(StageChanged(batch=name, stage="clearing"))
            each.tell(Fined(batch=name, part=1, what="silica sol", at=each.now))
            each.tell(Held(about=f"batch:{name}", target_c=4.0, hours=48.0, at=each.now))
        each.wait(5 * MINUTE)
    calls = [calls_of_a_tick(each, MINUTE) for each in (few, many)]

    assert calls[1] < 8 * 1.2 * calls[0] + 200


class Looked(dict):
    """Counts how often all of it is gone through."""

    looks = 0

    def __iter__(self) -> Iterator[str]:
        self.looks += 1
        return super().__iter__()


def test_a_commit_writes_what_changed_without_going_through_the_rest():
    """The order of the probes is looked at when there is a new one, or after an entry."""
    cellar = cellar_of(3)
    cellar.commit()
    cellar.state.probes = looked = Looked(cellar.state.probes)
    cellar.say("float-1", gravity=1.0421)
    cellar.commit()
    assert looked.looks == 0
    assert "order" not in cellar.changed

    cellar.say("newcomer", gravity=1.05)
    cellar.commit()
    assert looked.looks == 1
    assert b"newcomer" in cellar.changed["order"]


def test_places_are_looked_up_anew_after_each_move():
    """An index is no memory of its own: whoever moved sits where it was put, and restored as it was kept."""
    cellar = cellar_of(2)
    assert list(cellar.state.probes_at("vessel:bucket-0")) == ["float-0"]
    cellar.tell(ProbeMoved(probe="float-0", to="vessel:bucket-1", at=cellar.now))
    assert list(cellar.state.probes_at("vessel:bucket-0")) == []
    assert list(cellar.state.probes_at("vessel:bucket-1")) == ["float-0", "float-1"]
    cellar.say("float-0", gravity=1.03)
    told = [each.key for each in cellar.state.tracks_of("float-0")]
    cellar.commit()
    again = State.restore(cellar.pieces)
    assert list(again.probes_at("vessel:bucket-1")) == ["float-0", "float-1"]
    assert [each.key for each in again.tracks_of("float-0")] == told
    for place in ("vessel:bucket-0", "vessel:bucket-1", "nowhere"):
        assert [each.key for each in again.tracks_at(place)] == [
            key for key in cellar.state.tracks if key.startswith(f"{place}|")
        ]
