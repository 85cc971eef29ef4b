"""What the engine is given, one by one, in the writer's order: readings, ticks, and journal entries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field, TypeAdapter

from monitor.model.deeds import DeedEntry, Undone
from monitor.model.entry import Entry, Ms


class Reading(NamedTuple):
    """One value of one quantity from one probe, in the quantity's canonical unit."""

    probe: str
    quantity: str
    measured_ms: int
    value: float
    received_ms: int


class Tick(NamedTuple):
    """A whole UTC minute of event time."""

    received_ms: int


# --- what a source hands over, before it is a reading ------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sample:
    """One value that a probe said, already in the canonical unit.

    `time_ms` is the probe's own time. None: it has none, and is stamped at receipt plus `offset_ms`
    (SenML's relative times are such offsets).
    """

    quantity: str
    value: float
    time_ms: int | None = None
    offset_ms: int = 0


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Something a source could not read: what it was, and why."""

    source: str
    origin: str  # topic, port or device
    reason: str
    content: bytes


@dataclass(frozen=True, slots=True)
class Identity:
    """Tells a redelivered message without a time of its own from a new, equal one."""

    session: str  # one broker session: a new one when the broker forgot ours
    connection: str  # one connection inside it
    packet: int
    digest: str


@dataclass(frozen=True, slots=True)
class Message:
    """One message, line or typed entry as a source read it; `receipt` is called once it is committed."""

    source: str
    probe: str | None
    arrived_ms: int
    arrived_mono_ms: int
    samples: tuple[Sample, ...] = ()
    unreadable: tuple[Unreadable, ...] = ()
    identity: Identity | None = None
    retained: bool = False
    online: bool | None = None  # a probe's own word that it comes or goes
    receipt: Callable[[], None] | None = field(default=None, compare=False)


# --- the journal -------------------------------------------------------------------------------------------------


class Started(Entry):
    """The daemon (or a command in its place) started; from `watched_until` to now no tick falls: nobody watched."""

    kind: Literal["started"] = "started"
    version: str
    by: Literal["daemon", "command"] = "daemon"
    watched_until: Ms | None


class Stopped(Entry):
    """The daemon stopped in good order."""

    kind: Literal["stopped"] = "stopped"


class Exported(Entry):
    """The store was exported: replay ends here."""

    kind: Literal["exported"] = "exported"


class ClockStep(Entry):
    """The wall clock was set by `by_ms`; as after an outage, the span since `watched_until` was not watched."""

    kind: Literal["clock-step"] = "clock-step"
    watched_until: Ms
    by_ms: int


class Configured(Entry):
    """The part of the configuration that the rules see, as JSON."""

    kind: Literal["configuration"] = "configuration"
    settings: dict[str, Any]


class BatchStarted(Entry):
    """A batch was pitched; `batch` holds the same keys as a `[[batch]]` of the configuration."""

    kind: Literal["batch"] = "batch"
    batch: dict[str, Any]


class BatchClosed(Entry):
    """A batch is over: its record stays, its rules rest."""

    kind: Literal["batch-closed"] = "batch-closed"
    batch: str
    at: Ms | None = None  # when it was; None: when it was received


class StageChanged(Entry):
    """A batch goes to another stage."""

    kind: Literal["stage"] = "stage"
    batch: str
    stage: Literal["fermenting", "clearing", "cold", "stored"]
    at: Ms | None = None  # when it went there; None: when it was received


class ProbeMoved(Entry):
    """A probe sits elsewhere from `at` on; `to` is a place such as `vessel:bucket-a`, or None for out."""

    kind: Literal["move"] = "move"
    probe: str
    to: str | None
    at: Ms


class ContentsChanged(Entry):
    """What stands in a fridge from now on (vessel names)."""

    kind: Literal["contents"] = "contents"
    fridge: str
    contents: list[str]


class Added(Entry):
    """Something went into a batch; the gravity it had just after is known or left to the readings."""

    kind: Literal["addition"] = "addition"
    batch: str
    what: str
    at: Ms
    gravity_rise: float | None = None
    # What it was, where the person said so; the rise follows from it and from the volume then.
    amount: float | None = Field(default=None, gt=0)
    unit: Literal["kg", "g", "L", "mL"] | None = None
    sugar: str | None = None  # the fermentable's name
    volume_l: float | None = Field(default=None, gt=0)  # of the batch just after


class Acknowledged(Entry):
    """A person has seen an alert."""

    kind: Literal["acknowledged"] = "acknowledged"
    id: str
    by: str = ""


class Shelved(Entry):
    """A person set an alert aside until a time."""

    kind: Literal["shelved"] = "shelved"
    id: str
    until: Ms
    by: str = ""


class ProbeStatus(Entry):
    """A probe, or the broker for it, said that it is online or offline."""

    kind: Literal["probe-status"] = "probe-status"
    probe: str
    online: bool


class HandReading(Entry):
    """What a person typed, as typed: the readings of `hand:<vessel>` follow from it."""

    kind: Literal["hand-reading"] = "hand-reading"
    vessel: str
    hydrometer: float
    temperature: float | None
    calibrated: float
    at: Ms


class ReadingUndone(Entry):
    """A hand reading was a mistake: rules pass it over."""

    kind: Literal["reading-undone"] = "reading-undone"
    vessel: str
    at: Ms


class ForcedFinal(Entry):
    """Where a small sample, kept warm until it stopped, ended: what the scale showed; None takes it back."""

    kind: Literal["forced-final"] = "forced-final"
    batch: str
    hydrometer: float | None
    temperature: float | None = None
    calibrated: float = 20.0
    at: Ms


class Ticked(Entry):
    """A person marks a notice as done, so that it returns to normal."""

    kind: Literal["ticked"] = "ticked"
    id: str


class Trouble(Entry):
    """The watcher's own trouble came or went: the clock is not set, the store could not be written."""

    kind: Literal["trouble"] = "trouble"
    alert: Literal["clock-unsure", "store-trouble", "relay-behind"]
    active: bool
    detail: str


JournalEntry = (
    Started | Stopped | Exported | ClockStep | Configured | BatchStarted | BatchClosed | StageChanged | ProbeMoved
    | ContentsChanged | Added | Acknowledged | Shelved | ProbeStatus | HandReading | ReadingUndone
    | ForcedFinal | Ticked | Trouble | DeedEntry | Undone
)  # fmt: skip

JOURNAL: TypeAdapter[JournalEntry] = TypeAdapter(Annotated[JournalEntry, Field(discriminator="kind")])

Input = Reading | Tick | JournalEntry
