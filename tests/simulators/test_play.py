"""What the simulated probes send, and how they fail."""

from __future__ import annotations

import functools
import json
import re
import statistics

import pytest

from simulators.play import Emission, Player
from simulators.probes import float_angle
from simulators.says import crc8, pattern_of, w1_slave
from simulators.scenario import load

HOUR = 3_600_000


@functools.cache
def play(name: str) -> Player:
    """A player whose emissions are made once for all tests."""
    return Player(load(name))


def of(name: str, probe: str) -> list[Emission]:
    return [emission for emission in play(name).emissions if emission.probe == probe]


def series(name: str, probe: str, quantity: str) -> list[tuple[float, float]]:
    """Hours from the start and value, in the order of sending."""
    player = play(name)
    return [
        ((said.measured_ms - player.start_ms) / HOUR, said.value)
        for emission in of(name, probe)
        for said in emission.readings
        if said.quantity == quantity
    ]


def test_the_same_scenario_says_the_same_bytes() -> None:
    """Two players of one scenario send byte for byte the same at the same times."""
    scenario = load("late-backlog")
    assert Player(scenario).emissions == Player(scenario).emissions


def test_another_start_only_moves_the_times() -> None:
    """Played from another day, everything is sent that much later."""
    scenario = load("two-siblings")
    here, later = Player(scenario), Player(scenario, scenario.start_ms + 86_400_000)
    assert [e.send_ms + 86_400_000 for e in here.emissions] == [e.send_ms for e in later.emissions]
    assert [[s.value for s in e.readings] for e in here.emissions] == [
        [s.value for s in e.readings] for e in later.emissions
    ]


def test_emissions_come_in_order_and_once() -> None:
    """Asking in small steps gives each message once, in order of sending, none before its time."""
    player = Player(load("late-backlog"))
    got: list[Emission] = []
    for now in range(player.start_ms, player.end_ms + 2 * HOUR, 5 * HOUR):
        step = player.emissions_until(now)
        assert all(emission.send_ms <= now for emission in step)
        got += step
    assert got == player.emissions
    assert [e.send_ms for e in got] == sorted(e.send_ms for e in got)


def test_senml_carries_its_own_time_and_values() -> None:
    """A SenML pack's base time and values are those the recording keeps."""
    for emission in of("two-siblings", "float-north")[:50]:
        pack = json.loads(emission.payload)
        assert pack[0]["bn"] == "cellar/float-north/"
        assert [(record["n"], record["v"]) for record in pack] == [(s.quantity, s.value) for s in emission.readings]
        assert {round(pack[0]["bt"] * 1000)} == {said.measured_ms for said in emission.readings}


def test_a_probe_without_a_clock_is_known_by_when_it_was_sent() -> None:
    """No base time in the pack, and the recording has the time of sending."""
    for emission in of("late-backlog", "float-right")[:50]:
        assert "bt" not in json.loads(emission.payload)[0]
        assert {said.measured_ms for said in emission.readings} == {emission.send_ms}


def test_text_lines_are_read_back_by_their_pattern() -> None:
    """The pattern given to the watcher finds exactly the values in the line."""
    (probe,) = (p for p in load("garbled-wires").probe if p.name == "float-b")
    whole = [e for e in of("garbled-wires", "float-b") if e.readings]
    for emission in whole[:200]:
        assert emission.payload.endswith(b"\r\n")
        found = re.search(pattern_of(probe), emission.payload.decode())
        assert found is not None
        assert {s.quantity: s.value for s in emission.readings} == {k: float(v) for k, v in found.groupdict().items()}


def test_one_wire_files_have_a_good_check_byte() -> None:
    """The last of nine bytes checks the eight before it, and t= is what is recorded."""
    for emission in of("temperature-only", "bucket-wall")[:50]:
        first, second = emission.payload.decode().splitlines()
        numbers = bytes(int(two, 16) for two in first.split(" : ")[0].split())
        assert crc8(numbers[:8]) == numbers[8]
        assert first.endswith("YES")
        assert emission.readings[0].value == int(second.split("t=")[1]) / 1000


@pytest.mark.parametrize(
    # Data sheet temperature/data relationship, 12 bits.
    ("celsius", "low", "high"),
    [(25.0625, 0x91, 0x01), (0.5, 0x08, 0x00), (-0.5, 0xF8, 0xFF), (-10.125, 0x5E, 0xFF), (85.0, 0x50, 0x05)],
)
def test_one_wire_bytes_are_the_data_sheets(celsius: float, low: int, high: int) -> None:
    """The two temperature bytes are as tabled; the check string of the CRC gives A1."""
    assert w1_slave(celsius).startswith(f"{low:02x} {high:02x} ".encode())
    assert crc8(b"123456789") == 0xA1


def test_noise_is_as_large_as_stated() -> None:
    """After the end, a healthy float scatters about the truth by its stated noise and little more."""
    truth = play("two-siblings").world.vessels["north"].gravity
    errors = [value - truth.at(hour) for hour, value in series("two-siblings", "float-north", "gravity") if hour > 120]
    assert 0.0003 < statistics.stdev(errors) < 0.0006
    assert abs(statistics.fmean(errors)) < 0.0002


def test_bubbles_come_while_it_ferments() -> None:
    """Spikes of over 0.003 are seen in the busy days, and none once it is still."""
    truth = play("two-siblings").world.vessels["north"].gravity
    wild = [h for h, v in series("two-siblings", "float-north", "gravity") if abs(v - truth.at(h)) > 0.003]
    assert wild
    assert max(wild) < 110


def test_the_float_leans_with_the_gravity() -> None:
    """Angle rises with gravity over the whole range a wash can have."""
    angles = [float_angle(g / 1000) for g in range(980, 1130)]
    assert angles == sorted(angles)
    assert 10 < angles[0] < angles[-1] < 75


def test_a_stuck_pair_repeats_for_ever() -> None:
    """From its hour on, gravity and temperature are one value each; the battery lives."""
    for quantity in ("gravity", "temperature"):
        late = {value for hour, value in series("stuck-probe", "float-east", quantity) if hour > 52.2}
        assert len(late) == 1
    assert len({value for hour, value in series("stuck-probe", "float-east", "battery") if hour > 52.2}) > 1


def test_a_stuck_gravity_leaves_the_thermometer_alive() -> None:
    """Only the gravity repeats."""
    assert len({v for h, v in series("stuck-probe", "float-west", "gravity") if h > 58.2}) == 1
    assert len({v for h, v in series("stuck-probe", "float-west", "temperature") if h > 58.2}) > 20


def test_a_dying_battery_sags_and_then_all_is_silent() -> None:
    """Voltage is below 3.4 V at the end, nothing comes for four days, and a fresh cell comes back full."""
    volts = series("silent-probe", "float-a", "battery")
    assert min(value for hour, value in volts if hour < 118) < 3.4
    assert [hour for hour, _ in volts if 118 <= hour < 214] == []
    assert statistics.fmean(value for hour, value in volts if hour > 214) > 3.9


def test_a_probe_with_status_says_when_it_goes() -> None:
    """The retained status turns offline and online again around the silence."""
    words = [e for e in of("silent-probe", "float-a") if e.line.endswith("/status")]
    assert [word.payload for word in words] == [b"online", b"offline", b"online"]
    assert all(word.retained and not word.readings for word in words)


def test_a_backlog_comes_late_in_one_shuffled_burst() -> None:
    """Nothing is sent while away; all of it is, out of order, within a minute of the return."""
    player = play("late-backlog")
    held = [
        e
        for e in of("late-backlog", "float-left")
        if e.readings and 40 * HOUR <= e.readings[0].measured_ms - player.start_ms < 52 * HOUR
    ]
    assert len({e.readings[0].measured_ms for e in held}) > 60
    first, last = (pick(e.send_ms for e in held) - player.start_ms for pick in (min, max))
    assert first >= 52 * HOUR
    assert last < 52 * HOUR + 60_000
    times = [e.readings[0].measured_ms for e in held]
    assert times != sorted(times)


def test_lost_messages_are_about_as_many_as_stated() -> None:
    """A tenth lost is a tenth missing."""
    count = len(of("late-backlog", "float-right"))
    expected = (10 * 24 - 12) * 6 * 0.9
    assert count == pytest.approx(expected, rel=0.03)


def test_a_wrong_clock_shows_in_the_claimed_time_only() -> None:
    """From its hour on, claimed times lag the sending by forty minutes."""
    player = play("garbled-wires")
    for emission in of("garbled-wires", "float-a"):
        lag = emission.send_ms - emission.readings[0].measured_ms
        late = emission.send_ms - player.start_ms > 20 * HOUR
        assert (2_400_000 < lag < 2_401_000) if late else (0 < lag < 1000)


def test_power_on_values_and_torn_lines_come_as_stated() -> None:
    """About one in a hundred temperatures is 85.000, about one in twelve lines holds no reading."""
    air = [value for _, value in series("garbled-wires", "cellar-air", "temperature")]
    assert air.count(85.0) / len(air) == pytest.approx(0.01, abs=0.004)
    lines = [e for e in of("garbled-wires", "float-b") if e.send_ms - play("garbled-wires").start_ms > 10 * HOUR]
    torn = [e for e in lines if not e.readings]
    assert len(torn) / len(lines) == pytest.approx(0.08, abs=0.02)


def test_a_moved_probe_tells_of_its_new_place() -> None:
    """On the shelf it says what no wash has; in the second bucket it follows that bucket."""
    world = play("probe-moved").world
    gravity = series("probe-moved", "float-a", "gravity")
    assert all(value > 1.13 for hour, value in gravity if 148 < hour < 150)
    after = [value - world.vessels["second"].gravity.at(hour) for hour, value in gravity if hour > 150]
    assert abs(statistics.median(after)) < 0.0005


def test_drift_is_two_points_a_week() -> None:
    """The drifting float is low by its drift at the end, within its resolution."""
    truth = play("drifting-probe").world.vessels["bucket"].gravity
    late = [v - truth.at(h) for h, v in series("drifting-probe", "float-a", "gravity") if h > 330]
    assert statistics.fmean(late) == pytest.approx(-0.002 * 357 / 168, abs=0.0004)


def test_hand_readings_are_raw_scale_readings() -> None:
    """A hydrometer reading lies near the truth once its temperature is seen to, and comes with it."""
    player = play("hand-only")
    emissions = player.emissions
    assert len(emissions) == 11
    for emission in emissions:
        assert (emission.wire, emission.probe, emission.line) == ("hand", "hand:bucket", "hand:bucket")
        values = {said.quantity: said.value for said in emission.readings}
        assert set(values) == {"hydrometer", "temperature"}
        hours = (emission.readings[0].measured_ms - player.start_ms) / HOUR
        mixture = player.world.mixture("bucket", hours)
        assert values["hydrometer"] == pytest.approx(mixture.hydrometer(values["temperature"]), abs=0.003)


def test_gas_mass_and_plug_bear_witness() -> None:
    """The scale loses the gas's weight, the airlock is busiest in the busy hours, the dead plug draws nothing."""
    kept = play("many-witnesses").world.vessels["bucket"]
    mass = series("many-witnesses", "scale", "mass")
    assert mass[0][1] - mass[-1][1] == pytest.approx((kept.brew.gas if kept.brew else 0) / 1000, abs=0.03)
    blips = series("many-witnesses", "airlock", "bubbles")
    busy = max(blips, key=lambda pair: pair[1])[0]
    assert 15 < busy < 60
    assert all(value < 5 for hour, value in blips if hour > 200)
    watts = [value for hour, value in series("compressor-stops", "larder-plug", "power") if hour > 166.4]
    assert max(watts) < 5


def test_a_door_contact_knows_of_every_long_opening() -> None:
    """The contact says open in the three hours and closed around them."""
    contact = series("door-left-open", "larder-door", "contact")
    assert all(value == 1 for hour, value in contact if 132.2 < hour < 135.2)
    assert all(value == 0 for hour, value in contact if hour > 136)


def test_the_keepers_deeds_are_listed_with_whether_they_were_told() -> None:
    """Two announced feeds and one forgotten; two moves of the float."""
    assert [(d.what, d.announced) for d in play("step-fed").deeds] == [
        ("addition", True),
        ("addition", True),
        ("addition", False),
    ]
    assert [(d.what, d.detail["to"]) for d in play("probe-moved").deeds] == [
        ("probe-moved", "out"),
        ("probe-moved", "second"),
    ]


def test_racking_leaves_the_lees_and_carries_the_rest() -> None:
    """What was in the bucket is in the other vessel afterwards, but for what stayed behind and had settled."""
    world = play("pitch-to-shelf").world
    before, after = world.vessels["left"], world.vessels["still-left"]

    assert before.gravity.at(251) == pytest.approx(after.gravity.at(253), abs=2e-5)
    assert after.gravity.at(250) == pytest.approx(1.0, abs=1e-3)
    carried = after.mass_kg.at(253) / before.mass_kg.at(251)
    assert 0.92 < carried < 0.96  # 1.1 of some 20.7 litres stayed behind
    assert after.celsius.at(360) < 6.0
