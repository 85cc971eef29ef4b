"""Where ice may begin in what stands in a fridge: one knowledge for its alerts and for holding cold."""

from __future__ import annotations

import pytest

from monitor.engine import clocks, cold, pictures
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.deeds import Held, HoldEnded, JarDiscarded, Jarred, JarUsed, Undone
from monitor.model.inputs import ContentsChanged

from .cellar import Cellar, wobble

LARDER = """
[[probe]]
name = "larder-air"
source = "mqtt"
topic = "larder-air"
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
[[vessel]]
name = "bucket"
volume_l = 19
probes = ["float-a"]
[[vessel]]
name = "jug"
volume_l = 4
material = "glass"
[[fridge]]
name = "larder"
target_c = 3
probes = ["larder-air"]
contents = ["bucket"]
[[fridge]]
name = "freezer"
target_c = -18
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.090
expected_final = 0.994
"""


@pytest.fixture
def shed() -> Cellar:
    """A strong wash in the larder, at its end."""
    shed = Cellar(LARDER)
    shed.batch.last_gravity = 0.996
    return shed


def air(shed: Cellar, hours: float, middle: float) -> None:
    shed.live("larder-air", hours, 5 * MINUTE, temperature=wobble(middle, 0.05))


def shelve(shed: Cellar, name: str = "ale-1", **more: object) -> int:
    told = {"at": shed.now, "jar": name, "strain": "house", "origin": "given", "volume_ml": 250.0, "fridge": "larder"}
    shed.tell(Jarred(**(told | more)))
    return shed.now


def most_tender(shed: Cellar, target_c: float = -1.0) -> dict:
    """What `batch hold` would say of the fridge."""
    deed = Held(about="batch:amber-1", fridge="larder", target_c=target_c, hours=24.0, at=shed.now)
    return pictures.outlook(shed.state, deed)


# --- what is known of a batch ------------------------------------------------------------------------------------


def test_a_listed_vessel_is_no_water_where_its_batch_is_known(shed):
    """By its batch, and at once: it is not for the next hour to find out what was put in."""
    shed.tell(ContentsChanged(fridge="larder", contents=["bucket", "jug"]))
    shed.configure(LARDER.replace('material = "glass"', 'material = "glass"\nabv = 9'))
    found = cold.tender(shed.state, shed.state.fridges["larder"], {})
    assert [each.name for each in found] == ["jug", "bucket"]
    assert -3.0 < found[0].freezes_c < -2.0
    assert -4.5 < found[1].freezes_c < -3.5
    for each in found:
        content = shed.state.fridges["larder"].contents[each.name]
        assert (content.freezes_c, content.why) == (each.freezes_c, each.why)


def test_a_hold_and_its_fridge_say_the_same_of_a_batch(shed):
    """One figure and one reason, whichever is asked."""
    held = Held(about="batch:amber-1", fridge="larder", target_c=2.0, hours=24.0, at=shed.now)
    shed.wait(HOUR)
    content = shed.state.fridges["larder"].contents["bucket"]
    thing = cold.thing_of(shed.state, held)
    assert thing.freezes_c == content.freezes_c
    assert thing.why == f"{content.why}, and ice may begin at {content.freezes_c:.1f} °C"


def test_a_thinned_batch_is_taken_for_water_everywhere(shed):
    """However strong its vessel was once said to be."""
    shed.configure(LARDER.replace("volume_l = 19", "volume_l = 19\nabv = 12"))
    shed.batch.thinned = True
    assert most_tender(shed)["most_tender"]["freezes_c"] == 0.0
    shed.wait(HOUR)
    assert shed.state.fridges["larder"].contents["bucket"].freezes_c == 0.0


# --- jars of the shelf -------------------------------------------------------------------------------------------


def test_a_jar_of_the_shelf_is_counted_where_it_stands(shed):
    """A wash bears what freezes yeast under water: the jar speaks for the fridge, until it is gone."""
    air(shed, 3, 3.0)
    shelve(shed)
    air(shed, 12, 3.0)
    assert shed.alerts("freeze-risk") == []
    air(shed, 12, 0.3)
    assert shed.alerts("freeze-risk", "fridge:larder") == ["raised"]
    said = shed.last("freeze-risk")
    assert said.message.startswith("ale-1 in fridge larder")
    assert "yeast under water freezes at 0.0 °C" in said.because[0]
    shed.tell(JarDiscarded(at=shed.now, jar="ale-1"))
    air(shed, 1, 0.3)
    assert shed.alerts("freeze-risk", "fridge:larder") == ["raised", "returned"]


def test_a_small_jar_gets_there_before_a_large_one(shed):
    """Its volume is the jar's, and of what was used up less is left to cool."""
    air(shed, 3, 3.0)
    shelve(shed, "small")
    shelve(shed, "large", volume_ml=2000.0)
    jars = shed.state.fridges["larder"].jars
    air(shed, 2, 3.0)
    assert jars["small"].estimate < jars["large"].estimate < 20.0
    before = jars["large"].tau_s
    shed.tell(JarUsed(at=shed.now, jar="large", ml=1500.0))
    assert jars["large"].tau_s < before


def test_a_jar_told_late_has_been_in_the_cold_for_a_while(shed):
    """Put up two days ago, it is as cold as its fridge."""
    air(shed, 50, 3.0)
    shelve(shed, at=shed.now - 48 * HOUR)
    assert shed.state.fridges["larder"].jars["ale-1"].estimate == pytest.approx(3.0, abs=0.2)


@pytest.mark.parametrize(
    "more",
    [
        {"fridge": None},
        {"fridge": "freezer", "stored_c": -18.0},
        {"origin": "packet", "grams": 11.5, "volume_ml": 11.5},
    ],
    ids=["no fridge", "frozen on purpose", "dried"],
)
def test_what_is_not_there_or_is_no_water_is_not_counted(shed, more):
    """Nothing is said of it, and nothing else changes."""
    shelve(shed, **more)
    assert [fridge.jars for fridge in shed.state.fridges.values()] == [{}, {}]


def test_a_jar_stands_in_one_place(shed):
    """What was taken back is not there; what is held elsewhere is there; out again it is back on its shelf."""
    at = shelve(shed)
    larder = shed.state.fridges["larder"]
    assert list(larder.jars) == ["ale-1"]
    shed.tell(Held(about="jar:ale-1", fridge="freezer", target_c=1.0, hours=4.0, at=shed.now))
    assert larder.jars == {}
    shed.tell(HoldEnded(about="jar:ale-1", at=shed.now))
    assert list(larder.jars) == ["ale-1"]
    shed.configure(LARDER.replace('name = "larder"\ntarget', 'name = "cellar"\ntarget'))
    shed.configure(LARDER)
    assert list(shed.state.fridges["larder"].jars) == ["ale-1"]
    shed.tell(Undone(of=at))
    assert shed.state.fridges["larder"].jars == {}


def test_a_hold_is_advised_by_the_jar_beside_it(shed):
    """A target that the wash bears and the yeast does not."""
    shelve(shed)
    told = most_tender(shed)
    assert (told["most_tender"]["name"], told["most_tender"]["freezes_c"]) == ("ale-1", 0.0)
    assert any("too cold for ale-1 in the same fridge" in each for each in told["advice"])


def test_a_jar_that_is_held_on_its_shelf_is_told_of_once(shed):
    """Its fridge's own rule speaks of it; the hold goes by the same estimate."""
    air(shed, 3, 3.0)
    shelve(shed)
    shed.tell(Held(about="jar:ale-1", target_c=4.0, hours=100.0, at=shed.now))
    air(shed, 12, 0.3)
    assert shed.state.holds["jar:ale-1"].by == "fridge"
    assert shed.alerts("freeze-risk", "fridge:larder") == ["raised"]
    assert shed.alerts("freeze-risk", "jar:ale-1") == []
    assert clocks.holds(shed.state)["jar:ale-1"].fridge is None


def test_a_kill_forgets_no_jar(shed):
    """It is in the fridge's piece of the state."""
    air(shed, 3, 3.0)
    shelve(shed)
    air(shed, 1, 3.0)
    shed.commit()
    again = State.restore(shed.pieces)
    assert again.fridges["larder"].jars == shed.state.fridges["larder"].jars
