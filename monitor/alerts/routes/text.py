"""What a letter says: the engine's words, the local time of what was seen, and what happened in quiet hours."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.alerts.routes.base import RANK, Letter
from monitor.model.clock import SECOND
from monitor.model.events import Notice

# Not strftime's names: those follow the machine's language, and the rest of the letter does not.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MARKS = {
    "first": ("", ()),
    "returned": ("Back to normal: ", ("back to normal", "returned", "over")),
    "reminder": ("Reminder: ", ("reminder", "still")),
}


def local_time(ms: int, zone: ZoneInfo) -> str:
    """`Mon 9 Mar 04:09 (WET)`."""
    at = datetime.fromtimestamp(ms / SECOND, UTC).astimezone(zone)
    return f"{_DAYS[at.weekday()]} {at.day} {_MONTHS[at.month - 1]} {at:%H:%M} ({at.tzname()})"


@dataclass(frozen=True, slots=True)
class Writing:
    """How letters are written here: the site's time zone, and where its page is, if people can reach it."""

    zone: ZoneInfo
    public_url: str | None = None

    def letter(self, notice: Notice) -> Letter:
        """One notice as a letter."""
        lines = [notice.body, *self._seen(notice), *self._link()]
        return Letter(
            title=_marked(notice.title, notice),
            body="\n".join(line for line in lines if line),
            priority=notice.priority,
            returned=notice.reason == "returned",
            notice=notice,
        )

    def fold(self, held: Sequence[Notice]) -> Letter:
        """What was held back, as one letter: each alert once, in the order they came."""
        items = [self._item(notices) for notices in _by_alert(held)]
        if len(items) == 1:
            title, body, returned = items[0]
        else:
            title = f"While it was quiet: {len(items)} notices"
            body = "\n\n".join(f"{head}\n{text}" if text else head for head, text, _ in items)
            returned = all(over for _, _, over in items)
        return Letter(
            title=title,
            body="\n".join([body, *self._link()]),
            priority=max((notice.priority for notice in held), key=RANK.__getitem__),
            returned=returned,
        )

    def _item(self, notices: Sequence[Notice]) -> tuple[str, str, bool]:
        """Title, text, and whether it is over, of all that was held about one alert."""
        first, last = notices[0], notices[-1]
        if first.reason == "first" and last.reason == "returned":
            sentence = (
                f"{first.title}: raised {local_time(_when(first), self.zone)} and back to normal by "
                f"{local_time(_when(last), self.zone)}."
            )
            return f"Came and went: {first.title}", "\n".join(filter(None, (sentence, last.body))), True
        # What was never told is news, not a reminder; the latest text knows most.
        title = first.title if first.reason == "first" else _marked(last.title, last)
        return title, "\n".join(filter(None, (last.body, *self._seen(last)))), last.reason == "returned"

    def _seen(self, notice: Notice) -> list[str]:
        return [] if notice.seen_ms is None else [f"Seen {local_time(notice.seen_ms, self.zone)}"]

    def _link(self) -> list[str]:
        return [] if self.public_url is None else [self.public_url]


def _when(notice: Notice) -> int:
    return notice.time_ms if notice.seen_ms is None else notice.seen_ms


def _marked(title: str, notice: Notice) -> str:
    mark, said = _MARKS[notice.reason]
    return title if any(word in title.lower() for word in said) else f"{mark}{title}"


def _by_alert(notices: Iterable[Notice]) -> list[list[Notice]]:
    grouped: dict[str, list[Notice]] = {}
    for notice in notices:
        grouped.setdefault(notice.alert_id, []).append(notice)
    return list(grouped.values())
