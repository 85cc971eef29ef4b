"""When a `finished` or `stalled` was told falsely: by the batch's own later course, on hand-made courses."""

import pytest

from monitor.model.events import VerdictName
from monitor.replay.course import later

from .events import alert, at, run, told, verdict

TOLD = verdict(100, "finished", 1.0100)


@pytest.mark.parametrize(
    ("gravity", "outcome", "fell"),
    [(1.0079, "false", 0.0021), (1.0080, "held", None), (1.0081, "held", None), (1.0120, "held", None)],
)
def test_a_further_fall_of_more_than_two_points_proves_it_false(
    gravity: float, outcome: str, fell: float | None
) -> None:
    """More than 0.002 below what it was when it was told; less than that, or a little more gravity, is no proof."""
    course = told(TOLD, *(verdict(100 + 6 * step, "finished", gravity) for step in range(1, 10)))

    found = later(course, "amber", at(100))

    assert found.outcome == outcome
    assert found.fell == (None if fell is None else pytest.approx(fell))
    assert found.at_ms == at(106 if outcome == "false" else 154)


@pytest.mark.parametrize(("give", "outcome"), [(0.0029, "false"), (0.0031, "held")])
def test_a_fall_within_the_error_is_no_proof(give: float, outcome: str) -> None:
    """A hydrometer read 0.003 lower has not surely fallen, unless all of its range lies below."""
    course = told(TOLD, *(verdict(100 + 6 * step, "finished", 1.0070, give=give) for step in range(1, 10)))

    assert later(course, "amber", at(100)).outcome == outcome


@pytest.mark.parametrize(
    ("then", "outcome"),
    [
        (("working",), "false"),
        (("slowing",), "false"),
        (("waiting",), "false"),
        (("unknown", "slowing"), "false"),
        (("unknown",), "held"),
        (("stalled",), "held"),
        (("stalled", "working"), "held"),
        (("unknown", "finished", "working"), "held"),
    ],
    ids=" then ".join,
)
def test_letting_go_proves_it_false(then: tuple[VerdictName, ...], outcome: str) -> None:
    """The next verdict but `unknown` is one of a batch at work; `unknown` alone, or a standstill, is no let-go."""
    course = told(TOLD, *(verdict(120 + 6 * step, name, 1.0095) for step, name in enumerate(then)),
                  verdict(160, then[-1], 1.0095))  # fmt: skip

    found = later(course, "amber", at(100))

    assert found.outcome == outcome
    assert found.fell is None


def test_the_earlier_of_the_two_proofs_is_told() -> None:
    """Let go at 110 h and 0.0028 lower at 120 h: the let-go showed it first; the other way round, the fall."""
    fall, let_go = verdict(120, "working", 1.0072), verdict(110, "working", 1.0090)
    assert later(told(TOLD, let_go, fall), "amber", at(100)).at_ms == at(110)
    found = later(told(TOLD, verdict(110, "finished", 1.0072), fall), "amber", at(100))
    assert (found.at_ms, found.fell) == (at(110), pytest.approx(0.0028))


@pytest.mark.parametrize("why", ["added", "stage", "other probe", "rose", "suspected"])
def test_what_is_not_its_own_course_proves_nothing(why: str) -> None:
    """After an addition, a stage, a probe put in, a rise or a suspected probe, neither fall nor let-go counts."""
    events = [TOLD, verdict(106, "finished", 1.0100), verdict(128, "finished", 1.0100)]
    if why == "rose":
        events.append(verdict(129, "finished", 1.0131))
    if why == "suspected":
        events.append(alert(129, "probe-suspect", about="probe:float-a"))  # type: ignore[arg-type]
    breaks = {
        "added": [("batch:amber", at(129))], "stage": [("batch:amber", at(129))],
        "other probe": [("vessel:bucket", at(129))],
    }.get(why, [])  # fmt: skip
    seen = run(*events, verdict(130, "working", 1.0050), breaks=breaks)

    assert seen.later("amber", at(100)).outcome == "held"
    assert seen.proved_false("finished") == 0
    events = [event for event in events if event.time_ms != at(129)]
    without = run(*events, verdict(130, "working", 1.0050), breaks=[("batch:other", at(129)), ("vessel:jar", at(129))])
    assert without.proved_false("finished") == 1


def test_what_happened_before_it_was_told_does_not_matter() -> None:
    """An addition and a suspected probe of days ago leave the look open."""
    seen = run(verdict(50, "working", 1.03), alert(60, "probe-suspect", about="probe:float-a"), TOLD,
               verdict(110, "working", 1.005), breaks=[("batch:amber", at(70))])  # fmt: skip

    assert seen.later("amber", at(100)).outcome == "false"


def test_a_probe_that_judges_another_batch_is_no_doubt() -> None:
    """Only a probe that this batch was judged by ends its course."""
    seen = run(TOLD, alert(105, "probe-suspect", about="probe:float-b"), verdict(110, "working", 1.005))

    assert seen.later("amber", at(100)).outcome == "false"


@pytest.mark.parametrize(("hours", "outcome"), [(166, "false"), (169, "held")])
def test_seven_days_are_looked_at(hours: float, outcome: str) -> None:
    """A probe may drift by two points a week: what shows later is no proof."""
    course = told(TOLD, verdict(160, "finished", 1.0100), verdict(100 + hours, "working", 1.0050))

    assert later(course, "amber", at(100)).outcome == outcome


@pytest.mark.parametrize(("hours", "outcome"), [(0.5, "open"), (23, "open"), (24, "held")])
def test_less_than_a_day_tells_nothing(hours: float, outcome: str) -> None:
    """It is open, with how far the look reached."""
    found = later(told(TOLD, verdict(100 + hours, "finished", 1.0099)), "amber", at(100))

    assert (found.outcome, found.at_ms) == (outcome, at(100 + hours))


def test_without_a_gravity_only_a_let_go_can_tell() -> None:
    """A verdict without its number is taken at the number before it; where there is none at all it stays open."""
    assert later(told(verdict(100, "stalled")), "amber", at(100)).outcome == "open"
    assert later(told(verdict(100, "stalled"), verdict(110, "working")), "amber", at(100)).outcome == "false"
    course = told(verdict(90, "working", 1.02), verdict(100, "stalled"), verdict(110, "stalled", 1.0175))
    assert later(course, "amber", at(100)).fell == pytest.approx(0.0025)


def test_each_standstill_is_judged_for_itself() -> None:
    """A false one and a right one are told apart, and those of another verdict not counted."""
    seen = run(
        verdict(80, "stalled", 1.0200), verdict(90, "working", 1.0150), TOLD,
        *(verdict(100 + 6 * step, "finished", 1.0099) for step in range(1, 20)),
    )  # fmt: skip

    assert (seen.proved_false("stalled"), seen.proved_false("finished")) == (1, 0)
    assert seen.proved_false("stalled", "finished") == 1
