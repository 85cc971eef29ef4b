"""What a site says of itself in one retained message, `leeswatch/summary`: its form, written there and read afar.

It is bounded: where a broker takes no packet over 64 KiB it must still go through, so what is least urgent is left out
first, and how much was left out is said. Whoever reads it leaves out what a later version may have added.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from monitor import __version__
from monitor.intake.values import shown
from monitor.model.clock import parse_time
from monitor.model.config import Probe
from monitor.model.errors import PayloadError
from monitor.web.words import Local, sentence, tell

SUMMARY_TOPIC = "leeswatch/summary"
FORM = 1  # raised when a reader of the former form would be led astray
MOST_BYTES = 48 * 1024
NAME, SENTENCE = 120, 280  # characters at most
RANK = {"high": 0, "medium": 1, "low": 2}


class Part(BaseModel):
    """Base of all parts: what is not known is passed over, what is known must be of its kind."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True, allow_inf_nan=False)


class SaidOfBatch(Part):
    """An open batch: its verdict (null when it does not ferment), the probability of it, and the page's sentence."""

    batch: str
    stage: str
    verdict: str | None = None
    confidence: Annotated[float, Field(ge=0.0, le=1.0)] | None = None
    sentence: str


class Standing(Part):
    """An alert that stands; `state` is unacknowledged, acknowledged or shelved."""

    alert: str
    about: str
    priority: str
    state: str
    since: str
    message: str


class Probes(Part):
    """How many probes there are, how many fell silent, and how many were never heard."""

    all: int = 0
    silent: int = 0
    never_heard: int = 0


class LeftOut(Part):
    """How many had no room in the message."""

    batches: int = 0
    alerts: int = 0


class Summary(Part):
    """A site at one moment of its own clock."""

    form: int = FORM
    site: str
    time: str
    version: str
    verdicts: dict[str, int] = {}
    """Open batches by verdict, those that do not ferment by stage."""
    batches: tuple[SaidOfBatch, ...] = ()
    alerts: tuple[Standing, ...] = ()
    probes: Probes = Probes()
    left_out: LeftOut = LeftOut()

    @property
    def time_ms(self) -> int:
        """`time` as UTC milliseconds."""
        return parse_time(self.time)


def summarise(told: dict[str, Any], local: Local, probes: Sequence[Probe] = ()) -> Summary:
    """The summary of a picture of what stands (as the page sees it), the most urgent first."""
    open_batches = [batch for batch in told["batches"] if not batch["closed"]]
    urgency: dict[str, int] = {}
    for alert in told["alerts"]:
        urgency[alert["about"]] = min(urgency.get(alert["about"], 9), RANK[alert["priority"]])
    open_batches.sort(key=lambda batch: urgency.get(f"batch:{batch['name']}", 9))
    heard = [probe for probe in told["probes"] if not probe["by_hand"]]
    return Summary(
        site=_cut(told["site"]["name"], NAME),
        time=told["time"],
        version=__version__,
        verdicts=dict(Counter(_verdict(batch) or batch["stage"] for batch in open_batches)),
        batches=tuple(_said(batch, told, local, probes) for batch in open_batches),
        alerts=tuple(_standing(alert) for alert in told["alerts"]),
        probes=Probes(
            all=len(heard),
            silent=sum(probe["silent"] for probe in heard),
            never_heard=sum(not probe["heard"] for probe in heard),
        ),
    )


def _verdict(batch: dict[str, Any]) -> str | None:
    return (batch["verdict"] or "unknown") if batch["stage"] == "fermenting" else None


def _said(batch: dict[str, Any], told: dict[str, Any], local: Local, probes: Sequence[Probe]) -> SaidOfBatch:
    verdict, said = _verdict(batch), batch["judgement"] or {}
    return SaidOfBatch(
        batch=batch["name"],
        stage=batch["stage"],
        verdict=verdict,
        confidence=said["confidence"] if verdict is not None and said.get("verdict") == verdict else None,
        sentence=_cut(sentence(tell(batch, told, local, probes).headline), SENTENCE),
    )


def _standing(alert: dict[str, Any]) -> Standing:
    return Standing(
        alert=alert["alert"], about=_cut(alert["about"], NAME), priority=alert["priority"], state=alert["state"],
        since=alert["since"], message=_cut(alert["message"], SENTENCE),
    )  # fmt: skip


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[: most - 1]}…"


# --- as bytes ------------------------------------------------------------------------------------------------------


def encode(summary: Summary, most: int = MOST_BYTES) -> bytes:
    """As JSON of at most so many bytes. Alerts may take half of it, batches what is left."""
    whole = _bytes(summary)
    if len(whole) <= most:
        return whole
    none_left = {"alerts": len(summary.alerts), "batches": len(summary.batches)}
    bare = summary.model_copy(update={"alerts": (), "batches": (), "left_out": LeftOut(**none_left)})
    room = most - len(_bytes(bare))
    alerts, taken = _fitting(summary.alerts, room // 2)
    batches, _ = _fitting(summary.batches, room - taken)
    left = LeftOut(alerts=len(summary.alerts) - len(alerts), batches=len(summary.batches) - len(batches))
    return _bytes(summary.model_copy(update={"alerts": alerts, "batches": batches, "left_out": left}))


P = TypeVar("P", bound=Part)


def _fitting(parts: tuple[P, ...], room: int) -> tuple[tuple[P, ...], int]:
    """As many of the first as have room, and what they take."""
    taken = 0
    for number, part in enumerate(parts):
        size = len(_bytes(part)) + 1
        if taken + size > room:
            return parts[:number], taken
        taken += size
    return parts, taken


def _bytes(part: Part) -> bytes:
    return part.model_dump_json().encode()


def decode(payload: bytes) -> Summary:
    """What a site said; PayloadError where it cannot be read, with the reason in printable characters."""
    try:
        summary = Summary.model_validate_json(payload)
        _ = summary.time_ms
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(step) for step in first["loc"]) or "as a whole"
        raise PayloadError(f"{shown(where)}: {first['msg']}") from error
    except ValueError as error:
        raise PayloadError(f"time: {shown(summary.time)} is no time with an offset") from error
    if summary.form != FORM:
        raise PayloadError(f"it is of form {summary.form}, of a later version than this program's", "update it here")
    return summary
