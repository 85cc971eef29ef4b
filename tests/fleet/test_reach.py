"""Who is heard, since when not, and whose clock is wrong: told apart by words that come and words that were kept."""

from __future__ import annotations

import pytest

from monitor.fleet.reach import Reach, Word, judge
from monitor.model.clock import HOUR, MINUTE, SECOND

from .helpers import NOW


def word(*, state: str | None = "online", bridge: str | None = "1", said: int | None = None, now: int = NOW) -> Word:
    """What a broker had kept, `said` being when the summary was made."""
    found = Word()
    found.take_state({"online": True, "offline": False, None: None}[state], now, retained=True)
    found.take_bridge({"1": True, "0": False, None: None}[bridge], now, retained=True)
    if said is not None:
        found.take_summary(said, now, retained=True)
    return found


def how(word: Word, now: int = NOW) -> tuple[str, int | None]:
    reach = judge(word, now)
    return reach.how, reach.since_ms


def live(word: Word, said: int, at: int) -> Reach:
    """A summary comes while we listen."""
    word.take_summary(said, at, retained=False)
    return judge(word, at)


def test_a_site_whose_last_word_is_young_is_heard() -> None:
    """The longest pause between two summaries is five minutes; a quarter of an hour is silence."""
    assert how(word(said=NOW - 4 * MINUTE)) == ("reachable", None)
    assert how(word(said=NOW - 15 * MINUTE)) == ("reachable", None)
    assert how(word(said=NOW - 15 * MINUTE - 1)) == ("quiet", NOW - 15 * MINUTE - 1)
    assert how(word(state=None, bridge=None, said=NOW)) == ("reachable", None)


@pytest.mark.parametrize(
    ("state", "bridge", "why"),
    [
        ("offline", "1", "its Leeswatch has stopped, or its broker lost it"),
        ("online", "0", "its broker's bridge is down: the machine, its network or its broker is away"),
        ("offline", "0", "its broker's bridge is down: the machine, its network or its broker is away"),
    ],
)
def test_a_last_will_or_a_bridge_that_is_down_is_silence_at_once(state: str, bridge: str, why: str) -> None:
    """However young its last word is: since that word, as nobody knows better."""
    reach = judge(word(state=state, bridge=bridge, said=NOW - MINUTE), NOW)

    assert (reach.how, reach.why, reach.since_ms) == ("quiet", why, NOW - MINUTE)


def test_what_we_saw_ourselves_is_known_to_the_moment() -> None:
    """A last will that comes while we listen says since when."""
    found = word(said=NOW - 4 * MINUTE)
    found.take_state(online=False, now_ms=NOW + SECOND, retained=False)
    assert how(found, NOW + HOUR) == ("quiet", NOW + SECOND)
    found = word(said=NOW - 4 * MINUTE)
    found.take_bridge(up=False, now_ms=NOW + SECOND, retained=False)
    assert how(found, NOW + HOUR) == ("quiet", NOW + SECOND)
    found.take_bridge(up=True, now_ms=NOW + MINUTE, retained=False)
    assert how(found, NOW + MINUTE) == ("reachable", None)


def test_a_word_that_comes_counts_whatever_was_kept_of_its_bridge() -> None:
    """A broker that reports its bridge in the wrong order does not make a site that speaks a quiet one."""
    found = word(bridge="0", said=NOW - 5 * MINUTE)
    assert live(found, NOW, NOW).how == "reachable"


def test_nothing_but_a_bridge_or_a_state_is_no_proof_of_life() -> None:
    """A machine whose broker runs and whose Leeswatch never spoke is told as that."""
    for found in (word(state=None), word(bridge=None), word()):
        reach = judge(found, NOW)
        assert reach.how == "unsure"
        assert "it has sent no summary yet" in reach.why
    assert how(Word()) == ("quiet", None)
    assert "nothing was ever heard" in judge(Word(), NOW).why


def test_a_summary_that_cannot_be_read_is_not_silence() -> None:
    """It says why; the next good one ends it."""
    found = word(said=NOW - MINUTE)
    found.refuse("time: 'yesterday' is no time")
    assert (judge(found, NOW).how, judge(found, NOW).unreadable) == ("unsure", "time: 'yesterday' is no time")
    assert live(found, NOW, NOW).how == "reachable"


def test_an_old_word_of_a_connected_site_may_be_its_clock() -> None:
    """Kept by the broker it cannot be told from silence, and both are said."""
    reach = judge(word(said=NOW - 3 * HOUR), NOW)

    assert reach.how == "quiet"
    assert "3 h old by its own clock, although it is connected: it hangs, or its clock is behind" in reach.why
    assert (reach.age_s, reach.heard_s) == (3 * 3600, None)


def test_two_words_prove_that_a_clock_is_behind() -> None:
    """The first may have been passed on by a bridge; the second, five minutes later by both clocks, cannot."""
    behind = 3 * HOUR
    found = word(said=NOW - behind - 5 * MINUTE)
    first = live(found, NOW - behind, NOW)
    assert first.how == "unsure"
    assert "an old word passed on, or its clock is behind" in first.why
    later = NOW + 5 * MINUTE
    second = live(found, later - behind + 2 * SECOND, later)
    assert (second.how, second.clock) == ("reachable", "its clock is 3 h behind this machine's")
    assert second.ahead_s == -3 * 3600 + 2

    again = live(found, later - behind + 4 * SECOND, later + 3 * SECOND)
    assert (again.how, again.ahead_s) == ("reachable", second.ahead_s)
    assert how(found, later + 15 * MINUTE) == ("reachable", None)
    assert how(found, later + 16 * MINUTE) == ("quiet", later + 3 * SECOND)


def test_a_bridge_that_passes_on_what_had_queued_proves_nothing() -> None:
    """Words of hours, five minutes apart by their own time, that come within a second are old words."""
    found = word(said=NOW - 6 * HOUR)
    for number in range(60):
        reach = live(found, NOW - 5 * HOUR + number * 5 * MINUTE, NOW + number)
    assert reach.ahead_s is None
    assert (reach.how, reach.clock) == ("reachable", "")  # the last of them is of now


def test_a_word_from_the_future_is_a_clock_that_is_ahead() -> None:
    """Up to a quarter of an hour it is a remark; beyond, nobody can say how old the word is until another comes."""
    assert judge(word(said=NOW + MINUTE), NOW).clock == ""
    ahead = judge(word(said=NOW + 10 * MINUTE), NOW)
    assert (ahead.how, ahead.clock) == ("reachable", "its clock is at least 10 min ahead of this machine's")
    found = word(said=NOW + 5 * HOUR)
    reach = judge(found, NOW)
    assert (reach.how, reach.ahead_s) == ("unsure", 5 * 3600)
    assert "from the future" in reach.why

    live(found, NOW + 5 * HOUR + MINUTE, NOW)
    reach = live(found, NOW + 5 * HOUR + 6 * MINUTE, NOW + 5 * MINUTE)
    assert (reach.how, reach.clock) == ("reachable", "its clock is 5 h ahead of this machine's")
    assert how(found, NOW + 30 * MINUTE) == ("quiet", NOW + 5 * MINUTE)


def test_a_clock_that_is_set_meanwhile_is_believed_anew() -> None:
    """What two words proved holds until a word comes that does not fit; by its own right time it is heard again."""
    found = word(said=NOW - 3 * HOUR)
    live(found, NOW - 3 * HOUR + MINUTE, NOW)
    assert live(found, NOW - 3 * HOUR + 6 * MINUTE, NOW + 5 * MINUTE).ahead_s is not None
    reach = live(found, NOW + 10 * MINUTE, NOW + 10 * MINUTE)
    assert (reach.how, reach.clock) == ("reachable", "")


def test_the_same_word_again_is_no_sign_of_life() -> None:
    """A bridge that comes back passes on what was said last: it was heard when it was said."""
    found = word(said=None)
    live(found, NOW, NOW)
    reach = live(found, NOW, NOW + 20 * MINUTE)
    assert (reach.how, reach.since_ms, reach.heard_s) == ("quiet", NOW, 20 * 60)


def test_silence_counts_from_a_wrong_clock_set_right() -> None:
    """Of a site whose clock we know to be behind, a last will that the broker had kept began by our time."""
    found = word(said=NOW - 3 * HOUR)
    live(found, NOW - 3 * HOUR + MINUTE, NOW)
    live(found, NOW - 3 * HOUR + 6 * MINUTE, NOW + 5 * MINUTE)
    found.take_bridge(up=False, now_ms=NOW + 50 * MINUTE, retained=True)
    assert how(found, NOW + HOUR) == ("quiet", NOW + 5 * MINUTE)
