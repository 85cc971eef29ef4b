"""The fridge: cycles, door, compressor, defrost, drift and gaps."""

from __future__ import annotations

import pytest

from monitor.model.clock import HOUR, MINUTE
from monitor.rules.fridge import FridgeState, take, take_power
from monitor.rules.fridge_says import check
from simulators.physics.fridge import WELL, Inside, Trouble
from simulators.physics.vessel import Warmth, loss_w_per_k
from tests.rules.box import ALARMS, T0, Box, content, dead, door


def quiet(box: Box, from_h: float = 0.0) -> bool:
    """Whether nothing at all was raised."""
    return not any(box.raised(alert, from_h) for alert in ALARMS)


# --- normal life -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("every", [1, 2, 5, 15])
@pytest.mark.parametrize("room", [12.0, 20.0, 28.0])
def test_a_sound_fridge_is_never_complained_of(every: int, room: float) -> None:
    """Six days of cycles in a cool, a plain and a hot room bring no alarm, at any interval of reading."""
    box = Box(every=every, room=room)
    box.hours(144)
    assert quiet(box)


def test_cycles_are_learned_within_half_a_day() -> None:
    """After twelve hours the usual top and bottom lie within half a kelvin of the thermostat's."""
    box = Box()
    box.hours(12)
    assert box.state.learned()
    assert box.state.swing() == pytest.approx(2.4, abs=0.8)
    assert 5.2 < box.state.limit() < 7.0


def test_self_defrosting_is_no_alarm() -> None:
    """Two weeks of a defrost every twelve hours bring no alarm, not even at the first one."""
    box = Box(defrost_every_h=12)
    box.hours(14 * 24)
    assert quiet(box)
    assert len(box.state.excursions) >= 4


def test_a_look_inside_is_no_alarm() -> None:
    """A door open for two minutes, five times a day, is how people live."""
    box = Box()
    box.hours(72, lambda hours: Trouble(door_open=hours > 8 and hours % 4.8 < 2 / 60))
    assert quiet(box)


def test_switched_on_warm_it_is_too_warm_and_nothing_worse() -> None:
    """A fridge that is just being cooled down is off its band; its compressor is not called dead."""
    box = Box()
    box.fridge.air_c = box.fridge.wall_c = 20.0
    box.inside = [Inside(Warmth(20.0), loss_w_per_k(15.0), 15.0 * 4180.0)]
    box.hours(30)
    assert not box.raised("fridge-compressor")
    assert not box.raised("fridge-door")
    assert box.ended("fridge-drift", 10) is not None


# --- door --------------------------------------------------------------------------------------------------------


def test_an_open_door_is_told_within_a_quarter_of_an_hour() -> None:
    """Air that rushes up and levels off is a door; it returns when the air is back in its cycle."""
    box = Box()
    box.hours(60, door(48.3, 51.3))
    (told,) = box.raised("fridge-door")
    assert 48.3 < told <= 48.3 + 0.25
    assert not box.raised("fridge-compressor")
    ended = box.ended("fridge-door", told)
    assert ended is not None
    assert 51.3 < ended < 52.5
    said = box.said("fridge-door")
    assert "air is at" in said.message
    assert said.causes[0].cause == "door"
    assert said.do


def test_an_open_door_is_told_also_where_defrosts_are_usual() -> None:
    """With learned defrosts a door takes longer, since it must outlast one, but not past an hour."""
    box = Box(defrost_every_h=12)
    box.hours(84, door(78.0, 81.0))
    (told,) = [*box.raised("fridge-door", 78), *box.raised("fridge-compressor", 78)][:1]
    assert told <= 79.0


def test_a_contact_tells_a_door_after_five_minutes() -> None:
    """A contact that says open for five minutes is enough, whatever the air does, and shut ends it at once."""
    box = Box(contact=True)
    box.hours(60, door(48.0, 48.5))
    (told,) = box.raised("fridge-door")
    assert told == pytest.approx(48.0 + 6 / 60, abs=0.02)
    assert "has been open for" in box.said("fridge-door").message
    assert box.ended("fridge-door", told) == pytest.approx(48.5, abs=0.05)
    assert not box.raised("fridge-compressor")


def test_a_contact_alone_is_enough() -> None:
    """A fridge with a door contact and no thermometer still tells its door."""
    state = FridgeState("larder", 4.0, 2.0)
    state.contact_ms = state.open_ms = T0
    assert check(state, T0 + 4 * MINUTE) == []
    (found,) = check(state, T0 + 5 * MINUTE)
    assert (found.alert, found.active) == ("fridge-door", True)


def test_a_shut_contact_rules_the_door_out() -> None:
    """Where a contact says that the door is shut, a steep rise is put down to something else."""
    box = Box(contact=True)
    box.hours(48)
    box.contact = False  # it says nothing more, and it said shut
    box.hours(52, door(48.0, 52.0))
    assert not box.raised("fridge-door")
    assert box.raised("fridge-compressor", 48)


def test_a_warm_bucket_put_in_and_told_is_no_open_door() -> None:
    """Nineteen litres at room temperature warm the air; announced, they are given three hours."""
    box = Box(target=3.0)
    box.hours(48)
    box.inside.append(Inside(Warmth(19.5), loss_w_per_k(19.0), 19.0 * 4180.0))
    box.state.loaded_ms = T0 + 48 * HOUR
    box.hours(54)
    assert not box.raised("fridge-door")
    assert not box.raised("fridge-compressor")


# --- compressor --------------------------------------------------------------------------------------------------


def test_a_dead_compressor_is_told_before_the_contents_are_warm() -> None:
    """Told within two hours of the stop, with the time that is left for the jug."""
    box = Box()
    box.state.contents["jug"] = content(4.0)
    box.hours(60, dead(48.3))
    (told,) = box.raised("fridge-compressor")
    assert 48.3 < told <= 48.3 + 2.0
    assert not box.raised("fridge-door")
    said = next(e for h, found in box.heard for e in found if h >= told and e.alert == "fridge-compressor")
    assert any("jug passes 6.0 °C in about" in why for why in said.because)
    assert said.causes[0].cause == "compressor"


def test_a_plug_that_draws_nothing_tells_it_sooner() -> None:
    """With a meter in the plug an idle compressor is told twenty minutes after the air leaves its cycle."""
    plain, metered = Box(), Box(meter=True)
    for box in (plain, metered):
        box.hours(60, dead(48.3))
    (late,), (soon,) = plain.raised("fridge-compressor"), metered.raised("fridge-compressor")
    assert late - soon > 0.5
    assert soon <= 48.3 + 1.5
    assert "its compressor does not run" in metered.said("fridge-compressor").message
    assert "1.5 W" in metered.said("fridge-compressor").because[0]


def test_a_plug_that_draws_power_says_that_it_runs_and_does_not_cool() -> None:
    """A compressor that runs and has lost its refrigerant is not called stopped."""
    box = Box(meter=True)
    box.hours(72, lambda hours: Trouble(weakness=1.0) if hours > 48 else WELL)
    assert box.raised("fridge-compressor", 48)
    assert "does not cool although it runs" in box.said("fridge-compressor").message


def test_a_metered_defrost_is_no_dead_compressor() -> None:
    """A defrost draws power, and its drip is shorter than the patience."""
    box = Box(meter=True, defrost_every_h=12)
    box.hours(120)
    assert quiet(box)


def test_a_plate_that_drips_for_a_quarter_of_an_hour_is_no_dead_compressor() -> None:
    """After its heater a fridge rests while the plate drips: idle and warm for twenty minutes is no alarm, for
    twenty-five it is."""
    box = Box(meter=True)
    box.hours(24)
    state, start = box.state, T0 + 24 * HOUR
    for minute in range(26):
        at = start + minute * MINUTE
        take_power(state, at, 1.5)
        take(state, at, state.limit() + 0.5)
        told = [each.alert for each in check(state, at) if each.active]
        assert told == [] or minute >= 20
    assert told == ["fridge-compressor"]


def test_a_meter_that_fell_silent_proves_nothing() -> None:
    """An idle plug of an hour ago does not speed up an alarm."""
    box = Box(meter=True)
    box.hours(47)
    box.meter = False
    box.state.idle_ms, box.state.power_ms = T0 + 46 * HOUR, T0 + 46 * HOUR
    box.hours(60, dead(48.3))
    (told,) = box.raised("fridge-compressor")
    assert told > 49.5
    assert "as if its compressor had stopped" in box.said("fridge-compressor").message


def test_readings_too_far_apart_are_only_called_warming() -> None:
    """With a reading each quarter of an hour a door cannot be told from a compressor, and the message says so."""
    for trouble in (dead(48.3), door(48.3, 58)):
        box = Box(every=15)
        box.hours(60, trouble)
        assert not box.raised("fridge-door")
        assert box.raised("fridge-compressor")
        said = box.said("fridge-compressor")
        assert "Fridge larder is warming: its air" in said.message
        assert "too seldom" in said.because[0]
        assert {each.weight for each in said.causes} == {0.5}


def test_repaired_it_returns_and_learns_nothing_from_the_trouble() -> None:
    """After a night without a compressor the alert returns, and the learned cycle is what it was."""
    box = Box()
    box.hours(48)
    before = box.state.limit()
    box.hours(80, dead(48.3, 58.0))
    (told,) = box.raised("fridge-compressor")
    ended = box.ended("fridge-compressor", told)
    assert ended is not None
    assert 58 < ended < 62
    assert box.state.limit() == pytest.approx(before, abs=0.4)


# --- drift -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("off", "word"), [(3.5, "too warm"), (-3.5, "too cold")])
def test_a_drift_is_judged_on_the_mean_over_cycles(off: float, word: str) -> None:
    """A thermostat that slipped by more than the band is told in hours, in words that say which way."""
    box = Box()
    box.hours(72, lambda hours: Trouble(thermostat_off_k=off) if hours > 48 else WELL)
    (told,) = box.raised("fridge-drift")
    assert 49 < told < 54
    assert word in box.said("fridge-drift").message
    assert "4 ± 2 °C" in box.said("fridge-drift").message


def test_a_slip_within_the_band_is_no_drift() -> None:
    """A kelvin off is inside two."""
    box = Box()
    box.hours(96, lambda hours: Trouble(thermostat_off_k=1.0) if hours > 48 else WELL)
    assert not box.raised("fridge-drift")


def test_a_drift_under_a_dead_compressor_names_its_cause() -> None:
    """What follows from an alert that already stands is grouped under it."""
    box = Box()
    box.hours(60, dead(48.3))
    assert box.raised("fridge-compressor")[0] < box.raised("fridge-drift")[0]
    assert box.said("fridge-drift").under == "fridge-compressor/fridge:larder"


# --- gaps --------------------------------------------------------------------------------------------------------


def test_an_air_that_is_not_heard_says_nothing() -> None:
    """Silence resolves nothing and raises nothing here."""
    box = Box()
    box.hours(48)
    assert check(box.state, T0 + 50 * HOUR) == []


def test_a_gap_in_good_health_is_no_excursion() -> None:
    """Six unheard hours and a warm reading after them start a new excursion, not one of six hours."""
    box = Box()
    box.hours(48)
    box.hours(54, quiet=True)
    box.fridge.air_c = 7.5
    box.hours(60)
    assert quiet(box)


def test_what_was_told_before_a_gap_returns_after_it() -> None:
    """A dead compressor, silence, and a cold fridge afterwards: the alert returns on the good readings."""
    box = Box()
    box.hours(54, dead(48.3))
    (told,) = box.raised("fridge-compressor")
    box.hours(66, quiet=True)
    box.hours(70)
    ended = box.ended("fridge-compressor", told)
    assert ended is not None
    assert 66 < ended < 67


def test_late_readings_are_passed_over() -> None:
    """A reading from before the latest changes nothing of what is known."""
    box = Box()
    box.hours(24)
    before = repr(box.state)
    take(box.state, T0 + 12 * HOUR, 25.0)
    assert repr(box.state) == before
