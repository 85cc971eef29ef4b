"""The verdict over the whole course of a batch: lag, work, slowing, end or stall, and what comes back."""

from __future__ import annotations

import pytest

from monitor.model.clock import HOUR
from monitor.rules.batch import BatchState
from tests.rules.bench import PITCHED, Bench, Shape, a_batch, ferment, stops


def beer(**told: object) -> BatchState:
    """A beer whose keeper said where it should end."""
    return a_batch(**{"expected_final": 1.010, "yeast_low": 16.0, "yeast_high": 24.0, **told})


@pytest.mark.parametrize("seed", range(4))
def test_a_good_batch_goes_through_four_verdicts_and_never_back(seed: int) -> None:
    """Waiting, working, slowing, finished, in this order, and finished is not said before it stands still."""
    bench = Bench(beer(), ferment(1.050, 1.010), seed=seed)
    bench.run(300)
    assert bench.changes() == ["waiting", "working", "slowing", "finished"]
    finished = bench.first("finished")
    assert finished is not None
    # Within 0.001 of its end at 12 + 48 + ln(39) / 0.09 = 101 h.
    assert 101 <= finished <= 101 + 100


def test_the_hint_comes_before_the_verdict_and_is_no_verdict() -> None:
    """finished-soon is hinted while the verdict is still slowing, and hours before finished is said."""
    bench = Bench(beer(), ferment(1.050, 1.010))
    events = bench.run(300)
    hinted = next(hours for hours, event in events if event.hint == "finished-soon")
    finished = bench.first("finished")
    assert finished is not None
    assert hinted + 12 < finished
    assert all(event.hint is None for _, event in events if event.verdict not in ("working", "slowing"))


def test_a_long_lag_is_waiting_however_flat_it_is() -> None:
    """Three days without a fall are waiting, never finished nor stalled, and the sentence says that it is late."""
    bench = Bench(beer(), lambda _: 1.050)
    events = bench.run(120)
    assert bench.changes() == ["waiting"]
    assert events[29][1].because[1] == "a start is expected within 36 h"
    assert events[60][1].because[1] == "a start was expected within 36 h"


def test_the_first_hour_says_that_there_is_nothing_yet() -> None:
    """Before a whole hour of readings is in, it waits and says so."""
    event = Bench(beer(), ferment(1.050, 1.010)).judge(0.5)
    assert (event.verdict, event.confidence) == ("waiting", None)
    assert event.because == ("no whole hour of gravity readings yet",)


def test_the_original_gravity_is_learned_from_the_first_hours() -> None:
    """Told nothing, the rule takes the highest of the first steady hours, and reckons the final from it."""
    batch = a_batch(fermentables="grain")
    bench = Bench(batch, ferment(1.060, 1.015))
    bench.run(40)
    assert batch.original == pytest.approx(1.060, abs=0.0008)
    assert bench.judge(41).final_expected == pytest.approx(1.015, abs=0.001)


def test_a_batch_that_stops_far_above_its_end_has_stalled() -> None:
    """Flat at 1.030 with 1.010 expected is a stall, said within four days of the stop, with its causes."""
    bench = Bench(beer(original=1.060, original_told=True), stops(ferment(1.060, 1.010), 60))
    bench.run(200)
    assert "finished" not in bench.changes()
    stalled = bench.first("stalled")
    assert stalled is not None
    assert 60 < stalled < 60 + 96
    event = bench.judge(201)
    assert [each.cause for each in event.causes] == ["stopped-early"]
    assert sum(each.weight for each in event.causes) == pytest.approx(1.0)
    assert "stalled, or very slow" in " ".join(next(e for h, e in bench.run(200, 200) if h == stalled).because)


def test_a_stall_after_a_cold_night_names_the_cold_first() -> None:
    """It fell below the yeast's range before it slowed, is warm again, and still stands: the cold is named first."""
    bench = Bench(
        beer(original=1.060, original_told=True),
        stops(ferment(1.060, 1.010), 55),
        lambda hours: 6.0 if 54 <= hours < 66 else 20.0,
    )
    bench.run(220)
    event = bench.judge(221)
    assert event.verdict == "stalled"
    assert event.causes[0].cause == "chilled"


def test_a_stall_near_the_alcohol_limit_names_the_alcohol() -> None:
    """At 11 % of a yeast that is good for 12, its alcohol is named before an early stop."""
    bench = Bench(
        a_batch(original=1.110, original_told=True, fermentables="sugar", alcohol_limit=12.0),
        stops(ferment(1.110, 0.990), 70),
    )
    bench.run(220)
    event = bench.judge(221)
    assert event.verdict == "stalled"
    assert event.causes[0].cause == "alcohol-near-limit"


def test_a_stall_lets_go_within_a_day_when_it_falls_again() -> None:
    """Roused after a week, it is called working again within a day, and finishes in the end."""

    def roused(hours: float) -> float:
        before = min(hours, 60.0)
        return ferment(1.060, 1.010)(before if hours < 220 else 60.0 + hours - 220)

    bench = Bench(beer(original=1.060, original_told=True), roused)
    bench.run(420)
    assert bench.changes() == ["waiting", "working", "slowing", "stalled", "working", "slowing", "finished"]
    again = next(h for h, e in bench.run(0) if h > 220 and e.verdict == "working")
    assert again <= 244


def test_a_slow_resumption_is_told_once() -> None:
    """Falling again by two points a day, it is working or slowing from then on, and not stalled again next hour."""
    bench = at_rest(lambda hours: 1.030 - max(0.0, hours - 400) * 0.0021 / 24, sd=0.0002)
    bench.run(480, 340)
    changes = bench.changes()
    assert "stalled" in changes
    assert changes[changes.index("stalled") + 1 :] in (["working"], ["slowing"], ["working", "slowing"])


def test_a_finished_batch_does_not_flutter() -> None:
    """Once finished, noise and a drift of two points a week change nothing for three weeks."""
    end = ferment(1.050, 1.010)
    bench = Bench(beer(), lambda hours: end(hours) - 0.002 * hours / 168, sd=0.0004)
    bench.run(500, every=2)
    assert bench.changes() == ["waiting", "working", "slowing", "finished"]


@pytest.mark.parametrize("seed", range(3))
def test_a_noisy_batch_changes_its_verdict_seldom(seed: int) -> None:
    """Noise of 0.001 an hour makes no more than one false turn between working and slowing."""
    bench = Bench(beer(), ferment(1.050, 1.010, steep=0.05), sd=0.001, seed=seed)
    bench.run(400, every=2)
    assert len(bench.changes()) <= 6


def test_finished_stays_said_when_it_is_chilled_afterwards() -> None:
    """What was finished before the chill is finished after it, whatever the cold does to the readings."""
    bench = Bench(beer(), ferment(1.050, 1.010), lambda hours: 20.0 if hours < 240 else 3.0)
    bench.run(340)
    assert bench.changes()[-1] == "finished"
    assert bench.first("finished") < 240  # type: ignore[operator]


def test_chilled_before_its_end_it_is_unknown() -> None:
    """Cold is not done: flat at three points above the expected final and below the yeast's range proves nothing."""
    bench = Bench(
        beer(), stops(ferment(1.050, 1.010), 84), lambda hours: 20.0 if hours < 84 else max(3.0, 20.0 - (hours - 84))
    )
    bench.run(400)
    assert "finished" not in bench.changes()
    assert "stalled" not in bench.changes()
    event = bench.judge(401)
    assert event.verdict == "unknown"
    assert event.confidence is None
    assert "the yeast's range starts at 16 °C" in event.because[0]
    assert "warm it" in event.because[2]


def test_cold_but_lower_than_anyone_expected_it_is_finished() -> None:
    """Cold does not hide an end: at or below the lowest expected final nothing much can be left."""
    bench = Bench(
        beer(expected_final=1.014), ferment(1.050, 1.007), lambda hours: 20.0 if hours < 90 else 4.0, sd=0.0001
    )
    bench.run(300)
    assert bench.changes()[-1] == "finished"


def test_warmed_again_it_goes_on_and_is_judged_anew() -> None:
    """After the chill is over the verdict comes back to working and then finished."""

    def paused(hours: float) -> float:
        return ferment(1.050, 1.010)(hours if hours < 70 else 70 if hours < 200 else hours - 130)

    bench = Bench(beer(), paused, lambda hours: 4.0 if 70 <= hours < 196 else 20.0)
    bench.run(500)
    assert bench.changes()[-1] == "finished"
    assert "unknown" in bench.changes()
    assert bench.first("finished") > 250  # type: ignore[operator]
    assert "stalled" not in bench.changes()


def test_no_yeast_range_told_a_batch_that_worked_warm_is_cold_early() -> None:
    """Told nothing of the yeast, six kelvins below where it worked counts as cold."""
    bench = Bench(
        a_batch(expected_final=1.010), stops(ferment(1.050, 1.010), 84), lambda hours: 22.0 if hours < 84 else 13.0
    )
    bench.run(300)
    assert "finished" not in bench.changes()
    assert bench.judge(301).verdict == "unknown"


def test_the_cold_of_yesterday_still_counts() -> None:
    """Warm again for half a day after thirty hours of cold, a standstill is still put down to the cold."""
    bench = Bench(
        beer(original=1.050, original_told=True),
        stops(ferment(1.050, 1.010), 66),
        lambda hours: 4.0 if 66 <= hours < 96 else 20.0,
    )
    bench.run(110)
    event = bench.judge(111)
    assert event.verdict == "unknown"
    assert "the liquid was below 16.0 °C for 30 of the last 72 h" in event.because[0]


def test_a_lasting_change_of_temperature_restarts_the_window() -> None:
    """Four kelvins warmer for good: probe and yeast both answer to it, so the standstill is proved anew."""
    batch = beer(original=1.050, original_told=True)
    bench = Bench(batch, ferment(1.050, 1.010), lambda hours: 18.0 if hours < 120 else 22.0, sd=0.0001)
    bench.run(230)
    assert PITCHED + 120 * HOUR <= batch.window_from_ms <= PITCHED + 144 * HOUR
    finished = bench.first("finished")
    assert finished is not None
    assert finished >= (batch.window_from_ms - PITCHED) / HOUR + 38


def test_a_day_and_night_swing_does_not_restart_the_window() -> None:
    """A shed that swings by eight kelvins a day hinders no verdict."""
    bench = Bench(beer(), ferment(1.050, 1.010), lambda hours: 20.0 + (4.0 if hours % 24 < 12 else -4.0))
    bench.run(260)
    assert bench.changes()[-1] == "finished"


@pytest.mark.parametrize(
    "trouble", ["it is stuck, the same values for 3 h", "it has been silent for 66 min", "it was just moved"]
)
def test_a_probe_in_trouble_makes_it_unknown_and_nothing_else(trouble: str) -> None:
    """A plateau of a probe that cannot be believed is neither finished nor stalled, and comes back as it was."""
    bench = Bench(beer(), ferment(1.050, 1.010), trouble=lambda hours: trouble if 70 <= hours < 200 else None)
    events = bench.run(280)
    assert {event.verdict for hours, event in events if 70 <= hours < 200} == {"unknown"}
    assert events[100][1].because[0] == trouble
    assert "three hydrometer readings" in events[100][1].because[1]
    assert events[100][1].gravity is None
    assert bench.changes()[-1] == "finished"


def test_a_day_without_readings_makes_it_unknown() -> None:
    """Missing data are no plateau."""
    end = ferment(1.050, 1.010)
    bench = Bench(beer(), lambda hours: end(hours) if hours < 90 else None)
    bench.run(200)
    assert bench.judge(201).verdict == "unknown"
    assert bench.judge(201).because == ("no gravity reading in the last day",)
    assert "finished" not in bench.changes()


def test_two_hours_after_a_change_are_too_few_for_a_trend() -> None:
    """A window that has just begun says so, with its length."""
    batch = beer()
    bench = Bench(batch, ferment(1.050, 1.010))
    bench.run(60)
    batch.window_from_ms = PITCHED + 60 * HOUR
    event = bench.judge(60.5)
    assert event.verdict == "unknown"
    assert "30 min ago: too few hours" in event.because[0]
    assert bench.judge(62).because == ("only 2 h of readings since the last change: too few for a trend",)


def at_rest(level: Shape, sd: float = 0.00005, **more: object) -> Bench:
    """A batch that worked long ago, of which only a late stretch is looked at."""
    told = {"original": 1.050, "original_told": True, "started_ms": PITCHED, "peak_rate": 0.02, **more}
    return Bench(beer(**told), level, sd=sd)


def test_flat_needs_a_day_and_a_half() -> None:
    """However flat and quiet, finished is not said from a window shorter than 38 hours."""
    bench = at_rest(lambda _: 1.010, window_from_ms=PITCHED + 300 * HOUR)
    assert {event.verdict for _, event in bench.run(338, 306)} == {"slowing"}
    bench.run(354, 339)
    assert 338 < bench.first("finished") <= 354  # type: ignore[operator]


def test_a_slow_tail_is_not_the_end() -> None:
    """Eight tenths of a point a day, three points above the expected final, is slowing for as long as it lasts."""
    bench = at_rest(lambda hours: 1.013 - 0.0008 * (hours - 300) / 24)
    assert {event.verdict for _, event in bench.run(396, 300)} == {"slowing"}


def test_noise_that_hides_a_tail_is_no_standstill() -> None:
    """With a noise of six points an hour three days prove nothing: no trend found is not the same as none."""
    bench = at_rest(lambda _: 1.010, sd=0.006)
    assert "finished" not in {event.verdict for _, event in bench.run(330, 300)}


def test_the_ranges_hold_the_truth() -> None:
    """Nine in ten of the 90 % ranges of gravity hold the true gravity, and the rate has the true sign while working."""
    shape = ferment(1.050, 1.010)
    bench = Bench(beer(), shape, sd=0.0005)
    held = total = 0
    for hours, event in bench.run(260):
        if event.gravity_range is not None and hours > 20:
            total += 1
            held += event.gravity_range[0] <= shape(hours - 0.5) <= event.gravity_range[1]
        if event.verdict == "working" and event.rate_per_day is not None and hours > 24:
            assert event.rate_per_day < 0
    assert held / total >= 0.85


def test_the_finish_is_foretold_with_a_range_that_narrows() -> None:
    """On the way down the finish is expected within its range, and the range at the end is narrower than at first."""
    bench = Bench(beer(), ferment(1.050, 1.010), sd=0.0006)
    spans = []
    for _, event in bench.run(90, 30):
        if event.finish_range_ms is not None:
            low, high = event.finish_range_ms
            assert event.finish_expected_ms is not None
            assert low <= event.finish_expected_ms <= high
            spans.append(high - low)
    assert len(spans) > 30
    assert sum(spans[-10:]) < sum(spans[:10])


def test_the_finish_is_not_foretold_where_nothing_moves() -> None:
    """Waiting, finished and stalled have no finish to foretell."""
    bench = Bench(beer(), ferment(1.050, 1.010))
    for _, event in bench.run(260):
        if event.verdict not in ("working", "slowing"):
            assert event.finish_expected_ms is None


@pytest.mark.parametrize(("by", "again"), [(0.003, False), (0.008, True)])
def test_what_has_finished_is_let_go_by_a_fall_not_by_drift(by: float, again: bool) -> None:
    """Three points over a few days are what a probe drifts or a bucket cools; eight are a fermentation that goes on."""
    shape = ferment(1.060, 1.010)

    def later(hours: float) -> float:
        return shape(hours) - by * min(max(hours - 320.0, 0.0) / 48.0, 1.0)

    bench = Bench(a_batch(original=1.060, expected_final=1.010), later)
    said = [event.verdict for hours, event in bench.run(420) if hours > 300]
    assert said[0] == "finished"
    assert (set(said) != {"finished"}) == again
