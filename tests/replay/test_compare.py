"""What is told earlier, later, only here or only there, and which settings are not the same."""

import itertools
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.clock import MINUTE
from monitor.model.config import RuleSettings
from monitor.replay.compare import differences, in_plain_words, local, pairs, unlike

from .events import SETTINGS, alert, at, run, verdict

TIMES = st.lists(st.integers(0, 40), max_size=5, unique=True).map(sorted)


@given(TIMES, TIMES)
def test_pairs_use_each_time_once_and_in_order(here: list[int], there: list[int]) -> None:
    """Nothing is lost or told twice, equal times belong together, and no two pairs cross."""
    mine, theirs = ([time * MINUTE for time in each] for each in (here, there))
    found = pairs(mine, theirs)

    assert [one for one, _ in found if one is not None] == mine
    assert [other for _, other in found if other is not None] == theirs
    assert {time for time in mine if time in theirs} <= {one for one, other in found if one == other}


@given(st.lists(st.integers(0, 40), max_size=5, unique=True).map(sorted), TIMES)
def test_between_equal_ones_pairs_are_as_many_and_as_close_as_can_be(here: list[int], there: list[int]) -> None:
    """Against every way of pairing that keeps the order."""
    mine, theirs = [time * MINUTE for time in here], [time * MINUTE for time in there if time not in here]
    found = [(one, other) for one, other in pairs(mine, theirs) if one is not None and other is not None]
    short, long = sorted((mine, theirs), key=len)
    best = min(
        (sum(abs(one - other) for one, other in zip(short, chosen, strict=True))
         for chosen in itertools.combinations(long, len(short))),
    )  # fmt: skip

    assert len(found) == len(short)
    assert sum(abs(one - other) for one, other in found) == best


def test_earlier_later_and_only_one() -> None:
    """Each verdict and each alert at its own time, in order, with the span in plain words."""
    here = run(verdict(10, "working", 1.05), verdict(100, "slowing", 1.02), alert(110, "ferment-too-warm"),
               verdict(150, "finished", 1.01))  # fmt: skip
    there = run(verdict(10, "working", 1.05), verdict(101.5, "slowing", 1.02), alert(50, "ferment-too-warm"),
                alert(160, "ferment-stalled"))  # fmt: skip

    rows = [(row.kind, row.said, row.words, row.way) for row in differences(here, there)]

    assert rows == [
        ("alert", "ferment-too-warm", "2.5 days earlier there", "earlier"),
        ("verdict", "slowing", "90 min later there", "later"),
        ("verdict", "finished", "only here", "only here"),
        ("alert", "ferment-stalled", "only there", "only there"),
    ]


def test_nothing_differs_within_a_minute() -> None:
    """Two runs that tell the same within the minute have no row."""
    here = run(verdict(10, "working", 1.05), alert(20, "ferment-too-warm"), alert(30, "ferment-too-warm", "returned"))
    assert differences(here, here) == []
    there = run(verdict(10.01, "working", 1.05), alert(20.01, "ferment-too-warm"),
                alert(30.01, "ferment-too-warm", "returned"))  # fmt: skip
    assert differences(here, there) == []


def test_a_verdict_said_again_is_one_verdict() -> None:
    """What is said every six hours while nothing changes is not told anew."""
    here = run(*(verdict(hours, "working", 1.05) for hours in (10, 16, 22)))
    assert differences(here, run(verdict(10, "working", 1.05))) == []


def test_an_end_and_reminders_are_told_where_both_were_warned() -> None:
    """An alert raised at one time that ends at another, and how often people were reminded of it."""
    name, about = "ferment-too-warm", "batch:amber"
    here = run(alert(10, name), alert(22, name, "reminded"), alert(30, name, "returned"))
    there = run(alert(10, name), alert(34, name, "returned"))

    assert [(row.about, row.kind, row.words) for row in differences(here, there)] == [
        (about, "over", "4 h later there"), (about, "reminders", "1 fewer there"),
    ]  # fmt: skip
    assert [row.kind for row in differences(here, run())] == ["alert", "reminders"], "it could not end there"


def test_what_stood_at_the_end_is_only_over_elsewhere() -> None:
    """An alert that never returned has no time of return."""
    here = run(alert(10, "probe-silent", about="probe:float-a"))
    there = run(alert(10, "probe-silent", about="probe:float-a"),
                alert(12, "probe-silent", "returned", "probe:float-a"))  # fmt: skip
    (row,) = differences(here, there)
    assert (row.kind, row.here, row.there, row.words) == ("over", None, at(12), "only there")


def test_a_false_one_carries_its_proof() -> None:
    """Verdict and alert of a standstill say what the later course shows, each by its own run; others say nothing."""
    here = run(verdict(100, "stalled", 1.03), alert(100, "ferment-stalled"), verdict(110, "working", 1.02))
    there = run(verdict(90, "stalled", 1.03), alert(90, "ferment-stalled"),
                *(verdict(90 + 6 * step, "stalled", 1.03) for step in range(1, 8)))  # fmt: skip

    rows = {(row.kind, row.said): row for row in differences(here, there)}

    for key in (("verdict", "stalled"), ("alert", "ferment-stalled")):
        mine, theirs = rows[key].here_later, rows[key].there_later
        assert mine is not None
        assert theirs is not None
        assert (mine.outcome, mine.fell, theirs.outcome) == ("false", pytest.approx(0.01), "held")
    assert rows["verdict", "working"].here_later is None


def settings(**batch: object) -> RuleSettings:
    """The usual settings with another batch."""
    return RuleSettings.model_validate(SETTINGS | {"batch": [SETTINGS["batch"][0] | batch]})


def test_settings_that_differ_are_named_by_their_path() -> None:
    """Each with both values; what only one has is named once; equal settings give nothing."""
    other = settings(expected_final=1.012, start_within=86_400.0).model_dump() | {"remind_every": 3600.0}
    other["vessel"] = [*other["vessel"], {"name": "jar"}]
    rows = unlike(settings(), RuleSettings.model_validate(other))

    assert rows == [
        ("vessel[jar]", False, True),
        ("alerts.remind_every", 43_200.0, 3600.0),
        ("batch[amber].expected_final", 1.008, 1.012),
        ("batch[amber].start_within", 129_600.0, 86_400.0),
    ]
    assert unlike(settings(), settings()) == []


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        ("alerts.remind_every", 43_200.0, "12 h"),
        ("batch[amber].start_within", 5400.0, "90 min"),
        ("batch[amber].expected_final", 1.008, "1.008"),
        ("batch[amber].expected_final", None, "not set"),
        ("batch[amber].yeast_range_c", (16.0, 24.0), "16.0, 24.0"),
        ("batch[amber].pitched", at(0), "Tue 3 Mar 2026 19:00"),
        ("vessel[jar]", False, "not there"),
        ("fridge[larder].contents", [], "none"),
    ],
)
def test_values_are_shown_as_people_read_them(path: str, value: object, words: str) -> None:
    """Spans with their unit, times on the site's clock."""
    assert in_plain_words(path, value, ZoneInfo("Europe/Berlin")) == words


def test_times_are_on_the_sites_clock() -> None:
    """Summer time too."""
    assert local(1_775_000_000_000, ZoneInfo("Europe/Lisbon")) == "Wed 1 Apr 2026 00:33"
