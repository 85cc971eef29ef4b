"""What was told when, and how another run differs: earlier, later, only here, only there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from monitor.model.clock import iso
from monitor.model.events import AlertEvent, Event, VerdictEvent
from monitor.rules.health import span_words

SAME_MS = 60_000


@dataclass(slots=True)
class Told:
    """The first time each thing was said, in order."""

    count: int = 0
    first: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    lines: list[str] = field(default_factory=list)
    _verdicts: dict[str, str] = field(default_factory=dict)

    def take(self, event: Event) -> None:
        """Note one event."""
        self.count += 1
        if isinstance(event, VerdictEvent):
            if self._verdicts.get(event.batch) == event.verdict:
                return
            self._verdicts[event.batch] = event.verdict
            self.first.setdefault((f"batch:{event.batch}", event.verdict), []).append(event.time_ms)
            sure = f", {event.confidence:.0%} sure" if event.confidence is not None else ""
            why = f": {event.because[0]}" if event.because else ""
            self.lines.append(f"{iso(event.time_ms)}  {event.batch} {event.verdict}{sure}{why}")
        elif isinstance(event, AlertEvent) and event.change in ("raised", "returned"):
            if event.change == "raised":
                self.first.setdefault((event.about, event.alert), []).append(event.time_ms)
            self.lines.append(f"{iso(event.time_ms)}  {event.alert} {event.change}: {event.message}")

    def story(self) -> Iterator[str]:
        """Changes of verdict and alerts, a line each."""
        yield from self.lines


def differences(one: Told, other: Told) -> list[tuple[str, str, str, str, str]]:
    """Rows of about, what was said, when here, when there, and the difference in words; equal ones left out."""
    rows = []
    for key in sorted(set(one.first) | set(other.first)):
        here, there = one.first.get(key, []), other.first.get(key, [])
        for index in range(max(len(here), len(there))):
            mine = here[index] if index < len(here) else None
            theirs = there[index] if index < len(there) else None
            words = _difference(mine, theirs)
            if words:
                rows.append((key[0], key[1], iso(mine) if mine else "-", iso(theirs) if theirs else "-", words))
    return rows


def _difference(mine: int | None, theirs: int | None) -> str:
    if mine is None:
        return "only there"
    if theirs is None:
        return "only here"
    apart = theirs - mine
    if abs(apart) < SAME_MS:
        return ""
    return f"{span_words(abs(apart))} {'later' if apart > 0 else 'earlier'} there"
