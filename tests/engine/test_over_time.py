"""What comes by itself: verdicts by the hour, silence, being away, stages, the fridge, and what is kept."""

from __future__ import annotations

from itertools import pairwise

import pytest

from monitor.alerts.book import Outcome
from monitor.engine.state import State
from monitor.engine.step import due_ticks, step
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.inputs import (
    Acknowledged,
    Added,
    BatchClosed,
    BatchStarted,
    ClockStep,
    ContentsChanged,
    ProbeMoved,
    ProbeStatus,
    ReadingUndone,
    Shelved,
    StageChanged,
    Started,
    Stopped,
    Ticked,
    Trouble,
)
from tests.engine.cellar import PITCHED, PLAIN, Cellar, wobble

FRIDGE = (
    PLAIN
    + """
[[fridge]]
name = "larder"
target_c = 4.0
probes = ["larder-air"]
contents = ["jar"]
[[vessel]]
name = "jar"
volume_l = 0.5
material = "glass"
[[vessel]]
name = "jug"
volume_l = 4
material = "glass"
abv = 12
"""
)
SIBLINGS = PLAIN.replace(
    'probes = ["float-a"]',
    'probes = ["float-a", "float-b"]',
).replace(
    "[[vessel]]",
    """[[probe]]
name = "float-b"
source = "mqtt"
topic = "float-b"
measures = "liquid"
[[vessel]]""",
    1,
)


def started(cellar: Cellar, by: str = "daemon", until: int | None = None) -> None:
    """The daemon comes up."""
    cellar.tell(Started(version="1", by=by, watched_until=until))  # type: ignore[arg-type]


# --- verdicts ----------------------------------------------------------------------------------------------------


def test_a_verdict_comes_on_change_and_at_least_every_six_hours() -> None:
    """Whether it changes or not, and by whole hours."""
    cellar = Cellar()
    cellar.live("float-a", 60, gravity=wobble(1.05, 0.0002), temperature=wobble(20, 0.1))
    times = [event.time_ms for event in cellar.verdicts()]
    assert all(b - a <= 6 * HOUR for a, b in pairwise(times))
    assert all(at % HOUR == 0 for at in times)
    assert len(times) <= 12


def test_silent_data_bring_verdicts_too() -> None:
    """Two days without a reading: unknown within two hours, and said again every six."""
    cellar = Cellar()
    cellar.live("float-a", 10, gravity=wobble(1.05, 0.0002), temperature=wobble(20, 0.1))
    since = cellar.now
    cellar.wait(2 * DAY)
    later = [event for event in cellar.verdicts() if event.time_ms > since]
    assert later[0].verdict == "unknown"
    assert later[0].time_ms - since <= 2 * HOUR
    assert {event.verdict for event in later} == {"unknown"}
    assert len(later) == 8


def test_a_stage_that_is_not_fermenting_rests_its_rules() -> None:
    """In the cold stage no verdict is given, what stood about the batch returns, and back again it is judged."""
    cellar = Cellar()
    cellar.live("float-a", 40, gravity=wobble(1.05, 0.0002), temperature=wobble(30, 0.1))
    assert {"ferment-too-warm", "ferment-not-started"} <= cellar.standing()
    cellar.tell(StageChanged(batch="amber-1", stage="cold"))
    assert cellar.standing() == set()
    count = len(cellar.verdicts())
    cellar.live("float-a", 20, gravity=wobble(1.05, 0.0002), temperature=wobble(3, 0.1))
    assert len(cellar.verdicts()) == count
    assert cellar.standing() == set()
    cellar.tell(StageChanged(batch="amber-1", stage="fermenting"))
    assert len(cellar.verdicts()) == count + 1


def test_a_closed_batch_is_at_rest() -> None:
    """No verdict and no alert after its end."""
    cellar = Cellar()
    cellar.live("float-a", 40, gravity=wobble(1.05, 0.0002), temperature=wobble(30, 0.1))
    cellar.tell(BatchClosed(batch="amber-1"))
    count = len(cellar.out.events)
    cellar.live("float-a", 20, gravity=wobble(1.05, 0.0002), temperature=wobble(30, 0.1))
    assert [type(event).__name__ for event in cellar.out.events[count:]] == []


def test_a_batch_started_from_the_page_is_judged() -> None:
    """It need not be in the configuration; one that makes no sense is passed over."""
    cellar = Cellar(PLAIN.split("[[batch]]", maxsplit=1)[0])
    cellar.tell(BatchStarted(batch={"name": "no"}))
    assert cellar.state.batches == {}
    cellar.tell(BatchStarted(batch={"name": "amber-9", "vessel": "bucket", "pitched": "2026-03-02T18:00:00Z"}))
    cellar.live("float-a", 2, gravity=wobble(1.05, 0.0002))
    assert cellar.verdicts()[-1].batch == "amber-9"


def test_a_reading_taken_back_is_judged_without() -> None:
    """Undone, the third reading no longer carries a verdict."""
    cellar = Cellar(PLAIN.replace('probes = ["float-a"]', ""))
    for hours, value in ((1, 1.060), (26, 1.045), (50.3, 1.030)):
        cellar.wait_until(PITCHED + round(hours * HOUR))
        cellar.say("hand:bucket", gravity=value)
    assert cellar.verdicts()[-1].verdict == "working"
    cellar.tell(ReadingUndone(vessel="bucket", at=cellar.batch.hand[-1].at_ms))
    assert cellar.verdicts()[-1].verdict == "unknown"
    assert len(cellar.batch.hand) == 2


# --- two probes --------------------------------------------------------------------------------------------------


def both(cellar: Cellar, hours: float, a: float, b: float) -> None:
    """Two floats in one bucket."""
    for _ in range(round(hours * 6)):
        cellar.wait(10 * MINUTE)
        shake = cellar.now // MINUTE // 10 * 3 % 7 * 0.0001
        cellar.say("float-a", gravity=a + shake, temperature=20 + shake * 1000)
        cellar.say("float-b", gravity=b + shake, temperature=20 + shake * 1000)


def test_two_probes_that_disagree_are_both_named() -> None:
    """Five points apart is more than their errors: told with both values, and returned when they agree again."""
    cellar = Cellar(SIBLINGS)
    both(cellar, 12, 1.050, 1.055)
    said = cellar.last("probe-suspect")
    assert said.change == "raised"
    assert "float-a says 1.050" in said.message
    assert "float-b says 1.055" in said.message
    assert "0.0050 apart" in said.because[0]
    both(cellar, 8, 1.050, 1.0505)
    assert [each for each in cellar.alerts("probe-suspect") if each != "reminded"] == ["raised", "returned"]


def test_the_other_probe_carries_the_verdict_when_the_first_cannot() -> None:
    """The first in the list is used; silent, it is replaced by the second without a word of unknown."""
    cellar = Cellar(SIBLINGS)
    both(cellar, 12, 1.050, 1.0505)
    assert cellar.verdicts()[-1].used == ("float-a",)
    cellar.live("float-b", 12, gravity=wobble(1.0505, 0.0001), temperature=wobble(20, 0.1))
    assert cellar.alerts("probe-silent", "probe:float-a") == ["raised"]
    assert cellar.verdicts()[-1].used == ("float-b",)
    assert "unknown" not in {event.verdict for event in cellar.verdicts()[1:]}


def test_a_calibrated_probe_goes_before_the_list() -> None:
    """The second in the list is calibrated and so is trusted first."""
    text = SIBLINGS.replace(
        'topic = "float-b"', 'topic = "float-b"\ncalibration.gravity.gravity = [[1.0, 1.0], [1.05, 1.051], [1.1, 1.1]]'
    )
    cellar = Cellar(text)
    both(cellar, 3, 1.050, 1.0505)
    assert cellar.verdicts()[-1].used == ("float-b",)


def test_a_drift_against_the_hydrometer_is_told() -> None:
    """A float six points off a careful hand reading is suspect, with both figures."""
    cellar = Cellar()
    cellar.live("float-a", 20, gravity=wobble(1.050, 0.0001), temperature=wobble(20, 0.1))
    cellar.say("hand:bucket", temperature=20.0, hydrometer=1.056)
    cellar.live("float-a", 3, gravity=wobble(1.050, 0.0001), temperature=wobble(20, 0.1))
    assert cellar.alerts("probe-suspect", "probe:float-a") == ["raised"]
    assert "your hydrometer says 1.0560" in cellar.last("probe-suspect").message


# --- silence -----------------------------------------------------------------------------------------------------


def test_silence_is_told_after_an_hour_and_ends_with_a_word() -> None:
    """With what is missing; reminders say how long it has been by then."""
    cellar = Cellar()
    cellar.live("float-a", 5, gravity=wobble(1.05, 0.0001), temperature=wobble(20, 0.1))
    cellar.wait(59 * MINUTE)
    assert cellar.alerts("probe-silent") == []
    cellar.wait(2 * MINUTE)
    assert cellar.alerts("probe-silent") == ["raised"]
    cellar.wait(13 * HOUR)
    assert cellar.alerts("probe-silent") == ["raised", "reminded"]
    assert "for 13 h" in cellar.last("probe-silent").message
    cellar.say("float-a", gravity=1.05, temperature=20.0)
    assert cellar.alerts("probe-silent")[-1] == "returned"


def test_a_probe_whose_temperature_alone_goes_on_is_silent_in_gravity() -> None:
    """The message names the one quantity, and says that the rest still comes."""
    cellar = Cellar()
    cellar.live("float-a", 5, gravity=wobble(1.05, 0.0001), temperature=wobble(20, 0.1))
    cellar.live("float-a", 3, temperature=wobble(20, 0.1))
    said = cellar.last("probe-silent")
    assert "no gravity for" in said.message
    assert said.because[1] == "its other values still come"
    assert cellar.verdicts()[-1].verdict == "unknown"


@pytest.mark.parametrize("how", ["outage", "clock"])
def test_hours_nobody_watched_are_not_held_against_a_probe(how: str) -> None:
    """After two days off, or a leap of the clock, a probe has an hour to speak before it is called silent."""
    cellar = Cellar()
    cellar.live("float-a", 5, gravity=wobble(1.05, 0.0001), temperature=wobble(20, 0.1))
    stopped = cellar.now
    cellar.off(2 * DAY)
    if how == "outage":
        started(cellar, until=stopped)
    else:
        cellar.tell(ClockStep(watched_until=stopped, by_ms=2 * DAY))
    cellar.wait(58 * MINUTE)
    assert cellar.alerts("probe-silent") == []
    cellar.wait(5 * MINUTE)
    assert cellar.alerts("probe-silent") == ["raised"]


def test_no_ticks_fall_into_an_outage() -> None:
    """Stopped to started, no hour is judged, and the ticks go on with the next whole minute."""
    cellar = Cellar()
    cellar.live("float-a", 5, gravity=wobble(1.05, 0.0001), temperature=wobble(20, 0.1))
    count = len(cellar.verdicts())
    stopped = cellar.now
    cellar.tell(Stopped())
    cellar.off(2 * DAY)
    started(cellar, until=stopped)
    assert len(cellar.verdicts()) == count
    (tick, *_) = due_ticks(cellar.state, cellar.now + 2 * MINUTE)
    assert tick.received_ms == (cellar.now // MINUTE + 1) * MINUTE


def test_without_any_input_no_tick_is_due() -> None:
    """Event time begins with the first input."""
    assert list(due_ticks(State(), PITCHED)) == []


def test_a_probe_that_says_it_goes_is_known_to_be_off() -> None:
    """Its own last word is kept for the page."""
    cellar = Cellar()
    cellar.tell(ProbeStatus(probe="float-a", online=False))
    assert cellar.state.probes["float-a"].online is False


# --- away --------------------------------------------------------------------------------------------------------


def test_being_away_is_told_with_how_long_and_what_it_means() -> None:
    """More than ten minutes off: one sentence with the hours, and it is not kept up for longer than a day."""
    cellar = Cellar()
    stopped = cellar.now
    cellar.off(7 * HOUR)
    started(cellar, until=stopped)
    assert cellar.alerts("was-away") == ["raised"]
    assert "away for 7 h" in cellar.last("was-away").message
    assert "hours nobody saw do not count" in cellar.last("was-away").do[1]
    cellar.wait(25 * HOUR)
    assert cellar.alerts("was-away")[-1] == "returned"


@pytest.mark.parametrize("minutes", [1, 9])
def test_a_restart_is_not_being_away(minutes: int) -> None:
    """A few minutes are not worth a word."""
    cellar = Cellar()
    stopped = cellar.now
    cellar.off(minutes * MINUTE)
    started(cellar, until=stopped)
    assert cellar.alerts("was-away") == []


def test_a_command_that_writes_in_between_does_not_hide_the_absence() -> None:
    """No daemon for six hours, a command in the middle: the daemon still says six hours."""
    cellar = Cellar()
    stopped = cellar.now
    cellar.off(3 * HOUR)
    started(cellar, "command", until=stopped)
    cellar.off(3 * HOUR)
    started(cellar, until=cellar.now - 3 * HOUR)
    assert "away for 6 h" in cellar.last("was-away").message


def test_being_away_leaves_other_troubles_standing() -> None:
    """A store in trouble does not get well by a restart."""
    cellar = Cellar()
    cellar.tell(Trouble(alert="store-trouble", active=True, detail="The disk is full."))
    stopped = cellar.now
    cellar.off(7 * HOUR)
    started(cellar, until=stopped)
    assert cellar.standing() == {"store-trouble", "was-away"}
    cellar.off(7 * HOUR)
    started(cellar, until=cellar.now - 7 * HOUR)
    assert cellar.alerts("was-away") == ["raised", "returned", "raised"]


# --- fridge ------------------------------------------------------------------------------------------------------


def air(cellar: Cellar, hours: float, middle: float) -> None:
    """A fridge's air in plain cycles of forty minutes."""
    for _ in range(round(hours * 60)):
        cellar.wait(MINUTE)
        phase = cellar.now // MINUTE % 40
        cellar.say("larder-air", temperature=round(middle + 1.2 * (abs(phase - 20) / 10 - 1), 2))


def test_contents_by_journal_are_carried_along() -> None:
    """A jug put in is taken to be at room temperature; taken out, it is forgotten."""
    cellar = Cellar(FRIDGE)
    air(cellar, 6, 4.0)
    fridge = cellar.state.fridges["larder"]
    assert fridge.contents["jar"].estimate == pytest.approx(4.0, abs=0.5)
    cellar.tell(ContentsChanged(fridge="larder", contents=["jar", "jug"]))
    assert fridge.contents["jug"].estimate == 20.0
    assert fridge.loaded_ms == cellar.now
    air(cellar, 1.1, 4.0)
    assert 5.0 < fridge.contents["jug"].estimate < 19.0
    cellar.tell(ContentsChanged(fridge="larder", contents=["jug"]))
    assert list(fridge.contents) == ["jug"]


def test_a_freezing_point_goes_by_the_lower_end_of_what_is_known() -> None:
    """Water for what is not known, the vessel's told strength less a margin, and a batch's own as it stands."""
    text = FRIDGE.replace('contents = ["jar"]', 'contents = ["jar", "jug", "bucket"]')
    cellar = Cellar(text.replace("expected_final = 1.010", "expected_final = 1.010\noriginal_gravity = 1.090"))
    cellar.live("float-a", 4, gravity=wobble(1.010, 0.0001), temperature=wobble(20, 0.1))
    contents = cellar.state.fridges["larder"].contents
    assert contents["jar"].freezes_c == 0.0
    assert "taken for water" in contents["jar"].why
    # 12 % freezes near -4.4; the cautious end of 11.2 % lies above that.
    assert -4.3 < contents["jug"].freezes_c < -3.0
    assert "12 % alcohol" in contents["jug"].why
    assert -4.3 < contents["bucket"].freezes_c < -2.5
    assert "batch amber-1 has about 10" in contents["bucket"].why


def test_a_probe_in_a_vessel_tells_the_fridge() -> None:
    """Measured beats estimated while it speaks."""
    text = FRIDGE.replace('contents = ["jar"]', 'contents = ["bucket"]')
    cellar = Cellar(text)
    air(cellar, 1, 4.0)
    cellar.say("float-a", temperature=9.5)
    content = cellar.state.fridges["larder"].contents["bucket"]
    assert (content.estimate, content.measured) == (9.5, True)
    air(cellar, 3, 4.0)
    assert not content.measured
    assert content.estimate < 9.5


def test_a_batch_warmed_by_a_dead_compressor_is_grouped_under_it() -> None:
    """One cause, one notice: the bucket inside is too warm, which the compressor's alert already tells."""
    text = FRIDGE.replace('contents = ["jar"]', 'contents = ["bucket"]').replace("[16, 24]", "[2, 8]")
    cellar = Cellar(text)
    air(cellar, 24, 4.0)
    for _ in range(8 * 60):
        cellar.wait(MINUTE)
        cellar.say("larder-air", temperature=round(min(cellar.state.fridges["larder"].air + 0.04, 19.0), 2))  # type: ignore[operator]
        if cellar.now // MINUTE % 10 == 0:
            cellar.say("float-a", temperature=round(11.0 + cellar.now // MINUTE % 7 / 10, 1))
    assert "fridge-compressor" in cellar.standing()
    assert "ferment-too-warm" in cellar.standing()
    told = {notice.alert for notice in cellar.out.notices}
    assert "fridge-compressor" in told
    assert "ferment-too-warm" not in told


def test_a_fridge_that_left_the_configuration_takes_its_alerts_along() -> None:
    """And a changed target is taken up without losing what was learned."""
    cellar = Cellar(FRIDGE)
    air(cellar, 8, 12.0)
    assert "fridge-drift" in cellar.standing()
    bottoms = list(cellar.state.fridges["larder"].bottoms)
    cellar.configure(FRIDGE.replace("target_c = 4.0", "target_c = 12.0"))
    assert cellar.state.fridges["larder"].target == 12.0
    assert cellar.state.fridges["larder"].bottoms == bottoms
    cellar.configure(PLAIN)
    assert cellar.state.fridges == {}
    assert cellar.standing() <= {"probe-silent", "reading-due"}


# --- what is kept ------------------------------------------------------------------------------------------------


def test_what_is_committed_piece_by_piece_is_the_whole_state() -> None:
    """Whoever changes a part says so: the pieces of many commits put together are the state itself."""
    cellar = Cellar(FRIDGE)
    deeds = [
        Added(batch="amber-1", what="sugar", at=PITCHED + 3 * HOUR),
        ProbeMoved(probe="float-a", to="vessel:jug", at=PITCHED + 4 * HOUR),
        ProbeMoved(probe="float-a", to="vessel:bucket", at=PITCHED + 5 * HOUR),
        ContentsChanged(fridge="larder", contents=["jug", "bucket"]),
        StageChanged(batch="amber-1", stage="cold"),
        StageChanged(batch="amber-1", stage="fermenting"),
        ProbeStatus(probe="float-a", online=True),
        ReadingUndone(vessel="bucket", at=PITCHED),
    ]
    for hour in range(80):
        cellar.live("float-a", 1, gravity=lambda h: round(1.05 - 0.0003 * h, 4), battery=lambda h: 4.1 - h / 90)
        air(cellar, 0.5, 4.0 - hour / 10)
        cellar.say("larder-air", contact=float(hour % 5 == 0), power=1.0)
        cellar.say("hand:bucket", temperature=20.0, hydrometer=1.04)
        if hour < len(deeds):
            cellar.tell(deeds[hour])
        for alert in list(cellar.state.book.standing.values())[: hour % 2]:
            cellar.tell(
                [Acknowledged(id=alert.id), Ticked(id=alert.id), Shelved(id=alert.id, until=cellar.now + HOUR)][
                    hour % 3
                ]
            )
        cellar.commit()
    whole = State.restore(cellar.pieces)
    assert _everything(whole) == _everything(cellar.state)
    one, other = Outcome(), Outcome()
    for state, out in ((whole, one), (cellar.state, other)):
        for tick in due_ticks(state, cellar.now + 8 * HOUR):
            step(state, tick, tick.received_ms, out)
    assert one == other
    assert one.events


def _everything(state: State) -> dict[str, object]:
    tracks = {key: (track.hours, track.bad) for key, track in state.tracks.items()}
    return {
        "clock": state.clock, "settings": state.settings, "places": state.places, "probes": state.probes,
        "batches": state.batches, "fridges": state.fridges, "tracks": tracks, "steps": state.steps,
        "standing": state.book.standing, "shelves": state.book.shelves, "done": state.book.done,
    }  # fmt: skip
