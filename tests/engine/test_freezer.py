"""A freezer for food, -18 Cel and below, watched like any fridge."""

from __future__ import annotations

from monitor.model.inputs import ContentsChanged

from .cellar import Cellar, wobble

EMPTY = """
[[probe]]
name = "chest-air"
source = "mqtt"
topic = "chest-air"
[[vessel]]
name = "jug"
volume_l = 4
[[fridge]]
name = "chest"
target_c = -18
band_k = 3
probes = ["chest-air"]
"""


def test_the_probe_in_a_freezer_is_believed():
    """Air at -18 and at -30 Cel is a freezer at work, not a probe out of order."""
    chest = Cellar(EMPTY)
    for air in (-18.0, -30.0):
        chest.live("chest-air", 3, temperature=wobble(air, 1.0))
    assert chest.standing() <= {"fridge-drift", "fridge-compressor"}
    assert not chest.alerts("freeze-risk"), "nothing is in it"
    assert not any(chest.say("chest-air", temperature=-28.0))


def test_water_put_into_a_freezer_is_told_of_before_it_freezes():
    """Four litres of something like water in air at -18 Cel: told within the hour, hours before ice."""
    chest = Cellar(EMPTY)
    chest.live("chest-air", 2, temperature=wobble(-18.0, 1.0))
    chest.tell(ContentsChanged(fridge="chest", contents=["jug"]))
    chest.live("chest-air", 1, temperature=wobble(-18.0, 1.0))
    assert chest.alerts("freeze-risk") == ["raised"]
    assert chest.state.fridges["chest"].contents["jug"].estimate > 10.0


def test_a_broken_sensor_is_not_believed_in_a_freezer_either():
    """What a cut wire says, far below what any freezer reaches."""
    chest = Cellar(EMPTY)
    assert all(chest.say("chest-air", temperature=-55.0))


def test_what_a_freezer_is_told_to_hold_may_freeze_and_is_said_to():
    """A jug that is listed in a freezer from the start is taken to be as cold as it is."""
    chest = Cellar(EMPTY + 'contents = ["jug"]\n')
    chest.live("chest-air", 1, temperature=wobble(-18.0, 1.0))
    assert "may be freezing now" in chest.last("freeze-risk").message
