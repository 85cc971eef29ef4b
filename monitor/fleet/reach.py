"""Whether a site can be heard, and since when not. Pure.

A word that the broker had kept (retained) has no time but its own: how old it is depends on the clock of whoever said
it. A word that comes while we listen is heard at our own time too; but a bridge that connects again passes on the last
word anew, however old, so one word proves nothing of a clock. Two different words whose distance is the same by both
clocks do: then we know by how much the site's clock is off, and go by our own from there on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from monitor.model.clock import MINUTE, SECOND, iso
from monitor.rules.health import span_words

QUIET = 15 * MINUTE  # a summary comes every five
OFF = 2 * MINUTE  # a clock that is off by less is no matter
APART = 30 * SECOND  # two words nearer than this say nothing of a clock

How = Literal["reachable", "quiet", "unsure"]


@dataclass(frozen=True, slots=True)
class Reach:
    """Whether a site is heard. `ahead_s` is by how much its clock is ahead of ours, where that matters; else None."""

    how: How
    why: str
    since_ms: int | None = None
    clock: str = ""
    ahead_s: int | None = None
    state: str | None = None
    bridge: str | None = None
    said_ms: int | None = None
    age_s: int | None = None  # of the latest summary by its own time
    heard_s: int | None = None  # since it came, by our clock; None when it came before we listened
    unreadable: str = ""

    def record(self) -> dict[str, object]:
        """As JSON tells it."""
        return {
            "reach": self.how,
            "why": self.why,
            "since": None if self.since_ms is None else iso(self.since_ms),
            "clock": self.clock or None,
            "clock_ahead_s": self.ahead_s,
            "state": self.state,
            "bridge": self.bridge,
            "summary_time": None if self.said_ms is None else iso(self.said_ms),
            "summary_age_s": {"by_its_clock": self.age_s, "by_ours": self.heard_s},
            "unreadable": self.unreadable or None,
        }


@dataclass(slots=True)
class Word:
    """The latest words of a site: of its daemon, its bridge, and its summary's time."""

    online: bool | None = None
    online_ms: int | None = None  # when that came, by our clock; None when the broker had kept it
    bridge: bool | None = None
    bridge_ms: int | None = None
    said_ms: int | None = None  # the summary's own time
    heard_ms: int | None = None  # when a new one came, by our clock
    ahead_ms: int | None = None  # proved by two words
    refused: str = ""

    def anything(self) -> bool:
        """Whether there is any word of it at all."""
        return self.online is not None or self.bridge is not None or self.said_ms is not None or bool(self.refused)

    def take_state(self, online: bool | None, now_ms: int, *, retained: bool) -> None:  # noqa: FBT001
        """The daemon is there or not; None: nobody knows."""
        if online != self.online:
            self.online, self.online_ms = online, None if retained else now_ms

    def take_bridge(self, up: bool | None, now_ms: int, *, retained: bool) -> None:  # noqa: FBT001
        """The site's broker is connected to ours or not; None: nobody knows."""
        if up != self.bridge:
            self.bridge, self.bridge_ms = up, None if retained else now_ms

    def take_summary(self, said_ms: int, now_ms: int, *, retained: bool) -> None:
        """A summary that could be read."""
        self.refused = ""
        if not retained and said_ms != self.said_ms:
            if self.heard_ms is not None and self.said_ms is not None:
                ours, its = now_ms - self.heard_ms, said_ms - self.said_ms
                if abs(its - ours) > APART + ours // 10:
                    self.ahead_ms = None  # it was set meanwhile, or an old word was passed on
                elif ours >= APART:
                    self.ahead_ms = said_ms - now_ms
            self.heard_ms = now_ms
            if self.bridge is False:
                self.bridge = None  # it speaks, whatever was said of its bridge
        self.said_ms = said_ms

    def refuse(self, reason: str) -> None:
        """A summary came that could not be read."""
        self.refused = reason

    def forget_summary(self) -> None:
        """It was cleared from the broker."""
        self.said_ms = self.heard_ms = self.ahead_ms = None
        self.refused = ""


def judge(word: Word, now_ms: int) -> Reach:
    """Whether a site is heard by these words."""
    how, why, since_ms = _how(word, now_ms)
    clock, ahead_ms = _clock(word, now_ms)
    return Reach(
        how,
        why,
        since_ms,
        clock,
        None if ahead_ms is None else ahead_ms // SECOND,
        {True: "online", False: "offline", None: None}[word.online],
        {True: "up", False: "down", None: None}[word.bridge],
        word.said_ms,
        None if word.said_ms is None else (now_ms - word.said_ms) // SECOND,
        None if word.heard_ms is None else (now_ms - word.heard_ms) // SECOND,
        word.refused,
    )


def _how(word: Word, now_ms: int) -> tuple[How, str, int | None]:
    if word.bridge is False:
        why = "its broker's bridge is down: the machine, its network or its broker is away"
        return "quiet", why, _since(word, word.bridge_ms)
    if word.online is False:
        return "quiet", "its Leeswatch has stopped, or its broker lost it", _since(word, word.online_ms)
    if word.refused:
        return "unsure", f"its summary cannot be read: {word.refused}", None
    if word.said_ms is None:
        if not word.anything():
            return "quiet", "nothing was ever heard of it on this broker", None
        return "unsure", "it has sent no summary yet; Leeswatch there is starting, not running, or too old", None
    if word.ahead_ms is not None and word.heard_ms is not None:
        age = now_ms - word.heard_ms
        if age > QUIET:
            return "quiet", f"nothing has come from it for {span_words(age)}", word.heard_ms
        return "reachable", "", None
    age = now_ms - word.said_ms
    if age > QUIET:
        fresh = word.heard_ms is not None and now_ms - word.heard_ms <= QUIET
        if fresh:
            why = (
                f"what came just now is {span_words(age)} old by its own clock: an old word passed on, or its clock is "
                "behind; the next word tells"
            )
            return "unsure", why, None
        why = f"its last word is {span_words(age)} old by its own clock"
        if word.online and word.bridge:
            why += ", although it is connected: it hangs, or its clock is behind (to listen for longer tells)"
        return "quiet", why, word.said_ms
    if age < -QUIET:
        return "unsure", "its last word is from the future, so nobody can say how old it is", None
    return "reachable", "", None


def _since(word: Word, seen_ms: int | None) -> int | None:
    """When it fell silent: as we saw it, else its last word by its own clock set right."""
    if seen_ms is not None or word.said_ms is None:
        return seen_ms
    return word.said_ms - (word.ahead_ms or 0)


def _clock(word: Word, now_ms: int) -> tuple[str, int | None]:
    """What there is to say of a site's clock, and by how much it is ahead where that is known."""
    if word.said_ms is None:
        return "", None
    ahead = word.ahead_ms
    if ahead is None and word.said_ms - now_ms > OFF:
        ahead = word.said_ms - now_ms
        return f"its clock is at least {span_words(ahead)} ahead of this machine's", ahead
    if ahead is None or abs(ahead) <= OFF:
        return "", None
    return f"its clock is {span_words(abs(ahead))} {'ahead of' if ahead > 0 else 'behind'} this machine's", ahead
