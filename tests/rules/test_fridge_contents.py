"""What stands in a fridge: its range, its time constant learned from a probe, and the time it has left."""

from __future__ import annotations

import math

import pytest

from monitor.model.clock import HOUR, MINUTE
from monitor.rules.contents import Content, advance, tell
from monitor.rules.fridge import FridgeState, take_power
from monitor.rules.fridge_says import check, until
from monitor.science.thermal import seconds_to_pass, seconds_to_reach
from tests.rules.box import T0, Box, dead


def vessel(tau_h: float, celsius: float) -> Content:
    """A vessel whose time constant is taken to be so by its size."""
    return Content(celsius, T0, tau_h * 3600.0, 0.0, "for the test")


def probed(content: Content, true_h: float, hours: int, air: float, start: float) -> None:
    """A probe sits in it and speaks each five minutes while it nears the air."""
    for minute in range(0, hours * 60 + 1, 5):
        at = T0 + minute * MINUTE
        true = air + (start - air) * math.exp(-minute / 60 / true_h)
        advance(content, air, at)
        tell(content, round(true / 0.0625) * 0.0625, at)


@pytest.mark.parametrize("true_h", [3.0, 5.0, 8.0])
def test_a_probe_in_the_liquid_teaches_the_time_constant(true_h: float) -> None:
    """After a cooling of twelve hours the time constant is known within a fifth, and its range holds the truth."""
    content = vessel(5.0, 20.0)
    probed(content, true_h, 12, 4.0, 20.0)
    assert content.tau_s / 3600 == pytest.approx(true_h, rel=0.2)
    fast, slow = content.taus()
    assert fast / 3600 < true_h < slow / 3600


def test_a_probe_that_sees_nothing_change_teaches_little() -> None:
    """Two days at the air's own temperature leave the time constant where the vessel's size put it."""
    content = vessel(5.0, 4.0)
    probed(content, 3.0, 48, 4.0, 4.0)
    assert content.tau_s / 3600 == pytest.approx(5.0, rel=0.05)
    assert content.taus()[0] < 0.75 * content.tau_s


def test_the_range_is_wide_for_what_was_put_in_and_narrows() -> None:
    """Nobody measured the jug that was put in; a day later the air tells where it is within a kelvin."""
    content = vessel(4.0, 20.0)
    content.doubt = 3.0
    advance(content, 4.0, T0)
    before = content.high() - content.low()
    for hour in range(1, 30):
        advance(content, 4.0, T0 + hour * HOUR)
    assert before == pytest.approx(6.0, abs=0.1)
    assert content.high() - content.low() < 1.2


def test_the_time_left_has_its_pessimistic_end_first() -> None:
    """The soonest comes before the likely and that before the latest, and the sentence says all three."""
    box = Box()
    box.state.contents["jug"] = vessel(5.0, 4.0)
    box.hours(50.3, dead(48.3))
    soon, likely, late = until(box.state, box.state.contents["jug"], 8.0)
    assert 0 < soon < likely <= late
    assert "(between" in " ".join(box.said("fridge-compressor").because)


def test_air_on_its_way_to_the_room_is_later_than_air_that_is_there() -> None:
    """A liquid passes its limit later in air that still warms up, and never where the air stays below."""
    there = seconds_to_reach(4.0, 6.0, 20.0, 18_000.0)
    on_its_way = seconds_to_pass(4.0, 6.0, 8.0, 20.0, 14_400.0, 18_000.0)
    assert there < on_its_way < seconds_to_reach(4.0, 6.0, 8.0, 18_000.0)
    assert seconds_to_pass(4.0, 6.0, 3.0, 5.0, 3600.0, 18_000.0) == math.inf
    assert seconds_to_pass(6.5, 6.0, 8.0, 20.0, 3600.0, 18_000.0) == 0.0


# --- work --------------------------------------------------------------------------------------------------------


def test_a_compressor_that_starts_every_five_minutes_is_told() -> None:
    """By the meter in the plug; at its usual pace it is not."""
    for apart, wanted in ((5, True), (30, False)):
        box = Box()
        box.hours(48)
        start = box.state.at_ms - 8 * HOUR
        for minute in range(8 * 60 + 1):
            take_power(box.state, start + minute * MINUTE, 85.0 if minute % apart < 2 else 1.5)
        found = [each for each in check(box.state, box.state.at_ms) if each.alert == "fridge-compressor"]
        assert [each.active for each in found] == [wanted]
        if wanted:
            assert "starts every 5 minutes" in found[0].message
            assert found[0].causes[0].cause == "short-cycling"


def test_a_fridge_that_works_ever_harder_is_told_before_it_is_warm() -> None:
    """Long falls and short pauses for hours, where it used to rest most of the time: frost is named first."""
    box = Box()
    box.hours(48)
    state: FridgeState = box.state
    state.rises, state.falls, state.duty_usual = [10 * MINUTE] * 8, [40 * MINUTE] * 8, 0.4
    state.busy_ms = state.at_ms - 7 * HOUR
    (found,) = [each for each in check(state, state.at_ms) if each.alert == "fridge-drift"]
    assert found.active
    assert "cools 80% of the time, and used to 40%" in found.message
    assert found.causes[0].cause == "icing"
    state.busy_ms = state.at_ms - 2 * HOUR
    (found,) = [each for each in check(state, state.at_ms) if each.alert == "fridge-drift"]
    assert not found.active
