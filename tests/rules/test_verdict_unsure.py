"""Where the data cannot tell: no expectation, no start seen, washes below water, hand readings, no gravity at all."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.model.clock import DAY, HOUR
from monitor.model.events import VerdictEvent
from monitor.rules.batch import Expectation, expectation
from monitor.rules.evidence import Evidence
from monitor.rules.ferment import judge
from tests.rules.bench import PITCHED, Bench, a_batch, by_hand, ferment, stops

NOTHING = Evidence(None, None, 0.0, None, None, None)


# --- what to expect ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fermentables", "final", "sd"),
    [("sugar", 0.992, 0.0024), ("mixed", 1.0064, 0.0064), ("grain", 1.020, 0.004), (None, 1.012, 0.0104)],
)
def test_the_final_is_expected_by_what_went_in(fermentables: str | None, final: float, sd: float) -> None:
    """Sugar ends below water, grain leaves dextrins, and where nothing is told the guess is wide."""
    found = expectation(a_batch(original=1.080, fermentables=fermentables))
    assert found is not None
    assert (found.final, found.sd) == (pytest.approx(final), pytest.approx(sd))
    assert not found.told


def test_what_the_keeper_set_is_expected() -> None:
    """A final that was set rules over every prior, with the spread that was set or three points."""
    assert expectation(a_batch(original=1.080, expected_final=0.996)) == Expectation(
        0.996, 0.003, True, "as you set it"
    )
    told = expectation(a_batch(expected_final=0.996, expected_sd=0.001))
    assert told is not None
    assert told.sd == 0.001


def test_without_any_gravity_nothing_is_expected() -> None:
    """No original gravity and nothing set: no expectation, rather than a guess."""
    assert expectation(a_batch()) is None
    assert expectation(a_batch(original=1.0)) is None


def test_an_unseen_start_widens_what_is_expected() -> None:
    """A first gravity on the third day is no original gravity: the usual one is taken, with its spread."""
    seen = expectation(a_batch(original=1.070, fermentables="grain"))
    unseen = expectation(a_batch(baseline=1.030, first_ms=PITCHED + 3 * DAY, fermentables="grain"))
    assert seen is not None
    assert unseen is not None
    assert unseen.final == pytest.approx(seen.final)
    assert unseen.sd > 1.5 * seen.sd
    assert "if it began at a usual gravity" in unseen.source


# --- could be either ---------------------------------------------------------------------------------------------


def test_told_nothing_a_middling_end_could_be_either() -> None:
    """Flat at 1.012 from 1.060 with nothing told: unknown, with a question, and neither finished nor stalled."""
    bench = Bench(a_batch(), ferment(1.060, 1.012))
    bench.run(260)
    assert bench.changes() == ["waiting", "working", "slowing", "unknown"]
    event = bench.judge(261)
    assert "may be finished or stalled" in event.because[1]
    assert "expected_final" in event.because[2]


def test_told_nothing_a_dry_end_is_finished() -> None:
    """Flat at 0.996 from 1.060 is the end of any wash."""
    bench = Bench(a_batch(), ferment(1.060, 0.996))
    bench.run(260)
    assert bench.changes()[-1] == "finished"


def test_told_nothing_a_stop_near_the_top_is_a_stall() -> None:
    """Flat at 1.045 from 1.060 is a stall of any wash."""
    bench = Bench(a_batch(), stops(ferment(1.060, 0.998), 45))
    bench.run(200)
    assert bench.changes()[-1] == "stalled"


def test_a_sugar_wash_is_not_done_at_one() -> None:
    """A sugar wash that stands at 1.006 has stalled: it still holds more than ten points."""
    bench = Bench(a_batch(fermentables="sugar"), stops(ferment(1.080, 0.990), 77))
    event = bench.run(260)[-1][1]
    assert event.gravity == pytest.approx(1.006, abs=0.001)
    assert event.verdict == "stalled"


def test_a_sugar_wash_ends_below_one() -> None:
    """Attenuation over 100 %: working through 1.000 without a word of an end, finished near 0.990."""
    bench = Bench(a_batch(fermentables="sugar"), ferment(1.080, 0.990, steep=0.06))
    for hours, event in bench.run(330):
        if event.gravity is not None and event.gravity > 0.996 and hours > 14:
            assert event.verdict in ("waiting", "working", "slowing")
    assert bench.changes()[-1] == "finished"


@settings(max_examples=40, deadline=None)
@given(
    over=st.integers(-60, 300).map(lambda n: n / 10_000),
    sd=st.sampled_from([0.0005, 0.002, 0.003, 0.006]),
    seed=st.integers(0, 5),
)
def test_flat_is_finished_stalled_or_unknown_by_how_far_it_is_from_its_end(over: float, sd: float, seed: int) -> None:
    """Within the error of its expectation it is finished, far beyond it stalled, and unknown where it may be either."""
    batch = a_batch(original=1.060, original_told=True, expected_final=1.010, expected_sd=sd, started_ms=PITCHED)
    batch.peak_rate = 0.02
    event = Bench(batch, lambda _: 1.010 + over, sd=0.0001, seed=seed).settled(400)
    spread = (sd**2 + 0.001**2 + 0.0006**2) ** 0.5
    if over <= max(0.002, 0.95 * spread):
        assert event.verdict == "finished"
    elif over > 3.5 * spread + 0.002:
        assert event.verdict == "stalled"
    elif over < 2.2 * spread:
        assert event.verdict in ("finished", "unknown")
    elif over > 2.8 * spread + 0.001:
        assert event.verdict in ("stalled", "unknown")
    if event.confidence is not None:
        assert 0.0 <= event.confidence <= 0.99
    assert event.remaining_range is not None
    assert 0 <= event.remaining_range[0] <= event.remaining_range[1]
    assert event.final_expected is not None
    assert event.gravity is not None
    assert event.final_expected <= max(event.gravity, 1.010)


def test_a_light_wash_that_hardly_fell_has_not_finished() -> None:
    """Within the margin of its end but with less than half of its fall behind it, it is not called finished."""
    told = {"original": 1.009, "original_told": True, "expected_final": 1.000, "started_ms": PITCHED, "peak_rate": 0.02}
    assert Bench(a_batch(**told), lambda _: 1.0062, sd=0.0001).settled(400).verdict == "unknown"
    assert Bench(a_batch(**told), lambda _: 1.0020, sd=0.0001).settled(400).verdict == "finished"


def test_confidence_is_lower_near_the_edge() -> None:
    """At the edge of the margin finished is said with less confidence than in its middle."""
    told = {"original": 1.060, "original_told": True, "expected_final": 1.010, "started_ms": PITCHED, "peak_rate": 0.02}
    middle = Bench(a_batch(**told), lambda _: 1.010, sd=0.0001).settled(400)
    edge = Bench(a_batch(**told), lambda _: 1.0140, sd=0.0001).settled(400)
    assert middle.verdict == edge.verdict == "finished"
    assert middle.confidence is not None
    assert edge.confidence is not None
    assert edge.confidence < middle.confidence


def test_what_is_left_is_never_told_as_nothing() -> None:
    """A wash below what was expected may still hold what a probe can drift: the upper bound is never 0."""
    told = {"original": 1.060, "original_told": True, "expected_final": 1.010, "started_ms": PITCHED, "peak_rate": 0.02}
    event = Bench(a_batch(**told), lambda _: 1.002, sd=0.0001).settled(400)
    assert event.verdict == "finished"
    assert event.remaining_range is not None
    assert event.remaining_range[1] >= 0.0015


# --- an unseen start ---------------------------------------------------------------------------------------------


def test_a_probe_put_in_on_the_third_day_is_not_told_that_nothing_began() -> None:
    """First seen in mid-ferment it is working within half a day, and never waiting."""
    shape = ferment(1.070, 0.996)
    bench = Bench(a_batch(), lambda hours: shape(hours) if hours >= 54 else None)
    bench.run(66, 55)
    assert "waiting" not in bench.changes()
    assert bench.changes()[-1] == "working"


def test_a_probe_put_into_a_finished_wash_says_finished_by_and_by() -> None:
    """First seen dry and flat on the tenth day, with its kind told: finished after the usual window."""
    bench = Bench(a_batch(fermentables="sugar"), lambda hours: 0.991 if hours >= 240 else None)
    bench.run(330, 241)
    assert bench.changes()[-1] == "finished"
    assert "waiting" not in bench.changes()


def test_a_standstill_whose_start_nobody_saw_is_unknown() -> None:
    """First seen flat at 1.040 on the third day: it may have stalled or never begun, and the answer is asked for."""
    bench = Bench(a_batch(), lambda hours: 1.040 if hours >= 60 else None)
    bench.run(160, 61)
    assert bench.changes() == ["unknown"]
    event = bench.judge(161)
    assert "may have ended before, or never have begun" in event.because[0]
    assert "original_gravity" in event.because[1]


def test_a_told_original_gravity_tells_a_late_probe_whether_it_began() -> None:
    """With the original gravity told, the same standstill near it is waiting, and far below it is a stall."""
    near = Bench(a_batch(original=1.041, original_told=True), lambda hours: 1.040 if hours >= 60 else None)
    near.run(160, 61)
    assert near.changes()[-1] == "waiting"
    far = Bench(
        a_batch(original=1.080, original_told=True, expected_final=0.996), lambda hours: 1.040 if hours >= 60 else None
    )
    far.run(160, 61)
    assert far.changes()[-1] == "stalled"


# --- by hand -----------------------------------------------------------------------------------------------------


def said_by_hand(hours: float, *points: tuple[float, float], **told: object) -> VerdictEvent:
    """What is said at an hour from hand readings alone."""
    batch = by_hand(a_batch(**told), *points)
    now = PITCHED + round(hours * HOUR)
    return [judge(batch, NOTHING, now), judge(batch, NOTHING, now + HOUR)][1]


def hand(hours: float, *points: tuple[float, float], **told: object) -> str:
    """The verdict at an hour from hand readings alone."""
    return said_by_hand(hours, *points, **told).verdict


FALLING = ((1.0, 1.060), (30.0, 1.045), (60.0, 1.025))
ENDED = (*FALLING, (100.0, 1.011), (130.0, 1.0105), (150.0, 1.010))


def test_two_hand_readings_are_not_enough() -> None:
    """Two readings carry no verdict, however far apart."""
    assert hand(150, (1.0, 1.060), (150.0, 1.010)) == "unknown"


def test_three_hand_readings_over_two_days_are_enough() -> None:
    """Three over two days show that it works; three within a day do not."""
    assert hand(61, *FALLING) == "working"
    assert hand(24, (1.0, 1.060), (12.0, 1.055), (23.0, 1.050)) == "unknown"


def test_hand_readings_that_stand_still_for_two_days_have_finished() -> None:
    """Three within a point over two days, near the expected final."""
    assert hand(151, *ENDED, expected_final=1.010) == "finished"


def test_hand_readings_that_stand_still_too_high_have_stalled() -> None:
    """The same standstill far above the expected final."""
    points = (*FALLING, (100.0, 1.0255), (130.0, 1.025))
    assert hand(131, *points, expected_final=1.008) == "stalled"


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (((1.0, 1.060), (30.0, 1.025), (60.0, 1.025), (85.0, 1.0255)),
         "your last 3 hydrometer readings over 2.3 days lie within 0.0005"),
        (((1.0, 1.060), (30.0, 1.025), (60.0, 1.012), (156.0, 1.005), (204.0, 1.005)),
         "the curve through your hydrometer readings has levelled off: the last two, 2.0 days apart, differ by 0.0000"),
    ],
)  # fmt: skip
def test_it_says_what_of_the_readings_shows_a_standstill(points: tuple[tuple[float, float], ...], words: str) -> None:
    """Three that agree, or the last two where the third from the end still fell: no fall is called agreement."""
    event = said_by_hand(points[-1][0] + 1, *points, original=1.060, expected_final=0.991)
    assert (event.verdict, event.because[0]) == ("stalled", words)


def test_old_hand_readings_carry_no_verdict() -> None:
    """The last reading more than four days old: unknown again."""
    assert hand(150 + 95, *ENDED, expected_final=1.010) == "finished"
    assert hand(150 + 97, *ENDED, expected_final=1.010) == "unknown"


def test_a_reading_taken_back_no_longer_counts() -> None:
    """With the third reading undone, the other two carry nothing."""
    assert hand(61, *FALLING[:2]) == "unknown"


def test_hand_readings_speak_where_the_probe_cannot() -> None:
    """A silent probe does not silence three good hydrometer readings."""
    batch = by_hand(a_batch(expected_final=1.010), *ENDED)
    dead = Evidence(lambda _, __: [], "float-a", 0.001, "it has been silent for 3 h", None, None)
    judge(batch, dead, PITCHED + 151 * HOUR)
    event = judge(batch, dead, PITCHED + 152 * HOUR)
    assert (event.verdict, event.used) == ("finished", ("hand",))


def test_more_readings_that_agree_make_it_surer() -> None:
    """Finished by hand grows surer with each day that shows the same, and never as sure as where warmth is known."""
    more = [(150.0 + 24.0 * day, 1.010) for day in range(1, 5)]
    said = [said_by_hand(151 + 24 * n, *ENDED, *more[:n], expected_final=1.010) for n in range(5)]
    sure = [event.confidence or 0.0 for event in said]
    assert {event.verdict for event in said} == {"finished"}
    assert sure == sorted(sure)
    assert sure[0] < sure[-1] <= 0.92


def test_three_equal_readings_of_a_slow_fall_are_no_end() -> None:
    """Within a point over two days, but five points above the end after a slow fall: it is taken to go on."""
    slow = (*FALLING, (84.0, 1.0200), (100.0, 1.0175), (124.0, 1.0155), (148.0, 1.0150), (172.0, 1.0145))
    event = said_by_hand(173, *slow, expected_final=1.0095, expected_sd=0.001)
    assert event.verdict in ("working", "slowing")
    assert event.confidence is None or event.confidence < 0.9


def test_a_reading_that_grows_old_makes_it_less_sure_that_it_works() -> None:
    """Working by hand holds for the hour of the reading; days later it may have come to rest, and that is said."""
    said = [said_by_hand(61 + age, *FALLING, expected_final=1.010) for age in (0, 24, 90)]
    assert [event.verdict for event in said] == ["working"] * 3
    first, later, last = (event.confidence for event in said)
    assert first is not None
    assert later is None or later < first
    assert last is None
    assert "may have come to rest" in " ".join(said[-1].because)


def test_waiting_is_less_sure_the_more_has_fallen() -> None:
    """A fall that is smaller than what a start takes to be believed makes waiting doubtful, then silent on how sure."""
    said = [
        said_by_hand(60, (1.0, 1.060), (30.0, 1.060), (58.0, 1.060 - fell), original=1.060, expected_final=1.010)
        for fell in (0.0, 0.0015, 0.004)
    ]
    assert {event.verdict for event in said} == {"waiting"}
    none, some, most = (event.confidence for event in said)
    assert none is not None
    assert some is not None
    assert some < none
    assert most is None


def test_no_fall_by_hand_is_waiting() -> None:
    """Three equal readings from the start on show a lag, not an end."""
    assert hand(60, (1.0, 1.060), (30.0, 1.0605), (58.0, 1.060), expected_final=1.010) == "waiting"


NEEDS = "a verdict by hand needs three hydrometer readings over two days or more, the last within four days: "


@pytest.mark.parametrize(
    ("hours", "points", "lacks"),
    [
        (61, FALLING[:1], "there is one"),
        (61, FALLING[:2], "there are two"),
        (24, ((1.0, 1.060), (12.0, 1.055), (23.0, 1.050)), "yours span 22 h"),
        (150 + 12 * 24, ENDED, "the last is 12.0 days old"),
        (24 * 6, ((1.0, 1.060), (12.0, 1.055), (23.0, 1.050)), "yours span 22 h and the last is 5.0 days old"),
        (24 * 12, FALLING[:2], "there are two and the last is 10.8 days old"),
        (61, ((-2.0, 1.060), *FALLING[1:]), "there are two since it was pitched"),
    ],
)
def test_it_says_which_condition_of_a_verdict_by_hand_is_not_met(
    hours: float, points: tuple[tuple[float, float], ...], lacks: str
) -> None:
    """The sentence says what a verdict by hand needs, and of that what there is not."""
    batch = by_hand(a_batch(), *points)
    event = judge(batch, NOTHING, PITCHED + round(hours * HOUR))
    assert (event.verdict, event.because) == ("unknown", (NEEDS + lacks,))
    assert event.gravity == points[-1][1]


def test_readings_from_before_a_change_are_told_from_those_since() -> None:
    """Five readings, and two of them since sugar went in: two are what there is to judge by, and it says why."""
    batch = by_hand(a_batch(), *ENDED)
    batch.window_from_ms = PITCHED + 110 * HOUR
    event = judge(batch, NOTHING, PITCHED + 151 * HOUR)
    assert event.because == (f"{NEEDS}there are two since something was added or changed 41 h ago",)


@pytest.mark.parametrize("trouble", [None, "it has been silent for 30 h"])
def test_beside_a_probe_it_says_what_the_readings_lack(trouble: str | None) -> None:
    """A probe that cannot be judged, and two readings: both are said, whatever is wrong with the probe."""
    batch = by_hand(a_batch(), *FALLING[:2])
    dead = Evidence(lambda _, __: [], "float-a", 0.001, trouble, None, None)
    event = judge(batch, dead, PITCHED + 61 * HOUR)
    assert event.because[-1].endswith(f"{NEEDS}there are two")


# --- no gravity --------------------------------------------------------------------------------------------------


def test_temperature_alone_says_that_there_is_no_gravity_source() -> None:
    """A thermometer carries no verdict, and the sentence says what is missing."""
    warm = Evidence(None, None, 0.0, None, lambda _, __: [(PITCHED / HOUR + 0.5, 20.0)], None)
    event = judge(a_batch(), warm, PITCHED + 100 * HOUR)
    assert event.verdict == "unknown"
    assert event.because[0].startswith("no gravity source")
    assert (event.gravity, event.rate_per_day, event.final_expected, event.confidence) == (None, None, None, None)
