"""What a run told: changes of verdicts, alerts from their raise to their return, and the gravity it saw meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.model.clock import iso
from monitor.model.events import AlertEvent, Event, VerdictEvent


class Seen(NamedTuple):
    """The gravity of a batch as the run judged it (SG), and the upper end of its 90 % range."""

    at_ms: int
    gravity: float
    at_most: float


@dataclass(frozen=True, slots=True)
class Said:
    """A batch was given another verdict."""

    at_ms: int
    verdict: str


@dataclass(slots=True)
class Episode:
    """One alert from its raise to its return (None: it still stood at the end)."""

    raised_ms: int
    returned_ms: int | None = None
    reminders: int = 0


@dataclass(slots=True)
class Told:
    """Takes the events of a run one by one, in order."""

    count: int = 0
    lines: list[str] = field(default_factory=list)
    verdicts: dict[str, list[Said]] = field(default_factory=dict)  # by batch
    gravity: dict[str, list[Seen]] = field(default_factory=dict)  # by batch, at most six hours apart
    alerts: dict[tuple[str, str], list[Episode]] = field(default_factory=dict)  # by (about, alert)
    doubts: dict[str, list[int]] = field(default_factory=dict)  # by batch: when a probe it is judged by was suspected
    _open: dict[str, Episode] = field(default_factory=dict)
    _judged_by: dict[str, set[str]] = field(default_factory=dict)  # probe: batches

    def take(self, event: Event) -> None:
        """Note one event."""
        self.count += 1
        if isinstance(event, VerdictEvent):
            self._verdict(event)
        else:
            self._alert(event)

    def _verdict(self, event: VerdictEvent) -> None:
        if event.gravity is not None:
            at_most = event.gravity_range[1] if event.gravity_range is not None else event.gravity
            self.gravity.setdefault(event.batch, []).append(Seen(event.time_ms, event.gravity, at_most))
        for probe in event.used:
            self._judged_by.setdefault(probe, set()).add(event.batch)
        said = self.verdicts.setdefault(event.batch, [])
        if said and said[-1].verdict == event.verdict:
            return
        said.append(Said(event.time_ms, event.verdict))
        sure = f", {event.confidence:.0%} sure" if event.confidence is not None else ""
        why = f": {event.because[0]}" if event.because else ""
        self.lines.append(f"{iso(event.time_ms)}  {event.batch} {event.verdict}{sure}{why}")

    def _alert(self, event: AlertEvent) -> None:
        if event.change == "raised":
            episode = self._open[event.id] = Episode(event.time_ms)
            self.alerts.setdefault((event.about, event.alert), []).append(episode)
            if event.alert == "probe-suspect":
                for batch in self._judged_by.get(event.about.partition(":")[2], ()):
                    self.doubts.setdefault(batch, []).append(event.time_ms)
        elif event.id in self._open:
            if event.change == "returned":
                self._open.pop(event.id).returned_ms = event.time_ms
            elif event.change == "reminded":
                self._open[event.id].reminders += 1
        if event.change in ("raised", "returned"):
            self.lines.append(f"{iso(event.time_ms)}  {event.alert} {event.change}: {event.message}")

    def story(self) -> Iterator[str]:
        """Changes of verdict and alerts, a line each."""
        yield from self.lines
