"""The fleet that messages come to: order, bounds, and nothing that anybody sends can harm."""

from __future__ import annotations

import json
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from monitor.cli.fleet_look import BATCHES, drawn
from monitor.fleet.sites import LONGEST, SITES, STRANGERS, Fleet, Picture
from monitor.fleet.summary import LeftOut, Probes, SaidOfBatch, encode
from monitor.model.clock import HOUR, MINUTE, iso

from .helpers import NOW, standing, summary


def heard(*messages: tuple[str, bytes], expect: tuple[str, ...] = ()) -> Picture:
    """What kept messages come to."""
    fleet = Fleet(expect)
    for topic, payload in messages:
        fleet.take(topic, payload, NOW, retained=True)
    return fleet.picture(NOW)


def site(name: str, payload: bytes | None = None) -> list[tuple[str, bytes]]:
    """A site that is well, or says something else."""
    return [
        (f"fleet/{name}/bridge", b"1"),
        (f"fleet/{name}/leeswatch/state", b"online"),
        (f"fleet/{name}/leeswatch/summary", encode(summary()) if payload is None else payload),
    ]


def text_of(picture: Picture, *, whole: bool = False) -> str:
    """As a person sees it who has no terminal."""
    out = Console(file=StringIO(), width=200, highlight=False, markup=False, emoji=False)
    for line in drawn(picture, whole=whole):
        out.print(line, soft_wrap=True)
    return out.file.getvalue()


def test_sites_in_trouble_come_first() -> None:
    """Quiet ones and those with an urgent alert before the others, by name; all well only when nothing is."""
    urgent = encode(summary(alerts=(standing("freeze-risk", "high"),)))
    picture = heard(*site("b"), *site("a"), *site("d", urgent), ("fleet/c/bridge", b"0"))

    assert [seen.site for seen in picture.sites] == ["c", "d", "a", "b"]
    assert not picture.well
    assert heard(*site("a"), *site("b")).well


@pytest.mark.parametrize(
    ("priority", "state", "well"),
    [("high", "unacknowledged", False), ("high", "acknowledged", True), ("high", "shelved", True),
     ("medium", "unacknowledged", True), ("dire", "unacknowledged", False)],
)  # fmt: skip
def test_what_somebody_is_called_for(priority: str, state: str, well: bool) -> None:
    """An urgent alert that nobody has seen, or one of a priority that this version does not know."""
    told = encode(summary(alerts=(standing("freeze-risk", priority, state=state),)))

    assert heard(*site("a", told)).well is well


def test_nothing_at_all_is_not_well() -> None:
    """An empty broker is told in a sentence; a site that has to be there and never spoke is quiet."""
    assert not heard().well
    assert "No site is known on this broker" in text_of(heard())
    picture = heard(*site("a"), expect=("a", "tower-2"))
    assert [(seen.site, seen.reach.how) for seen in picture.sites] == [("tower-2", "quiet"), ("a", "reachable")]
    assert not picture.well
    assert "tower-2 is quiet: nothing was ever heard of it on this broker." in text_of(picture)


def test_worst_alerts_first_and_every_sentence() -> None:
    """Urgent before the rest, unseen before seen, older before younger; a batch's sentence with how sure it is."""
    alerts = (
        standing("yeast-old", "low", message="Jar a is old."),
        standing("probe-silent", since=iso(NOW - HOUR), message="Second."),
        standing("probe-silent", since=iso(NOW - 2 * HOUR), message="First."),
        standing("probe-stuck", since=iso(NOW - 3 * HOUR), message="Third.", state="acknowledged"),
        standing("freeze-risk", "high", message="Ice."),
    )
    batches = (SaidOfBatch(batch="amber-1", stage="fermenting", verdict="working", confidence=0.93,
                           sentence="Working, falling 0.0100 a day."),
               SaidOfBatch(batch="w-2", stage="cold", sentence="In the cold."))  # fmt: skip
    told = summary(site="North cellar", alerts=alerts, batches=batches, probes=Probes(all=5, silent=2))
    shown = text_of(heard(*site("north", encode(told)))).splitlines()

    assert shown[0] == "1 site, none quiet, 1 urgent alert that nobody has seen."
    assert shown[2] == "✓ north (North cellar) is heard."
    assert [line.split(": ")[1] for line in shown[3:8]] == ["Ice.", "First.", "Second.", "Third.", "Jar a is old."]
    assert "(acknowledged)" in shown[6]
    assert shown[8:] == [
        "    amber-1  Working, falling 0.0100 a day (93 % sure).",
        "    w-2      In the cold.",
        "    2 of 5 probes silent",
    ]


def test_a_large_site_is_cut_and_counted() -> None:
    """The first batches, and how many of each verdict there are; all of those that came with --all."""
    batches = tuple(
        SaidOfBatch(batch=f"b-{number:03}", stage="fermenting", verdict="working", sentence="Working.")
        for number in range(50)
    )
    told = summary(batches=batches, verdicts={"working": 198, "stalled": 2}, left_out=LeftOut(batches=150, alerts=7))
    picture = heard(*site("big", encode(told)))

    short, whole = text_of(picture), text_of(picture, whole=True)
    assert short.count("  Working.") == BATCHES
    assert f"and {200 - BATCHES} more; of all its batches: 2 stalled, 198 working" in short
    assert "and 7 less urgent alerts that its message had no room for" in short
    assert whole.count("  Working.") == 50
    assert "and 150 more" in whole


def test_quiet_sites_say_what_they_last_said() -> None:
    """With the time by their own clock."""
    told = summary(NOW - 7 * HOUR, batches=(SaidOfBatch(batch="a", stage="cold", sentence="In the cold."),))
    shown = text_of(heard(*site("north", encode(told))))

    assert "■ north (Cellar) is quiet since" in shown
    assert "(7 h ago): its last word is 7 h old by its own clock" in shown
    assert "What it last said," in shown
    assert "In the cold." in shown


def test_one_clock_that_differs_from_all_is_ours() -> None:
    """When every site is from the future by the same, it is said that this machine's own clock is the likely one."""
    told = encode(summary(NOW + 5 * HOUR))
    both = heard(*site("a", told), *site("b", told))
    assert "this one that is wrong" in both.own_clock
    assert both.own_clock in text_of(both)
    assert heard(*site("a", told)).own_clock == ""
    assert heard(*site("a", told), *site("b")).own_clock == ""


def test_strange_topics_and_words_are_told_and_harm_nothing() -> None:
    """Each named with its count, so many at most; sites beside them are as they were."""
    strange = [
        ("fleet/a/leeswatch/recipe", b"x"), ("fleet/a/leeswatch/recipe", b"y"), ("fleet", b""), ("fleet/", b""),
        ("fleet//leeswatch/state", b"online"), ("cellar/float-a", b"1"), ("fleet/a/leeswatch/state", b"perhaps"),
        ("fleet/a/bridge", b"\xff"),
    ]  # fmt: skip
    picture = heard(*strange, *site("a"))

    assert [seen.reach.how for seen in picture.sites] == ["reachable"]
    assert picture.strangers["fleet/a/leeswatch/recipe"] == 2
    assert picture.strangers["fleet/a/leeswatch/state (neither online nor offline)"] == 1
    assert picture.strangers["fleet/a/bridge (neither 1 nor 0)"] == 1
    assert "fleet/a/leeswatch/recipe: 2 messages" in text_of(picture)
    many = heard(*[(f"fleet/a/leeswatch/{number}", b"") for number in range(500)])
    assert len(many.strangers) == STRANGERS + 1
    assert many.strangers["others"] == 500 - STRANGERS


def test_an_empty_message_takes_a_site_away() -> None:
    """Cleared topics leave nothing behind, unless the site has to be there."""
    gone = [(topic, b"") for topic, _ in site("a")]
    assert heard(*site("a"), *gone).sites == ()
    assert [seen.site for seen in heard(*site("a"), *gone, expect=("a",)).sites] == ["a"]


def test_a_broken_summary_leaves_the_last_good_one() -> None:
    """It is told with the reason; one that is far too long is not even looked at."""
    for broken in (b"{", b"x" * (LONGEST + 1)):
        (seen,) = heard(*site("a"), ("fleet/a/leeswatch/summary", broken)).sites
        assert seen.reach.how == "unsure"
        assert seen.reach.why.startswith("its summary cannot be read: ")
        assert seen.summary == summary()


def test_names_and_sentences_cannot_play_with_the_terminal() -> None:
    """Escapes, line breaks and turned writing are replaced wherever they may stand, on the screen and in JSON."""
    evil = "\x1b]0;owned\x07\x9b2J\r\n\u202eback\u2028"
    told = summary(
        site=evil, version=evil, verdicts={evil: 1},
        batches=(SaidOfBatch(batch=evil, stage=evil, verdict=evil, sentence=evil + "[bold red]x[/]"),),
        alerts=(standing(evil, evil, about=evil, message=evil, state=evil, since=evil),),
    )  # fmt: skip
    picture = heard(
        *site(evil, encode(told)), (f"fleet/{evil}/leeswatch/x", b""), ("fleet/b/leeswatch/summary", b"{\x1b")
    )

    for shown in (text_of(picture, whole=True), json.dumps(picture.record(), ensure_ascii=False)):
        assert "owned" in shown
        assert all(each.isprintable() or each == "\n" for each in shown)
        assert "\n\u202e" not in shown
    assert "[bold red]x[/]" in text_of(picture)
    assert text_of(picture).count("\n") < 20


def test_there_are_only_so_many_sites() -> None:
    """More than a thousand names fill no memory; that there are more is said, and is not well."""
    fleet = Fleet()
    for number in range(3 * SITES):
        fleet.take(f"fleet/s{number}/bridge", b"1", NOW, retained=True)
    picture = fleet.picture(NOW)

    assert len(picture.sites) == SITES
    assert picture.more_sites == SITES
    assert not picture.well


@given(
    st.lists(
        st.tuples(
            st.one_of(st.text(), st.sampled_from([f"fleet/{name}/{tail}" for name in "ab" for tail in (
                "bridge", "leeswatch/state", "leeswatch/summary", "leeswatch/alerts")])),
            st.one_of(st.binary(max_size=60), st.sampled_from([b"online", b"offline", b"1", b"0", encode(summary())])),
            st.booleans(), st.integers(0, 10**14),
        )
    )
)  # fmt: skip
def test_whatever_comes_a_picture_can_be_had(messages: list[tuple[str, bytes, bool, int]]) -> None:
    """Any topic, any payload, any order, any clock of ours."""
    fleet = Fleet()
    for topic, payload, retained, now in messages:
        fleet.take(topic, payload, now, retained=retained)
        picture = fleet.picture(now)
        json.dumps(picture.record())
        assert len(text_of(picture)) > 10


def test_json_tells_both_ages() -> None:
    """By the summary's own time, and by when it came."""
    fleet = Fleet()
    fleet.take("fleet/a/leeswatch/summary", encode(summary(NOW - 4 * MINUTE)), NOW, retained=False)
    (told,) = fleet.picture(NOW + MINUTE).record()["sites"]

    assert told["summary_age_s"] == {"by_its_clock": 300, "by_ours": 60}
    assert (told["reach"], told["name"], told["version"], told["batches"]) == ("reachable", "Cellar", "0.1.0", [])
