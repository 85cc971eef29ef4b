"""Holding cold: the clock starts at the liquid, stands while it is warm or unseen, and knows where ice begins."""

from __future__ import annotations

import math

import pytest

from monitor.batches import hold
from monitor.batches.hold import HoldState, Seen, Thing
from monitor.model.clock import HOUR, MINUTE
from monitor.model.config import ColdPractice
from monitor.model.deeds import Held, HoldEnded, Merged, Undone
from monitor.science import cooling
from monitor.science.freezing import freezing
from tests.science.tables import rows

PRACTICE = ColdPractice()
START = 1_780_000_020_000
BUCKET = Thing(19.0, "plastic", -3.0, "")


def held(**more: object) -> Held:
    told = {
        "at": START,
        "about": "batch:amber-1",
        "fridge": "larder",
        "target_c": 4.0,
        "hours": 48.0,
        "received": START,
    }
    return Held(**(told | more))


def play(state: HoldState, deed: Held, air, hours: float, thing: Thing = BUCKET, **more: object) -> bool:
    """Let minutes pass with the air of a function of the hour; whether it was done on the way."""
    done = False
    for _ in range(round(hours * 60)):
        now = state.at_ms + MINUTE
        value = air((now - START) / HOUR)
        seen = Seen(air=None if value is None else (value, now), **more)
        done |= hold.advance(state, deed, thing, seen, PRACTICE, now)
    return done


def begun(deed: Held) -> HoldState:
    return hold.begin(deed, START, fridge_c=None)


def test_the_clock_starts_at_the_liquid():
    """19 litres from 20 °C in air of 2 °C: the published vessels take 12 to 25 hours until their liquid is at 4 °C, and
    until then no minute is counted."""
    table = [
        float(row["hours_20C_to_4C_air_2C"]) for row in rows("thermal_time_constants") if float(row["V_L"]) == 19.0
    ]
    deed = held(target_c=3.5)  # half a kelvin above it still counts
    state = begun(deed)
    hours = 0
    while state.held_ms == 0:
        play(state, deed, lambda _: 2.0, 0.1)
        hours += 0.1
    assert 12.0 < min(table) <= hours <= max(table) < 25.0
    assert state.since_ms is not None
    assert state.slow_held_ms == 0  # at the slow end it is not cold yet


def test_done_when_even_the_slowest_is():
    """The hours are full for all three time constants, and done is said once."""
    deed = held(hours=10.0)
    state = begun(deed)
    assert not play(state, deed, lambda _: 2.0, 35.0)
    assert state.held_ms > 10 * HOUR
    assert not state.done
    assert play(state, deed, lambda _: 2.0, 20.0)
    assert not play(state, deed, lambda _: 2.0, 5.0)
    assert state.done
    air = [(minute * 60.0, 2.0) for minute in range(60 * 60)]
    by_science = cooling.held_by_air(air, 20.0, 19.0, 4.5, 10.0)
    assert by_science.done_s is not None
    assert state.done_ms is not None
    assert (state.done_ms - START) / 1000 == pytest.approx(by_science.done_s, abs=180.0)


def test_it_resumes_after_a_door_stood_open():
    """A warm afternoon stops the clock of a jar, and does not set it back."""
    jar = Thing(0.5, "glass", 0.0, "")
    deed = held(about="jar:a1", hours=24.0, litres=0.5)
    state = begun(deed)
    play(state, deed, lambda _: 2.0, 20.0, jar)
    before = state.held_ms
    play(state, deed, lambda _: 22.0, 2.0, jar)
    play(state, deed, lambda _: 2.0, 1.0, jar)
    assert state.breaks == 1
    assert state.since_ms is None
    assert before < state.held_ms < before + HOUR
    assert play(state, deed, lambda _: 2.0, 20.0, jar)


def test_hours_without_air_are_never_counted():
    """No fresh reading: the time goes to what nobody saw, and the estimate waits."""
    deed = held(hours=10.0)
    state = begun(deed)
    play(state, deed, lambda _: 2.0, 30.0)
    counted, liquid = state.held_ms, state.liquid_c
    play(state, deed, lambda _: None, 5.0)
    assert (state.held_ms, state.liquid_c) == (counted, liquid)
    assert state.unseen_ms == 5 * HOUR
    assert state.by == "nothing"


def test_hours_without_a_watcher_are_never_counted():
    """After an outage the gap is unseen, and the liquid is taken to be as warm as the air that is found."""
    deed = held(hours=10.0)
    state = begun(deed)
    play(state, deed, lambda _: 2.0, 40.0)
    counted, back = state.held_ms, state.at_ms + 8 * HOUR
    hold.advance(state, deed, BUCKET, Seen(air=(9.0, back), watched_from_ms=back - MINUTE), PRACTICE, back)
    assert state.held_ms == counted
    assert state.unseen_ms == 8 * HOUR
    assert state.liquid_c == 9.0
    assert state.since_ms is None


def test_a_probe_in_the_liquid_beats_the_estimate():
    """While it speaks its word is the liquid's; from its last word the estimate goes on."""
    deed = held(hours=10.0)
    state = begun(deed)
    play(state, deed, lambda _: 2.0, 1.0, probe=("float-a", 3.9, START))
    assert (state.liquid_c, state.by) == (3.9, "probe")
    assert state.held_ms > 0.9 * HOUR
    assert state.hours().low == state.hours().high
    play(state, deed, lambda _: 2.0, 1.0)
    assert state.by == "air"
    assert 3.5 < state.liquid_c < 3.9


def test_the_fridge_s_own_estimate_is_used_where_it_knows_the_vessel():
    """Unless the person said that it went in far warmer than the fridge believes."""
    deed = held()
    state = hold.begin(deed, START, fridge_c=19.0)
    play(state, deed, lambda _: 2.0, 0.5, fridge=(12.0, 11.0, 13.0, START))
    assert (state.liquid_c, state.low_c(), state.high_c(), state.by) == (12.0, 11.0, 13.0, "fridge")
    warm = hold.begin(deed, START, fridge_c=4.0)
    play(warm, deed, lambda _: 2.0, 0.5, fridge=(4.0, 3.5, 4.5, START))
    assert warm.by == "air"
    assert warm.liquid_c > 18.0


def test_what_was_told_late_is_not_counted():
    """The hours from when it went in until it was told are not seen."""
    deed = held()
    state = hold.begin(deed, START + 3 * HOUR, fridge_c=None)
    hold.advance(state, deed, BUCKET, Seen(air=(2.0, START + 3 * HOUR)), PRACTICE, START + 3 * HOUR + MINUTE)
    assert state.unseen_ms == 3 * HOUR + MINUTE
    assert state.held_ms == state.quick_held_ms == 0


@pytest.mark.parametrize("why", ["told late", "nobody watched", "the air was silent"])
def test_what_nobody_saw_may_have_cooled_it_too(why):
    """Ice asks for the cold end: over hours unseen that follows the air, and the warm end stays where it was."""
    deed, hours = held(), 12 * HOUR
    state = hold.begin(deed, START + hours if why == "told late" else START, fridge_c=None)
    if why == "the air was silent":
        for minute in range(1, 12 * 60):
            hold.advance(state, deed, BUCKET, Seen(), PRACTICE, START + minute * MINUTE)
    end = START + hours + MINUTE
    hold.advance(state, deed, BUCKET, Seen(air=(-6.0, end)), PRACTICE, end)
    fastest = -6.0 + 26.0 * math.exp(-(end - START) / 1000.0 / hold.taus(BUCKET.litres, BUCKET.material)[1])
    assert state.low_c() == pytest.approx(fastest, abs=0.01)
    assert state.high_c() == 20.0
    assert state.held_ms == 0


def test_when_it_will_be_done():
    """From the air's mean: between the fastest and the slowest time constant, and no date where the air is too warm."""
    deed = held()
    state = begun(deed)
    found = hold.standing(state, deed, BUCKET, PRACTICE, 2.0)
    assert found.cold_at_ms is not None
    assert found.done_at_ms is not None
    likely, soonest, latest = found.cold_at_ms
    assert latest is not None
    assert soonest < likely < latest
    assert 12 * HOUR < likely - START < 25 * HOUR
    assert latest - START < 36 * HOUR
    assert found.done_at_ms[0] - found.cold_at_ms[0] == 48 * HOUR
    assert not found.cold
    assert found.margin_k == pytest.approx(23.0)
    warm = hold.standing(state, deed, BUCKET, PRACTICE, 6.0)
    assert warm.cold_at_ms is None
    assert hold.standing(state, deed, BUCKET, PRACTICE, None).done_at_ms is None


def test_where_ice_begins():
    """Yeast under water at 0.0 °C; a wash by the lower end of its strength, at the cautious end of the table."""
    assert hold.freezes(None, yeast=True) == (0.0, "yeast under water freezes at 0.0 °C")
    point, why = hold.freezes(11.0)
    assert point == freezing(11.0).high_c
    assert -4.5 < point < -3.0
    assert "11.0 % alcohol at the least" in why


def test_advice_where_a_freezer_is_too_cold():
    """A freezer at -18 °C bursts a jug of wash; a fridge at 1 °C is too cold for yeast under water alone."""
    wash, yeast = Thing(4.0, "glass", -4.0, "12 %"), Thing(0.5, "glass", 0.0, "water")
    said = hold.too_cold("jug-1", wash, "freezer", -18.0)
    assert said is not None
    assert "too cold for jug-1" in said
    assert "-2 °C or warmer" in said
    assert "glass" in said
    assert hold.too_cold("jar-1", yeast, "fridge", 1.0) is not None
    assert hold.too_cold("jug-1", wash, "fridge", 1.0) is None


def test_which_hold_runs():
    """The latest that was not ended; an end that was undone leaves it running."""
    deed, end = held(), HoldEnded(at=START + HOUR, about="batch:amber-1", received=START + HOUR)
    assert hold.active([deed]) is deed
    assert hold.active([deed, end]) is None
    assert hold.active([deed, end, Undone(of=START + HOUR, received=START + 2 * HOUR)]) is deed
    assert hold.active([deed, Undone(of=START, received=START + 2 * HOUR)]) is None
    pour = Merged(at=START + 1, batch="amber-1", into="amber-2", received=START + 1)
    assert hold.active([deed, pour]) is None
    assert hold.active([held(about="batch:amber-2"), pour]) is not None


def test_the_sentence_says_what_it_rests_on():
    """Hours, target, by what, how often it warmed up, and what nobody saw."""
    state = HoldState(3.0, START, by="air", breaks=2, unseen_ms=2 * HOUR)
    said = hold.done_sentence("Batch amber-1", state, held(), PRACTICE)
    assert "at 4 °C (up to 4.5) for 48 h, by estimate from the air" in said
    assert "warmed up 2 times" in said
    assert "2.0 h that nobody saw are not counted" in said
