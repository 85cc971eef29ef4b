"""A reading comes in: is it believable, where does it belong, and what is said of it."""

from __future__ import annotations

import pytest

from monitor.engine.readings import FUNCTION_CHECK, IMPLAUSIBLE, PLACELESS, SPIKE
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.inputs import Added, ProbeMoved
from tests.engine.cellar import PITCHED, PLAIN, Cellar, wobble

TWO = (
    PLAIN
    + """
[[vessel]]
name = "jug"
volume_l = 4
[[batch]]
name = "amber-2"
vessel = "jug"
pitched = 2026-03-02T18:00:00Z
"""
)


# --- believable --------------------------------------------------------------------------------------------------


def test_the_85_degrees_of_a_thermometer_that_just_woke_are_not_believed() -> None:
    """A power-on value is flagged, filed nowhere, and alone raises nothing."""
    cellar = Cellar()
    cellar.say("float-a", temperature=20.0)
    assert cellar.say("float-a", temperature=85.0) == [IMPLAUSIBLE]
    assert cellar.say("float-a", temperature=20.1) == [0]
    cellar.wait(HOUR)
    points = cellar.state.tracks["vessel:bucket|float-a|temperature"].points(PITCHED, PITCHED + HOUR)
    assert [value for _, value in points] == [pytest.approx(20.05, abs=0.06)]
    assert cellar.alerts("probe-suspect") == []


def test_three_impossible_values_in_a_row_make_a_probe_suspect() -> None:
    """Told once, with the value and the believable range, and returned by the first good one."""
    cellar = Cellar()
    for _ in range(5):
        cellar.say("float-a", gravity=0.85)
    assert cellar.alerts("probe-suspect") == ["raised"]
    assert "0.85" in cellar.last("probe-suspect").message
    assert "0.96" in cellar.last("probe-suspect").because[0]
    cellar.say("float-a", gravity=1.05)
    assert cellar.alerts("probe-suspect") == ["raised", "returned"]


def test_impossible_values_are_no_silence() -> None:
    """A probe that speaks nonsense is not silent; its batch is unknown for its own reason."""
    cellar = Cellar()
    cellar.live("float-a", 12, gravity=wobble(1.05, 0.0001), temperature=wobble(20, 0.1))
    cellar.live("float-a", 6, gravity=lambda _: 1.45, temperature=wobble(20, 0.1))
    assert cellar.alerts("probe-silent") == []
    assert cellar.verdicts()[-1].verdict == "unknown"
    assert "cannot be right" in cellar.verdicts()[-1].because[0]


def test_a_bubble_is_flagged_and_not_filed() -> None:
    """One reading that leaps and comes back is kept out of the hour."""
    cellar = Cellar()
    for _ in range(4):
        cellar.wait(10 * MINUTE)
        cellar.say("float-a", gravity=1.050)
    cellar.wait(MINUTE)
    assert cellar.say("float-a", gravity=1.095) == [SPIKE]
    cellar.wait(9 * MINUTE)
    assert cellar.say("float-a", gravity=1.050) == [0]


def test_a_calibration_that_leads_out_of_range_is_not_believed() -> None:
    """A float lying on its side tells no gravity."""
    text = PLAIN.replace(
        'measures = "liquid"',
        'measures = "liquid"\n[probe.calibration.float_angle]\ngravity = [[25.0, 1.000], [40.0, 1.040], [56.0, 1.094]]',
    )
    cellar = Cellar(text)
    assert cellar.say("float-a", float_angle=41.0) == [0]
    assert cellar.say("float-a", float_angle=89.0) == [IMPLAUSIBLE]


def test_degrees_plato_are_a_gravity() -> None:
    """12.4 °P are 1.050."""
    cellar = Cellar()
    assert cellar.say("float-a", extract=12.4) == [0]
    cellar.wait_until(PITCHED + HOUR)
    ((_, value),) = cellar.state.tracks["vessel:bucket|float-a|gravity"].points(PITCHED, PITCHED + HOUR)
    assert value == pytest.approx(1.0500, abs=0.0002)


# --- where it belongs --------------------------------------------------------------------------------------------


def test_a_probe_that_is_nowhere_teaches_nothing() -> None:
    """A probe of no place is heard, and files nothing."""
    cellar = Cellar()
    assert cellar.say("stray", gravity=1.05) == [PLACELESS]
    assert cellar.state.tracks == {}


def test_a_moved_probe_counts_from_its_third_steady_reading() -> None:
    """In function check the batch it left is without it, and the new one waits for three that agree."""
    cellar = Cellar(TWO)
    cellar.live("float-a", 5, gravity=wobble(1.05, 0.0001))
    cellar.tell(ProbeMoved(probe="float-a", to="vessel:jug", at=cellar.now))
    flags = []
    for value in (1.16, 1.030, 1.0302, 1.0301, 1.0300):
        cellar.wait(10 * MINUTE)
        flags += cellar.say("float-a", gravity=value)
    assert flags == [FUNCTION_CHECK] * 3 + [0, 0]
    assert set(cellar.state.tracks) == {"vessel:bucket|float-a|gravity", "vessel:jug|float-a|gravity"}


def test_a_late_reading_goes_to_where_the_probe_was_when_it_measured() -> None:
    """A backlog that comes after a move is filed under the old vessel, untouched by the function check."""
    cellar = Cellar(TWO)
    cellar.live("float-a", 3, gravity=wobble(1.05, 0.0001))
    moved = cellar.now
    cellar.tell(ProbeMoved(probe="float-a", to="vessel:jug", at=moved))
    cellar.wait(HOUR)
    assert cellar.say("float-a", moved - 30 * MINUTE, gravity=1.0499) == [0]
    assert set(cellar.state.tracks) == {"vessel:bucket|float-a|gravity"}


def test_a_probe_taken_out_belongs_nowhere_and_is_not_missed() -> None:
    """Out of the vessel its readings are placeless and its silence is meant."""
    cellar = Cellar()
    cellar.live("float-a", 3, gravity=wobble(1.05, 0.0001))
    cellar.tell(ProbeMoved(probe="float-a", to=None, at=cellar.now))
    assert cellar.say("float-a", gravity=1.16) == [PLACELESS]
    cellar.wait(2 * DAY)
    assert cellar.alerts("probe-silent") == []


def test_a_probe_put_back_after_two_days_has_not_jumped() -> None:
    """Taken out for cleaning at 1.050 and put back at 1.075 of a fed wash: no question about a jump."""
    cellar = Cellar()
    cellar.live("float-a", 3, gravity=wobble(1.05, 0.0001))
    cellar.tell(ProbeMoved(probe="float-a", to=None, at=cellar.now))
    cellar.wait(2 * DAY)
    cellar.tell(ProbeMoved(probe="float-a", to="vessel:bucket", at=cellar.now))
    cellar.live("float-a", 2, gravity=wobble(1.075, 0.0001))
    assert cellar.alerts("probe-suspect") == []


# --- jumps -------------------------------------------------------------------------------------------------------


def jumped() -> Cellar:
    """A batch at work whose gravity leaps by three points in a hundred."""
    cellar = Cellar()
    cellar.live("float-a", 20, gravity=lambda h: round(1.050 - 0.001 * h, 4), temperature=wobble(20, 0.1))
    cellar.live("float-a", 1, gravity=lambda h: round(1.080 - 0.001 * h, 4), temperature=wobble(20, 0.1))
    return cellar


def test_a_jump_nobody_announced_is_asked_about() -> None:
    """Three readings in a row that hold it raise one question, with its size and the command to answer."""
    cellar = jumped()
    assert cellar.alerts("probe-suspect") == ["raised"]
    said = cellar.last("probe-suspect")
    assert "rose at once by 0.029" in said.message
    assert "leeswatch batch add amber-1" in said.do[0]


def test_the_answer_ends_the_question() -> None:
    """Announced afterwards, the jump is explained, and the original gravity is re-based."""
    cellar = jumped()
    cellar.tell(Added(batch="amber-1", what="sugar", at=PITCHED + 20 * HOUR))
    assert cellar.alerts("probe-suspect") == ["raised", "returned"]
    assert "sugar was added" in cellar.last("probe-suspect").message
    before = cellar.batch.original
    assert before is not None
    cellar.live("float-a", 10, gravity=lambda h: round(1.080 - 0.001 * h, 4), temperature=wobble(20, 0.1))
    assert cellar.batch.original == pytest.approx(before + 0.030, abs=0.003)
    assert cellar.alerts("probe-suspect") == ["raised", "returned"]


def test_a_move_told_afterwards_ends_the_question_too() -> None:
    """It was the probe and not the wash."""
    cellar = jumped()
    cellar.tell(ProbeMoved(probe="float-a", to=None, at=PITCHED + 20 * HOUR))
    assert cellar.alerts("probe-suspect") == ["raised", "returned"]
    assert "probe was moved" in cellar.last("probe-suspect").message


def test_a_question_nobody_answers_is_given_up_after_three_days() -> None:
    """The new gravity has held, and is taken as real."""
    cellar = jumped()
    cellar.live("float-a", 60, gravity=wobble(1.058, 0.0002), temperature=wobble(20, 0.1))
    assert "probe-suspect" in cellar.standing()
    cellar.live("float-a", 14, gravity=wobble(1.058, 0.0002), temperature=wobble(20, 0.1))
    assert cellar.alerts("probe-suspect")[-1] == "returned"
    assert "Nobody answered" in cellar.last("probe-suspect").message


def test_an_announced_addition_is_not_asked_about() -> None:
    """Told before the readings show it."""
    cellar = Cellar()
    cellar.live("float-a", 20, gravity=lambda h: round(1.050 - 0.001 * h, 4), temperature=wobble(20, 0.1))
    cellar.tell(Added(batch="amber-1", what="sugar", at=cellar.now, gravity_rise=0.03))
    cellar.live("float-a", 6, gravity=lambda h: round(1.080 - 0.001 * h, 4), temperature=wobble(20, 0.1))
    assert cellar.alerts("probe-suspect") == []


# --- stuck -------------------------------------------------------------------------------------------------------


def test_a_stuck_probe_is_told_and_what_it_said_is_passed_over() -> None:
    """Its frozen hours are no evidence once it moves again by more than its smallest step."""
    cellar = Cellar()
    cellar.live("float-a", 30, gravity=lambda h: round(1.050 - 0.0005 * h, 4), temperature=wobble(20, 0.1))
    cellar.live("float-a", 6, gravity=lambda _: 1.0351, temperature=lambda _: 20.0)
    assert cellar.alerts("probe-stuck") == ["raised"]
    assert "gravity 1.0351, temperature 20" in cellar.last("probe-stuck").because[0]
    assert cellar.verdicts()[-1].verdict == "unknown"
    cellar.live("float-a", 6, gravity=lambda h: round(1.050 - 0.0005 * h, 4), temperature=wobble(20, 0.1))
    assert cellar.alerts("probe-stuck") == ["raised", "returned"]
    track = cellar.state.tracks["vessel:bucket|float-a|gravity"]
    ((start, end),) = track.bad
    assert start == pytest.approx(PITCHED + 30 * HOUR, abs=15 * MINUTE)
    assert end == pytest.approx(PITCHED + 36 * HOUR, abs=15 * MINUTE)


def test_a_coarse_probe_that_only_stood_still_keeps_what_it_said() -> None:
    """When it moves by its smallest step, its quiet hours stay evidence."""
    cellar = Cellar()
    cellar.live("float-a", 30, gravity=wobble(1.05, 0.001, 5), temperature=wobble(20, 0.1, 5))
    cellar.live("float-a", 6, gravity=lambda _: 1.050, temperature=lambda _: 20.0)
    cellar.live("float-a", 1, gravity=lambda _: 1.049, temperature=lambda _: 20.1)
    assert cellar.alerts("probe-stuck") == ["raised", "returned"]
    assert "smallest step" in cellar.last("probe-stuck").message
    assert cellar.state.tracks["vessel:bucket|float-a|gravity"].bad == []


# --- by hand -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [("temperature", "hydrometer"), ("hydrometer", "temperature")])
def test_a_hydrometer_is_corrected_by_the_temperature_typed_with_it(order: tuple[str, str]) -> None:
    """In either order, the two of one time make one reading, and it says where its temperature is from."""
    cellar = Cellar(PLAIN)
    values = {"hydrometer": 1.047, "temperature": 30.0}
    for quantity in order:
        cellar.say("hand:bucket", PITCHED + HOUR, **{quantity: values[quantity]})
    (point,) = cellar.batch.hand
    assert point.gravity == pytest.approx(1.0496, abs=0.0006)
    assert point.temperature_from == "typed with it"
    assert point.error < 0.003


def test_a_hydrometer_without_a_temperature_takes_the_vessels() -> None:
    """The liquid's own probe corrects it, and is named."""
    cellar = Cellar()
    cellar.live("float-a", 3, temperature=wobble(30, 0.1))
    cellar.say("hand:bucket", hydrometer=1.047)
    (point,) = cellar.batch.hand
    assert point.gravity == pytest.approx(1.0496, abs=0.0006)
    assert point.temperature_from == "by probe float-a"


def test_a_hydrometer_whose_temperature_nobody_knows_is_taken_with_a_wide_error() -> None:
    """The figure as read, and three points of doubt."""
    cellar = Cellar()
    cellar.say("hand:bucket", hydrometer=1.047)
    (point,) = cellar.batch.hand
    assert (point.gravity, point.error, point.temperature) == (1.047, 0.003, None)


def test_a_hand_reading_is_judged_at_once() -> None:
    """The third of three over two days brings a verdict in the same moment, without waiting for the hour."""
    cellar = Cellar(PLAIN.replace('probes = ["float-a"]', ""))
    for hours, value in ((1, 1.060), (26, 1.045), (50.3, 1.030)):
        cellar.wait_until(PITCHED + round(hours * HOUR))
        cellar.say("hand:bucket", temperature=20.0, hydrometer=value)
    assert cellar.verdicts()[-1].verdict == "working"
    assert cellar.verdicts()[-1].time_ms == cellar.now
    assert cellar.verdicts()[-1].used == ("hand",)


def test_a_hand_reading_of_an_empty_vessel_is_placeless() -> None:
    """Without a batch there is nothing to file it under."""
    cellar = Cellar()
    assert cellar.say("hand:elsewhere", hydrometer=1.01) == [PLACELESS]


def test_hand_readings_are_bounded() -> None:
    """Sixty are kept, the latest."""
    cellar = Cellar()
    for i in range(90):
        cellar.say("hand:bucket", PITCHED + i * HOUR, gravity=1.05)
    assert len(cellar.batch.hand) == 60
    assert cellar.batch.hand[0].at_ms == PITCHED + 30 * HOUR
