"""What in a fridge may freeze: by estimate or by a probe, by volume, by strength, and where nothing is listed."""

from __future__ import annotations

import pytest

from monitor.model.clock import HOUR, MINUTE
from monitor.rules.fridge import STAND_IN, FridgeState, take
from monitor.rules.fridge_says import check
from simulators.physics.fridge import WELL, Trouble
from tests.rules.box import T0, Box, content


def cold(off: float, from_h: float = 24.0):
    """A thermostat that slips down."""
    return lambda hours: Trouble(thermostat_off_k=off) if hours >= from_h else WELL


def test_a_jar_of_water_is_told_of_before_it_freezes() -> None:
    """A jar in a fridge that slips to -2 °C: told while its estimate is above 0, with figures and a caution."""
    box = Box()
    box.state.contents["jar"] = content(0.5)
    box.hours(48, cold(-6.0))
    (told,) = box.raised("freeze-risk")
    first = next(e for h, found in box.heard for e in found if h >= told and e.alert == "freeze-risk")
    assert "jar in fridge larder can freeze: its liquid is at" in first.message
    assert "(estimated)" in first.message
    assert "ice may begin at 0.0 °C, and gets there in about" in first.message
    assert any("glass" in each for each in first.do)
    assert float(first.message.split("is at ")[1].split(" °C")[0]) > 0.0


def test_a_wash_is_not_told_of_where_water_is() -> None:
    """Twelve per cent freezes four kelvins lower: the same fridge does not endanger it."""
    box = Box()
    box.state.contents["jug"] = content(0.5, freezes=-4.0)
    box.hours(48, cold(-5.0))
    assert not box.raised("freeze-risk")


def test_the_small_jar_comes_before_the_bucket() -> None:
    """Time constants go by volume: half a litre is near freezing hours before nineteen."""
    hours = {}
    for litres in (0.5, 19.0):
        box = Box()
        box.state.contents["it"] = content(litres)
        box.hours(96, cold(-5.5))
        hours[litres] = box.raised("freeze-risk")[0]
    assert hours[19.0] - hours[0.5] > 2.5


def test_the_most_tender_thing_speaks_for_all() -> None:
    """Of several contents the one nearest to its own freezing point is named."""
    box = Box()
    box.state.contents.update(
        jug=content(4.0, freezes=-4.0), yeast=content(0.5, freezes=0.0), bucket=content(19.0, freezes=-3.0)
    )
    box.hours(48, cold(-6.0))
    assert box.said("freeze-risk").message.startswith("yeast in fridge larder")


def measured(box: Box, celsius: float) -> None:
    """A probe in the jar speaks."""
    jar = box.state.contents["jar"]
    jar.estimate, jar.measured, jar.at_ms = celsius, True, T0 + box.minute * MINUTE
    jar.told_ms = jar.at_ms


def test_a_probe_in_the_liquid_beats_the_estimate() -> None:
    """A measured content is said to be measured, and is not carried along by the air."""
    box = Box()
    box.state.contents["jar"] = content(0.5)
    box.hours(29, cold(-6.0))
    measured(box, 3.5)
    box.hours(30, cold(-6.0))
    assert box.state.contents["jar"].estimate == 3.5
    measured(box, 0.4)
    box.hours(30.1, cold(-6.0))
    assert "0.4 °C (measured)" in box.said("freeze-risk").message


def test_within_a_kelvin_of_freezing_is_a_risk_whatever_the_air_does() -> None:
    """At 0.8 °C measured, in air that is above freezing, ice is near all the same: a cold plate may touch it."""
    box = Box()
    box.state.contents["jar"] = content(0.5)
    box.hours(24)
    measured(box, 1.1)
    box.hours(24.1)
    assert not box.raised("freeze-risk")
    measured(box, 0.8)
    box.hours(24.2)
    assert box.raised("freeze-risk")
    assert "gets there" not in box.said("freeze-risk").message


def test_a_probe_that_fell_silent_in_the_liquid_leaves_it_to_the_estimate() -> None:
    """Two hours after its last word the liquid follows the air again, from there."""
    box = Box()
    box.state.contents["jar"] = content(0.5)
    box.hours(24)
    measured(box, 4.0)
    box.hours(48, cold(-6.0))
    assert not box.state.contents["jar"].measured
    assert "(estimated)" in box.said("freeze-risk").message


def test_with_nothing_listed_half_a_litre_of_water_stands_in() -> None:
    """An empty list of contents is not an empty fridge: at 0 °C it is told all the same, and says what it assumes."""
    box = Box()
    box.hours(48, cold(-6.0))
    assert box.raised("freeze-risk")
    said = box.said("freeze-risk")
    assert said.message.startswith("Half a litre of water in fridge larder")
    assert "not listed" in said.because[0]


def test_the_stand_in_steps_back_once_contents_are_listed() -> None:
    """A strong jug listed in the same cold is in no danger, and so nothing is said."""
    box = Box()
    box.state.contents["jug"] = content(4.0, freezes=-6.0)
    box.hours(48, cold(-6.0))
    assert not box.raised("freeze-risk")
    assert STAND_IN not in box.state.contents


def test_a_fridge_first_seen_at_the_bottom_of_its_cycle_is_no_danger() -> None:
    """What stood inside before has the mean of the cycles, not the coldest air of a cycle."""
    state = FridgeState("larder", 2.0, 2.0)
    state.contents["jar"] = content(0.5)
    take(state, T0, 0.2)
    assert state.contents["jar"].estimate == 2.0
    assert not any(each.alert == "freeze-risk" and each.active for each in check(state, T0 + MINUTE))


def test_a_fridge_first_seen_far_too_cold_is_a_danger_at_once() -> None:
    """Far from its target the air is all there is to go by."""
    state = FridgeState("larder", 4.0, 2.0)
    take(state, T0, -3.0)
    assert any(each.alert == "freeze-risk" and each.active for each in check(state, T0 + MINUTE))


def test_below_its_freezing_point_it_may_be_freezing_now() -> None:
    """The estimate knows no ice: below the point the words change."""
    box = Box()
    box.state.contents["jar"] = content(0.5)
    box.hours(72, cold(-8.0))
    assert "may be freezing now" in box.said("freeze-risk").message


def test_it_returns_once_it_is_clearly_warmer_and_does_not_flutter() -> None:
    """One kelvin above freezing raises it, 1.3 K above ends it, once each."""
    box = Box()
    box.state.contents["jar"] = content(0.5)
    box.hours(60, lambda hours: Trouble(thermostat_off_k=-6.0) if 24 <= hours < 36 else WELL)
    (told,) = box.raised("freeze-risk")
    ended = box.ended("freeze-risk", told + 1)
    assert ended is not None
    assert ended > 36
    assert "near freezing" in next(
        e.message for h, found in box.heard for e in found if h >= ended and e.alert == "freeze-risk"
    )


@pytest.mark.parametrize("hours", [1, 5])
def test_a_warm_vessel_put_in_is_estimated_from_room_temperature(hours: int) -> None:
    """A jug put in warm nears the air by its own time constant, and is not in danger meanwhile."""
    box = Box()
    box.hours(24)
    box.state.contents["jug"] = content(4.0, 20.0, at_ms=T0 + 24 * HOUR)
    box.hours(24 + hours)
    tau_h = box.state.contents["jug"].tau_s / 3600
    mean = box.state.slow
    assert box.state.contents["jug"].estimate == pytest.approx(
        mean + (20.0 - mean) * 2.718 ** (-hours / tau_h), abs=0.5
    )
    assert not box.raised("freeze-risk")
