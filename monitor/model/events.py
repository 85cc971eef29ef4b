"""What the engine says: verdicts, alerts, and the notices that go out to people."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Literal, get_args

from monitor.model.clock import iso

VerdictName = Literal["waiting", "working", "slowing", "finished", "stalled", "unknown"]
Priority = Literal["low", "medium", "high"]
Change = Literal["raised", "returned", "acknowledged", "shelved", "reminded"]
Hint = Literal["finished-soon", "stall-likely"]
AlertName = Literal[
    "ferment-not-started", "ferment-stalled", "ferment-finished", "ferment-too-warm", "ferment-too-cold",
    "fridge-drift", "fridge-door", "fridge-compressor", "freeze-risk", "cold-hold-done", "clearing-due",
    "clearing-slow", "yeast-stand-done", "yeast-old", "seal-unsafe", "reading-due", "probe-silent", "probe-stuck",
    "probe-suspect", "probe-battery", "clock-unsure", "store-trouble", "relay-behind", "was-away",
]  # fmt: skip

_HIGH = ("freeze-risk", "fridge-compressor", "fridge-door", "seal-unsafe", "store-trouble")
_MEDIUM = (
    "ferment-stalled", "ferment-not-started", "ferment-too-warm", "ferment-too-cold", "fridge-drift",
    "probe-silent", "probe-stuck", "clearing-due",
)  # fmt: skip

# Notices return when ticked, when the stage changes or when the verdict leaves; all other alerts return on a reading.
NOTICES = frozenset(
    (
        "ferment-finished",
        "cold-hold-done",
        "clearing-due",
        "yeast-stand-done",
        "yeast-old",
        "reading-due",
        "was-away",
    )
)
# Events that tell of the watcher itself: replay, which has neither broker nor disk trouble, need not repeat them.
OF_THE_WATCHER = frozenset(("clock-unsure", "store-trouble", "relay-behind", "was-away"))


def priority_of(alert: AlertName) -> Priority:
    """How urgent an alert is: only high breaks quiet hours."""
    if alert in _HIGH:
        return "high"
    return "medium" if alert in _MEDIUM else "low"


PRIORITIES: dict[str, Priority] = {name: priority_of(name) for name in get_args(AlertName)}

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Cause:
    """A likely cause and its share of the weight, 0 to 1."""

    cause: str
    weight: float


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _span(span: Range | None, digits: int) -> list[float] | None:
    return None if span is None else [round(span[0], digits), round(span[1], digits)]


@dataclass(frozen=True, slots=True)
class VerdictEvent:
    """What a fermenting batch is doing. Ranges are 90 %; gravities SG 20/20, rates SG per day, times UTC ms."""

    time_ms: int
    batch: str
    verdict: VerdictName
    confidence: float | None
    because: tuple[str, ...]
    used: tuple[str, ...] = ()
    gravity: float | None = None
    gravity_range: Range | None = None
    rate_per_day: float | None = None
    rate_range: Range | None = None
    remaining_range: Range | None = None
    final_expected: float | None = None
    final_range: Range | None = None
    finish_expected_ms: int | None = None
    finish_range_ms: tuple[int, int] | None = None
    hint: Hint | None = None
    causes: tuple[Cause, ...] = ()
    seen_ms: int | None = None

    def record(self) -> dict[str, Any]:
        """The event as JSON says it."""
        finish = self.finish_range_ms
        return {
            "time": iso(self.time_ms),
            "event": "verdict",
            "batch": self.batch,
            "verdict": self.verdict,
            "gravity": _rounded(self.gravity, 5),
            "gravity_range": _span(self.gravity_range, 5),
            "rate_per_day": _rounded(self.rate_per_day, 6),
            "rate_range": _span(self.rate_range, 6),
            "remaining_range": _span(self.remaining_range, 5),
            "final_expected": _rounded(self.final_expected, 5),
            "final_range": _span(self.final_range, 5),
            "finish_expected": None if self.finish_expected_ms is None else iso(self.finish_expected_ms),
            "finish_range": None if finish is None else [iso(finish[0]), iso(finish[1])],
            "hint": self.hint,
            "confidence": _rounded(self.confidence, 3),
            "causes": [{"cause": each.cause, "weight": round(each.weight, 2)} for each in self.causes],
            "used": list(self.used),
            "because": list(self.because),
            "seen": None if self.seen_ms is None else iso(self.seen_ms),
        }


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """A change of an alert's state. `about` is `kind:name`; `id` ties a raise to all that follows it."""

    time_ms: int
    id: str
    alert: AlertName
    change: Change
    about: str
    message: str
    because: tuple[str, ...] = ()
    do: tuple[str, ...] = ()
    causes: tuple[Cause, ...] = ()
    seen_ms: int | None = None

    @property
    def priority(self) -> Priority:
        """How urgent it is."""
        return PRIORITIES[self.alert]

    def record(self) -> dict[str, Any]:
        """The event as JSON says it."""
        return {
            "time": iso(self.time_ms),
            "event": "alert",
            "id": self.id,
            "alert": self.alert,
            "change": self.change,
            "priority": self.priority,
            "about": self.about,
            "message": self.message,
            "causes": [{"cause": each.cause, "weight": round(each.weight, 2)} for each in self.causes],
            "because": list(self.because),
            "do": list(self.do),
            "seen": None if self.seen_ms is None else iso(self.seen_ms),
        }


Event = VerdictEvent | AlertEvent


def as_line(record: dict[str, Any]) -> str:
    """One event as one line of JSON."""
    return json.dumps(record, ensure_ascii=False, separators=(",", ":"))


@dataclass(frozen=True, slots=True)
class Notice:
    """A decision to tell people: committed with the event that caused it, delivered at least once.

    `reason` is why it goes out now: first, returned, reminder.
    """

    time_ms: int
    alert_id: str
    alert: AlertName | Literal["digest"]
    about: str
    priority: Priority
    reason: Literal["first", "returned", "reminder"]
    title: str
    body: str
    seen_ms: int | None
