"""What the engine makes of a probe's condition."""

from __future__ import annotations

import pytest

from monitor.engine.readings import IMPLAUSIBLE
from monitor.model.clock import HOUR, MINUTE
from monitor.model.inputs import ProbeMoved
from monitor.model.status import Health
from tests.engine.cellar import Cellar, wobble

TWO_IN_A_BUCKET = """
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
[[probe]]
name = "well"
source = "mqtt"
topic = "well"
[[probe]]
name = "air"
source = "mqtt"
topic = "air"
[[room]]
name = "cellar"
probes = ["air"]
[[vessel]]
name = "bucket"
volume_l = 19
probes = ["float-a", "well"]
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
"""
CALIBRATED = """
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
[probe.calibration.float_angle]
gravity = [[25.1, 1.000], [40.3, 1.040], [55.9, 1.094]]
[[vessel]]
name = "bucket"
probes = ["float-a"]
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
"""


def status(cellar: Cellar) -> tuple[Health, str]:
    """The float's."""
    return cellar.state.probes["float-a"].status()


def test_a_float_taken_out_without_a_word_is_out_of_specification() -> None:
    """Its gravity jumps and its temperature follows the cellar's air, not the thermometer beside it."""
    cellar = Cellar(TWO_IN_A_BUCKET)
    for i in range(30):
        cellar.wait(10 * MINUTE)
        out = i >= 24
        gravity = 1.16 if out else 1.050
        cellar.say("well", temperature=22.0 + 0.1 * (i % 3))
        cellar.say("air", temperature=15.0 + 0.1 * (i % 2))
        cellar.say("float-a", gravity=gravity + 0.0001 * (i % 4), temperature=(15.4 if out else 21.8) + 0.1 * (i % 3))
    found, why = status(cellar)
    assert found is Health.OUT_OF_SPECIFICATION
    assert "jumped by +0.11" in why
    assert "follows the air (15" in why
    assert "not the liquid (22" in why


def test_a_jump_that_was_explained_leaves_a_good_probe() -> None:
    """When the question is settled, the next reading is that of a good probe."""
    cellar = Cellar()
    cellar.live("float-a", 12, gravity=wobble(1.050, 0.0001), temperature=wobble(20, 0.1))
    cellar.live("float-a", 2, gravity=wobble(1.080, 0.0001), temperature=wobble(20, 0.1))
    assert status(cellar)[0] is Health.OUT_OF_SPECIFICATION
    cellar.batch.step_ms = None
    cellar.live("float-a", 1, gravity=wobble(1.080, 0.0001), temperature=wobble(20, 0.1))
    assert status(cellar)[0] is Health.GOOD


def test_a_float_on_its_side_means_no_gravity() -> None:
    """An angle that is possible but means 1.2 and more is told as suspect once, and ends with the first good one."""
    cellar = Cellar(CALIBRATED)
    cellar.live("float-a", 3, float_angle=wobble(40.3, 0.1), temperature=wobble(20, 0.1))
    flags = [cellar.say("float-a", float_angle=88.0 + 0.1 * i) for i in range(4)]
    assert flags == [[IMPLAUSIBLE]] * 4
    assert status(cellar)[0] is Health.OUT_OF_SPECIFICATION
    assert cellar.alerts("probe-suspect") == ["raised"]
    assert "means a gravity of" in cellar.last("probe-suspect").because[0]
    cellar.say("float-a", float_angle=40.0)
    assert cellar.alerts("probe-suspect") == ["raised", "returned"]
    assert status(cellar)[0] is Health.GOOD


def test_a_probe_that_was_taken_out_is_in_function_check_until_it_is_put_back() -> None:
    """What it says on the shelf is used for nothing; put back, it is good after three steady readings."""
    cellar = Cellar()
    cellar.live("float-a", 2, gravity=wobble(1.050, 0.0001), temperature=wobble(20, 0.1))
    cellar.tell(ProbeMoved(probe="float-a", to=None, at=cellar.now))
    cellar.live("float-a", 1, gravity=wobble(1.160, 0.0001), temperature=wobble(15, 0.1))
    assert status(cellar) == (Health.FUNCTION_CHECK, "taken out: what it says is not used")
    cellar.tell(ProbeMoved(probe="float-a", to="vessel:bucket", at=cellar.now))
    cellar.live("float-a", 1, gravity=wobble(1.050, 0.0001), temperature=wobble(20, 0.1))
    assert status(cellar)[0] is Health.GOOD


def test_sugar_is_no_fouling() -> None:
    """A rise and a livelier trembling after a jump nobody denied is not called foam on the probe."""
    cellar = Cellar()
    cellar.live("float-a", 40, gravity=wobble(1.050, 0.0001), temperature=wobble(20, 0.1))
    cellar.live("float-a", 10, gravity=wobble(1.075, 0.0005), temperature=wobble(20, 0.1))
    assert cellar.state.probes["float-a"].course.fouled_ms is None


def test_a_low_battery_is_a_matter_of_maintenance() -> None:
    """The status says so beside the alert."""
    cellar = Cellar()
    cellar.live("float-a", 2, battery=lambda _: 4.1, gravity=wobble(1.050, 0.0001))
    for _ in range(4):
        cellar.wait(10 * MINUTE)
        cellar.say("float-a", battery=3.3)
    assert status(cellar) == (Health.MAINTENANCE_REQUIRED, "battery low")


@pytest.mark.parametrize("late", [0, 1])
def test_a_probe_whose_clock_is_an_hour_behind_needs_looking_after(late: int) -> None:
    """Its readings are filed where it says; the status says that it says so wrongly."""
    cellar = Cellar()
    for i in range(26 * 6):
        cellar.wait(10 * MINUTE)
        cellar.say("float-a", cellar.now - late * HOUR, gravity=1.050 + 0.0001 * (i % 5), temperature=20 + i % 7 / 10)
    assert status(cellar)[0] is (Health.MAINTENANCE_REQUIRED if late else Health.GOOD)
    assert ("60 min behind" in status(cellar)[1]) == bool(late)
