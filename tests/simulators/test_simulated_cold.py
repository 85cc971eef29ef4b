"""Heat of vessels and fridges."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from simulators.physics.fridge import Cabinet, Fridge, Inside, Trouble
from simulators.physics.room import RoomAir
from simulators.physics.vessel import Warmth, loss_w_per_k
from tests.cost import calls_of


def stocked(litres: tuple[float, ...] = (4, 0.5, 0.5)) -> list[Inside]:
    return [Inside(Warmth(4.0), loss_w_per_k(volume), volume * 4190) for volume in litres]


def minutes(fridge: Fridge, inside: list[Inside], count: int, trouble: Trouble | None = None) -> list[float]:
    air = []
    for _ in range(count):
        fridge.step(60, 20.0, inside, trouble or Trouble())
        air.append(fridge.air_c)
    return air


@pytest.mark.parametrize(
    # Newton's law for plain cylinders, all faces: 0.5 L jar, 4 L jug, 19 L bucket (h = 5, 7.5, 10 W/m2K).
    ("litres", "film", "hours"),
    [(0.5, 7.5, 2.21), (4, 5, 6.60), (4, 10, 3.30), (19, 7.5, 7.47), (19, 5, 11.21)],
)
def test_vessels_cool_with_the_computed_time_constant(litres: float, film: float, hours: float) -> None:
    """After one time constant 1/e of the difference is left."""
    warmth = Warmth(20.0)
    for _ in range(round(hours * 60)):
        warmth.settle(60, 4.0, loss_w_per_k(litres, film), 0.0, litres * 999 * 4.190)
    assert (warmth.celsius - 4) / 16 == pytest.approx(math.exp(-1), abs=0.005)


def test_a_bucket_takes_the_computed_hours_to_five_degrees() -> None:
    """A 19 L bucket goes from 20 to 5 °C in 4 °C air in 20.7 h (h = 7.5 W/m2K)."""
    warmth, passed = Warmth(20.0), 0.0
    while warmth.celsius > 5:
        warmth.settle(60, 4.0, loss_w_per_k(19), 0.0, 19 * 999 * 4.190)
        passed += 1 / 60
    assert passed == pytest.approx(20.72, abs=0.1)


def test_water_stops_at_zero_until_it_is_ice() -> None:
    """Below its freezing point a vessel makes ice at a constant temperature, and melts it on the way back."""
    warmth = Warmth(2.0)
    warmth.gain(-3 * 2095.0, 2095.0)
    assert warmth.celsius == 0.0
    assert warmth.ice_g == pytest.approx(2095 / 334)
    warmth.gain(2095 + 2095.0, 2095.0)
    assert warmth.ice_g == 0.0
    assert warmth.celsius == pytest.approx(1.0)


def test_the_fridge_cycles_as_real_ones_do() -> None:
    """Cycles last 14 to 100 minutes, the air swings about its target, the contents hardly."""
    fridge, inside = Fridge(Cabinet(), 4.0, 3.0), stocked()
    starts, was = [], False
    air = []
    for minute in range(2880):
        fridge.step(60, 20.0, inside)
        air.append(fridge.air_c)
        if fridge.running and not was:
            starts.append(minute)
        was = fridge.running
    cycles = [b - a for a, b in pairwise(starts[3:])]
    assert 14 <= min(cycles) <= max(cycles) <= 100
    assert sum(air[600:]) / len(air[600:]) == pytest.approx(4.0, abs=0.4)
    assert inside[0].warmth.celsius == pytest.approx(4.0, abs=0.5)


def test_heat_in_the_fridge_is_kept() -> None:
    """With everything shut off, what air, wall and jugs gain is what came through wall and gasket."""
    cabinet = Cabinet()
    fridge, inside = Fridge(cabinet, 4.0, 3.0), stocked()

    def heat() -> float:
        held = fridge.air_c * cabinet.air_j_k + fridge.wall_c * cabinet.wall_j_k
        return held + sum(thing.warmth.celsius * thing.capacity for thing in inside)

    before, came = heat(), 0.0
    for _ in range(400):
        came += 15 * (cabinet.wall_room * (20 - fridge.wall_c) + cabinet.gasket * (20 - fridge.air_c))
        fridge.step(15, 20.0, inside, Trouble(compressor_dead=True))
    assert heat() - before == pytest.approx(came, rel=1e-6)


def test_a_door_and_a_compressor_look_different() -> None:
    """An open door lifts the air by kelvins in minutes to a plateau; a dead compressor creeps for hours."""
    door, dead = Fridge(Cabinet(), 4.0, 3.0), Fridge(Cabinet(), 4.0, 3.0)
    opened = minutes(door, stocked(), 30, Trouble(door_open=True))
    stopped = minutes(dead, stocked(), 300, Trouble(compressor_dead=True))
    assert opened[4] > 10
    assert opened[29] - opened[9] < 1.0
    assert stopped[4] < 5
    assert stopped[59] < stopped[119] - 0.5 < stopped[239] - 1.0


def test_contents_lag_behind_the_air() -> None:
    """Ten minutes after the door opened the jug has hardly noticed."""
    fridge, inside = Fridge(Cabinet(), 4.0, 3.0), stocked()
    air = minutes(fridge, inside, 10, Trouble(door_open=True))
    assert air[-1] > 12
    assert inside[0].warmth.celsius < 4.6


def test_defrost_warms_the_air_and_leaves_the_contents() -> None:
    """A defrost lifts the air past its usual swing, is over in 75 minutes, and moves a jug less than 1 K."""
    fridge, inside = Fridge(Cabinet(defrost_every_h=12), 4.0, 3.0), stocked()
    before = minutes(fridge, inside, 719)
    usual, jug = max(before[200:]), inside[0].warmth.celsius
    during = minutes(fridge, inside, 100)
    assert max(during) > usual + 1.5
    assert max(during[76:]) < usual + 0.3
    assert inside[0].warmth.celsius < jug + 1.0


def test_a_weak_fridge_drifts_warm() -> None:
    """With most of its cooling gone the compressor never rests and the air ends above the band."""
    fridge, inside = Fridge(Cabinet(), 4.0, 3.0), stocked()
    air = minutes(fridge, inside, 1440, Trouble(weakness=0.8))
    assert fridge.running
    assert air[-1] > 7


def test_the_room_has_days_and_repeats_with_its_seed() -> None:
    """Warmest near its hour, and the same seed gives the same weather."""
    room = RoomAir(mean_c=20, swing_k=2, warmest_hour=16, wander_k=0.0, days=2, seed="a")
    assert max(range(24), key=lambda hour: room.at(hour, hour)) == 16
    rooms = [RoomAir(mean_c=20, swing_k=2, warmest_hour=16, wander_k=0.5, days=9, seed=s) for s in "aab"]
    first, again, other = ([r.at(h, h % 24) for h in range(200)] for r in rooms)
    assert first == again != other


def test_a_minute_of_fridge_costs_the_same_however_long_it_ran() -> None:
    """The minutes of a second day cost what those of the first did: a few dozen calls each."""
    fridge, inside = Fridge(Cabinet(), 4.0, 3.0), stocked()
    first, second = (calls_of(lambda: minutes(fridge, inside, 1440)) for _ in range(2))
    assert second < 1.1 * first
    assert first / 1440 < 100
