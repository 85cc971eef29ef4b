"""Washing: stands and their clock, rounds, what is left, which jars, and which yeast is worth it."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.batches import washing
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.config import YeastPractice
from monitor.model.deeds import Harvested, Jarred, Noted, PouredOff, Undone, WashDiscarded, WashRound

PRACTICE = YeastPractice()
START = 1_780_000_000_000


def harvest(at: int = START, ml: float = 600.0, **more: object) -> Harvested:
    return Harvested(
        at=at, wash="w", batch="amber-1", strain="ale", generation=1, volume_ml=ml, **{"received": at, **more}
    )


def water(at: int, ml: float = 1000.0, **more: object) -> WashRound:
    return WashRound(at=at, wash="w", water_ml=ml, **{"received": at, **more})


def poured(at: int, kept: float | None = None, **more: object) -> PouredOff:
    return PouredOff(at=at, wash="w", kept_ml=kept, **{"received": at, **more})


def jarred(at: int, name: str = "ale-1", ml: float = 250.0) -> Jarred:
    return Jarred(at=at, jar=name, strain="ale", origin="wash", wash="w", volume_ml=ml, received=at)


def fold(*entries: object) -> washing.Washing:
    found = washing.fold("w", entries, PRACTICE)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("stand", "powdery", "span"),
    [("long", False, 4 * HOUR), ("long", True, 12 * HOUR), ("short", False, 20 * MINUTE), ("short", True, 20 * MINUTE)],
)
def test_a_stand_lasts_as_practice_says(stand, powdery, span):
    """Four hours, overnight where the yeast is powdery; a short one twenty minutes (common practice, no source)."""
    found = fold(harvest(), water(START + HOUR, stand=stand, powdery=powdery))
    assert found.running is not None
    assert found.running.due_ms == START + HOUR + span


def test_three_rounds_over_a_day_end_in_jars():
    """Each long stand that was poured off is a round; the short one before is none; jars take from what is left."""
    at = START
    entries: list = [harvest(at), water(at + 1, stand="short"), poured(at + 20 * MINUTE, 1200.0)]
    for number in range(3):
        begun = at + HOUR + number * 6 * HOUR
        entries += [water(begun, 800.0), poured(begun + 5 * HOUR, 500.0)]
    found = fold(*entries)
    assert (found.rounds, found.running, found.volume_ml) == (3, None, 500.0)
    assert [each.early for each in found.stands] == [True, False, False, False]  # a moment short of twenty minutes
    assert washing.took_days(found) == pytest.approx(18 / 24, abs=0.01)
    assert "jars" in washing.next_step(found, PRACTICE, at + DAY)
    put_up = fold(*entries, jarred(at + DAY), jarred(at + DAY + 1, "ale-2"))
    assert put_up.volume_ml == 0.0
    assert [each.jar for each in put_up.jars] == ["ale-1", "ale-2"]


def test_pouring_before_its_time_is_early_and_said_so_before():
    """While it stands the next step is to wait; a stand poured after three hours was ended early."""
    begun = fold(harvest(), water(START + 1))
    assert "pouring early throws yeast away" in washing.next_step(begun, PRACTICE, START + 3 * HOUR)
    assert "if its top is clear" in washing.next_step(begun, PRACTICE, START + 5 * HOUR)
    assert fold(harvest(), water(START + 1), poured(START + 3 * HOUR)).stands[0].early


def test_the_next_round_ends_the_stand_before_it():
    """Water put on anew means that the old went off, though nobody said so, nor how much was left."""
    found = fold(harvest(), water(START + 1), water(START + 6 * HOUR))
    assert [each.how for each in found.stands] == ["next round", "stands"]
    assert found.rounds == 1
    assert found.volume_ml is None


def test_what_is_taken_back_does_not_count():
    """An undone pouring leaves the stand running, with its own due time."""
    found = fold(harvest(), water(START + 1), poured(START + HOUR), Undone(of=START + HOUR, received=START + 2 * HOUR))
    assert found.running is not None
    assert found.running.due_ms == START + 1 + 4 * HOUR


def test_undoing_everything_leaves_no_wash():
    """Nothing that counts: there is no such wash."""
    entries: list = [harvest(), water(START + 1), poured(START + 2)]
    undone = [Undone(of=each.received, received=START + 10 + n) for n, each in enumerate(entries)]
    assert washing.fold("w", [*entries, *undone], PRACTICE) is None


def test_a_pouring_where_nothing_stands_changes_nothing():
    """Entries that make no sense are passed over, and notes kept."""
    note = Noted(about="wash:w", text="dark", at=START + 3, received=START + 3)
    found = fold(harvest(), poured(START + 1, 5.0), note)
    assert (found.stands, found.volume_ml, found.notes) == ((), 600.0, (note,))


def test_settling_is_said_beside_the_clock():
    """Flocs sink through a jar within practice's four hours, single cells do not: Stokes' law, on its own figures."""
    stand = fold(harvest(), water(START + 1, depth_mm=120.0)).stands[0]
    falls = washing.sinks(stand)
    assert falls is not None
    assert falls.flocs[0] < 4.0 < falls.cells[1]
    # By hand: v = excess g d² / (18 µ); 101.8 kg/m³, 5 µm, 1.0016 mPa s give 1.38 µm/s, and 120 mm take 24 h.
    by_hand = 0.120 / (101.8 * 9.80665 * 5e-6**2 / (18 * 1.0016e-3)) / 3600
    assert falls.cells[0] == pytest.approx(by_hand, rel=0.01)
    assert "120 mm of water" in washing.physics(stand)


def test_the_depth_comes_from_the_volume_where_nobody_measured():
    """A jar as wide as deep; no volume known, no depth, and no word of physics."""
    found = fold(harvest(ml=500.0), water(START + 1, 500.0))
    assert found.stands[0].depth_mm == pytest.approx(1000 * (4 * 0.001 / math.pi) ** (1 / 3))
    assert washing.physics(fold(water(START + 1)).stands[0]) == ""


@pytest.mark.parametrize(
    ("ml", "sizes"),
    [(150, (250,)), (200, (250,)), (201, (500,)), (400, (500,)), (401, (500, 250)), (1000, (500, 500, 250)), (0, ())],
)
def test_jars_are_chosen_with_room_above(ml, sizes):
    """Filled to four fifths at most, with as few jars as hold it."""
    assert washing.jars_for(ml, PRACTICE) == sizes


def test_the_source_matters():
    """Strong, stalled or smelling batches give yeast one starts afresh instead of; a plain one raises nothing."""
    assert washing.doubts(9.0, PRACTICE, stalled=False, off_smell=False) == ()
    assert len(washing.doubts(9.1, PRACTICE, stalled=True, off_smell=True)) == 3
    assert washing.doubts(None, PRACTICE, stalled=False, off_smell=False) == ()


def test_a_generation_is_one_more_than_the_oldest_it_was_pitched_from():
    """Mixed jars count as the oldest; unknown ones as unknown."""
    assert washing.generation_after([1, 3]) == 4
    assert washing.generation_after([]) is None


steps = st.lists(
    st.one_of(
        st.builds(lambda at, ml: ("water", at, ml), st.integers(0, 10**9), st.floats(0.1, 5000)),
        st.builds(lambda at, ml: ("poured", at, ml), st.integers(0, 10**9), st.none() | st.floats(0.1, 5000)),
        st.builds(lambda at, ml: ("jar", at, ml), st.integers(0, 10**9), st.floats(0.1, 5000)),
        st.builds(lambda at, ml: ("undo", at, ml), st.integers(0, 10), st.none()),
    ),
    max_size=12,
)


@given(steps)
def test_no_order_of_deeds_makes_a_volume_negative(drawn):
    """Whatever is told, in whatever order: volumes are not negative, only the last stand can run, none ends early."""
    entries: list = [harvest(received=1)]
    for number, (what, at, ml) in enumerate(drawn, start=2):
        time = START + at
        entries.append(
            water(time, ml, received=number) if what == "water"
            else poured(time, ml, received=number) if what == "poured"
            else Undone(of=at + 1, received=number) if what == "undo"
            else jarred(time, f"j-{number}", ml).model_copy(update={"received": number})
        )  # fmt: skip
    found = washing.fold("w", entries, PRACTICE)
    if found is None:
        return
    assert found.volume_ml is None or found.volume_ml >= 0.0
    assert all(each.ended_ms is not None and each.ended_ms >= each.from_ms for each in found.stands[:-1])
    assert washing.next_step(found, PRACTICE, START)


def test_what_is_thrown_out_is_over():
    """Its stand ends, nothing is left, and water told of after it begins no new one."""
    gone = WashDiscarded(wash="w", at=START + HOUR, received=START + HOUR, why="spilt")
    found = fold(harvest(), water(START + 1), gone, water(START + 2 * HOUR))
    assert [each.how for each in found.stands] == ["thrown out"]
    assert (found.running, found.volume_ml, found.gone) == (None, 0.0, "spilt")
    assert "gone (spilt)" in washing.next_step(found, PRACTICE, START + DAY)
