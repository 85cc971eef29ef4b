"""A cellar for the engine alone: settings, readings, entries and ticks in order of time, without store or wires."""

from __future__ import annotations

from collections.abc import Callable

from monitor.alerts.book import Outcome
from monitor.engine.state import State
from monitor.engine.step import due_ticks, step
from monitor.model.clock import HOUR, MINUTE
from monitor.model.events import AlertEvent, AlertName, VerdictEvent
from monitor.model.inputs import ClockStep, Configured, JournalEntry, Reading, Started
from monitor.rules.batch import BatchState
from monitor.settings import parse_settings

PITCHED = 1_772_474_400_000  # 2026-03-02T18:00:00Z

PLAIN = """
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
measures = "liquid"
[[vessel]]
name = "bucket"
volume_l = 19
probes = ["float-a"]
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
expected_final = 1.010
yeast_range_c = [16, 24]
"""


class Cellar:
    """The engine with a clock of its own; `received` rises by a millisecond where nothing else moves it."""

    def __init__(self, configuration: str = PLAIN, at: int = PITCHED) -> None:
        self.state, self.out, self.now = State(), Outcome(), at
        self.pieces: dict[str, bytes] = {}
        self.changed: dict[str, bytes | None] = {}  # by the latest commit
        self.configure(configuration)

    def configure(self, configuration: str) -> None:
        """A configuration is read."""
        settings = parse_settings(configuration).for_rules()
        self.tell(Configured(settings=settings.as_json()))

    def tell(self, entry: JournalEntry) -> None:
        """A journal entry, now; as in the ledger, no tick falls between the last watched moment and a start."""
        if isinstance(entry, Started | ClockStep):
            for tick in due_ticks(self.state, entry.watched_until or 0):
                step(self.state, tick, tick.received_ms, self.out)
            self.now += 1
        else:
            self._now()
        step(self.state, entry.model_copy(update={"received": self.now}), self.now, self.out)

    def say(self, probe: str, at: int | None = None, **values: float) -> list[int]:
        """A probe says values, measured at a time (now); returns the flags."""
        flags = []
        for quantity, value in values.items():
            self._now()
            reading = Reading(probe, quantity, at if at is not None else self.now, value, self.now)
            flags.append(step(self.state, reading, self.now, self.out))
        return flags

    def _now(self) -> None:
        self.wait_until(self.now + 1)

    def wait(self, ms: int) -> None:
        """Let time pass, with its ticks."""
        self.wait_until(self.now + ms)

    def wait_until(self, ms: int) -> None:
        """Up to a time."""
        for tick in due_ticks(self.state, ms):
            step(self.state, tick, tick.received_ms, self.out)
        self.now = ms

    def off(self, ms: int) -> None:
        """Time passes and nobody watches: no ticks."""
        self.now += ms

    def live(
        self,
        probe: str,
        hours: float,
        every: int = 10 * MINUTE,
        **shapes: Callable[[float], float],
    ) -> None:
        """A probe speaks for some hours; shapes are by the hour after pitching."""
        end = self.now + round(hours * HOUR)
        while self.now < end:
            self.wait(every)
            at = (self.now - PITCHED) / HOUR
            self.say(probe, self.now, **{quantity: shape(at) for quantity, shape in shapes.items()})

    def commit(self) -> None:
        """Keep what changed, as a store would."""
        self.changed = self.state.drain()
        for key, value in self.changed.items():
            if value is None:
                self.pieces.pop(key, None)
            else:
                self.pieces[key] = value

    # --- what came of it ---------------------------------------------------------------------------------------

    @property
    def batch(self) -> BatchState:
        """The one batch."""
        (batch,) = self.state.batches.values()
        return batch

    def verdicts(self) -> list[VerdictEvent]:
        """All verdicts."""
        return [event for event in self.out.events if isinstance(event, VerdictEvent)]

    def alerts(self, alert: AlertName, about: str | None = None) -> list[str]:
        """The changes of an alert."""
        return [
            event.change
            for event in self.out.events
            if isinstance(event, AlertEvent) and event.alert == alert and about in (None, event.about)
        ]

    def last(self, alert: AlertName) -> AlertEvent:
        """Its last event."""
        return [e for e in self.out.events if isinstance(e, AlertEvent) and e.alert == alert][-1]

    def standing(self) -> set[str]:
        """The names of the alerts that stand."""
        return {alert.alert for alert in self.state.book.standing.values()}


def wobble(middle: float, by: float, steps: int = 7, every_h: float = 1 / 6) -> Callable[[float], float]:
    """A value that trembles round a middle, so that no probe looks stuck."""

    def shape(hours: float) -> float:
        return round(middle + by * (round(hours / every_h) * 3 % steps - steps // 2), 6)

    return shape


def plus(*shapes: Callable[[float], float]) -> Callable[[float], float]:
    """The sum of shapes."""
    return lambda hours: round(sum(shape(hours) for shape in shapes), 6)
