"""All sites of a fleet as their messages on one broker tell: pure, but for the messages that it is handed.

    fleet/SITE/leeswatch/state      online, or offline by last will
    fleet/SITE/leeswatch/summary    what stands there (`summary.py`)
    fleet/SITE/leeswatch/alerts     each notice: passed over, for the summary has what stands
    fleet/SITE/bridge               1 or 0: whether the site's broker is connected to this one

Whatever comes is from elsewhere: it is bounded, and cleaned of what a terminal would obey.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from pydantic import BaseModel

from monitor.fleet.reach import Reach, Word, judge
from monitor.fleet.summary import RANK, Standing, Summary, decode
from monitor.intake.values import plain
from monitor.model.clock import iso
from monitor.model.errors import PayloadError

HEAD = "fleet"
TOPICS = (f"{HEAD}/#",)
STATE, SUMMARY, ALERTS, BRIDGE = "leeswatch/state", "leeswatch/summary", "leeswatch/alerts", "bridge"

SITES = 1000  # at most; further ones are counted
STRANGERS = 20  # topics that are none of ours: so many are named, the rest is counted
LONGEST = 256 * 1024  # bytes of a message
NAMED = 60  # characters of a name that somebody else chose


@dataclass(slots=True)
class Site:
    """What is known of one site."""

    site: str
    word: Word = field(default_factory=Word)
    summary: Summary | None = None


@dataclass(frozen=True, slots=True)
class Seen:
    """One site as it is shown."""

    site: str
    reach: Reach
    summary: Summary | None

    def alerts(self) -> list[Standing]:
        """What stands there, worst first; a priority that is not known here counts as the worst."""
        told = self.summary.alerts if self.summary is not None else ()
        return sorted(told, key=lambda each: (RANK.get(each.priority, -1), each.state != "unacknowledged", each.since))

    def calls(self) -> list[Standing]:
        """Alerts that somebody should be called for: urgent, and nobody has seen them or set them aside."""
        return [each for each in self.alerts() if RANK.get(each.priority, 0) == 0 and each.state == "unacknowledged"]


@dataclass(frozen=True, slots=True)
class Picture:
    """The fleet at one moment."""

    now_ms: int
    sites: tuple[Seen, ...]
    strangers: dict[str, int]
    more_sites: int = 0
    own_clock: str = ""

    @property
    def well(self) -> bool:
        """Whether there are sites, all are heard, and none has an alert that somebody should be called for."""
        return bool(self.sites) and not self.more_sites and all(
            each.reach.how == "reachable" and not each.calls() for each in self.sites
        )  # fmt: skip

    def record(self) -> dict[str, object]:
        """As JSON tells it."""
        return {
            "time": iso(self.now_ms),
            "well": self.well,
            "own_clock": self.own_clock or None,
            "sites": [_record(each) for each in self.sites],
            "more_sites": self.more_sites,
            "unknown_topics": self.strangers,
        }


def _record(seen: Seen) -> dict[str, object]:
    told: BaseModel = seen.summary or Summary(site="", time=iso(0), version="")
    parts = told.model_dump(mode="json", exclude={"form", "site", "time", "version"})
    parts["alerts"] = [each.model_dump(mode="json") for each in seen.alerts()]
    own = seen.summary
    return {
        "site": seen.site,
        "name": own.site if own is not None else None,
        "version": own.version if own is not None else None,
        **seen.reach.record(),
        **parts,
    }


class Fleet:
    """Takes messages, and tells what they come to. `expected` sites are there even if nothing ever came from them."""

    def __init__(self, expected: tuple[str, ...] = ()) -> None:
        self._sites = {name: Site(plain(name, NAMED)) for name in expected}
        self._expected = frozenset(expected)
        self._strangers: Counter[str] = Counter()
        self._more: set[int] = set()

    def take(self, topic: str, payload: bytes, now_ms: int, *, retained: bool) -> None:
        """One message, at our own time; `retained` ones the broker had kept, nobody knows since when."""
        head, _, rest = topic.partition("/")
        name, _, tail = rest.partition("/")
        if head != HEAD or not name or tail not in (STATE, SUMMARY, ALERTS, BRIDGE):
            self._is_strange(topic)
            return
        if tail == ALERTS:
            return
        site = self._site(name)
        if site is None:
            return
        if tail == SUMMARY:
            _take_summary(site, payload, now_ms, retained=retained)
            return
        said = payload.strip().lower()
        yes, no = (b"online", b"offline") if tail == STATE else (b"1", b"0")
        if said not in (yes, no, b""):
            self._is_strange(f"{topic} (neither {yes.decode()} nor {no.decode()})")
        take = site.word.take_state if tail == STATE else site.word.take_bridge
        take({yes: True, no: False}.get(said), now_ms, retained=retained)  # an empty message takes the word back

    def _site(self, name: str) -> Site | None:
        if name not in self._sites:
            if len(self._sites) >= SITES:
                if len(self._more) < SITES:
                    self._more.add(hash(name))
                return None
            self._sites[name] = Site(plain(name, NAMED))
        return self._sites[name]

    def _is_strange(self, topic: str) -> None:
        shown = plain(topic, 2 * NAMED)
        if shown not in self._strangers and len(self._strangers) >= STRANGERS:
            shown = "others"
        self._strangers[shown] += 1

    def picture(self, now_ms: int) -> Picture:
        """All sites, those in trouble first, then by name."""
        seen = [
            Seen(site.site, judge(site.word, now_ms), site.summary)
            for name, site in self._sites.items()
            if name in self._expected or site.word.anything()
        ]
        seen.sort(key=lambda each: (each.reach.how == "reachable", not each.calls(), each.site))
        return Picture(now_ms, tuple(seen), dict(self._strangers), len(self._more), _own_clock(seen))


def _take_summary(site: Site, payload: bytes, now_ms: int, *, retained: bool) -> None:
    if not payload:  # what was retained is cleared
        site.summary = None
        site.word.forget_summary()
        return
    if len(payload) > LONGEST:
        site.word.refuse(f"it has {len(payload)} bytes")
        return
    try:
        summary = _cleaned(decode(payload))
    except PayloadError as error:
        site.word.refuse(plain(str(error)))
        return
    site.word.take_summary(summary.time_ms, now_ms, retained=retained)
    site.summary = summary


def _cleaned(summary: Summary) -> Summary:
    def parts(told: tuple[BaseModel, ...]) -> tuple[BaseModel, ...]:
        return tuple(
            each.model_copy(update={key: plain(value) for key, value in each if isinstance(value, str)})
            for each in told
        )  # fmt: skip

    return summary.model_copy(
        update={
            "site": plain(summary.site, NAMED),
            "version": plain(summary.version, NAMED),
            "verdicts": {plain(name, NAMED): count for name, count in summary.verdicts.items()},
            "batches": parts(summary.batches),
            "alerts": parts(summary.alerts),
        }
    )


def _own_clock(seen: list[Seen]) -> str:
    """Where all sites, two at least, are off by the same, it is rather this machine's clock."""
    off = [each.reach.ahead_s for each in seen]
    known = [each for each in off if each is not None]
    if len(known) < 2 or len(known) < len(off) or max(known) - min(known) > 120:
        return ""
    return "The clocks of all sites differ from this machine's by the same: it is probably this one that is wrong."
