"""Times, numbers and sentences as a person reads them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.model.clock import DAY, MINUTE, ms_of, parse_time
from monitor.model.config import Probe
from monitor.rules.advice import CO2_CAUTION, SEAL_CAUTION
from monitor.rules.health import span_words

MORNING_HOUR = 8
GLASS_ICE = "ice bursts glass: keep glass out of any place that can freeze what is in it"
GLASS_PRESSURE = "a glass jug or jar is never rated for pressure: keep an airlock on it, or its lid loose"


@dataclass(frozen=True, slots=True)
class Local:
    """The site's wall clock."""

    zone: ZoneInfo
    now_ms: int

    def moment(self, ms: int) -> datetime:
        """A time on that clock."""
        return datetime.fromtimestamp(ms / 1000.0, self.zone)

    def when(self, told: int | str | None) -> str:
        """`14:05`, `yesterday 14:05`, or `Mon 9 March, 14:05`; a dash for what is not known."""
        if told is None:
            return "–"
        then = self.moment(parse_time(told) if isinstance(told, str) else told)
        now = self.moment(self.now_ms)
        days = (then.date() - now.date()).days
        if days in (-1, 0, 1):
            return f"{('yesterday ', 'today ', 'tomorrow ')[days + 1]}{then:%H:%M}"
        year = f" {then.year}" if then.year != now.year else ""
        return f"{then:%a} {then.day} {then:%B}{year}, {then:%H:%M}"

    def ago(self, told: int | str | None) -> str:
        """How long since, `12 min ago`."""
        if told is None:
            return "never"
        gone = self.now_ms - (parse_time(told) if isinstance(told, str) else told)
        return "just now" if gone < MINUTE else f"{span_words(gone)} ago"

    def name(self) -> str:
        """The zone, as in `Europe/Lisbon (WET, UTC+00:00)`."""
        now = self.moment(self.now_ms)
        offset = now.strftime("%z")
        short = now.tzname() or ""
        extra = f"UTC{offset[:3]}:{offset[3:]}"
        key = self.zone.key
        if key == "UTC":
            return "UTC"
        return f"{key} ({extra})" if short.startswith(("+", "-")) else f"{key} ({short}, {extra})"

    def tomorrow_morning(self) -> int:
        """Tomorrow at eight, UTC ms."""
        day = self.moment(self.now_ms).date() + timedelta(days=1)
        return ms_of(datetime(day.year, day.month, day.day, MORNING_HOUR, tzinfo=self.zone))


def sg(value: float | None) -> str:
    """A gravity as people write it."""
    return "–" if value is None else f"{value:.4f}"


def sg_range(span: list[float] | None, digits: int = 4) -> str:
    """`1.0114 to 1.0128`."""
    return "" if span is None else f"{span[0]:.{digits}f} to {span[1]:.{digits}f}"


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    return text if not text else f"{text[0].upper()}{text[1:]}{'' if text[-1] in '.?!' else '.'}"


# --- a batch in words ----------------------------------------------------------------------------------------------

_STAGES = {
    "clearing": ("Clearing", "Leave it still; what falls out keeps falling."),
    "cold": ("In the cold", "Keep it at its temperature; look at the fridge below for its margin to freezing."),
    "stored": ("Stored", "Nothing to do but to keep it cool and dark."),
}
_NEXT = {
    "waiting": ("leave the lid on: a start shows as foam or bubbles, then as falling gravity",),
    "working": ("nothing to do but to leave it alone", CO2_CAUTION),
    "slowing": ("nothing to do yet: every look inside lets air in", CO2_CAUTION),
    "finished": ("rack it off the lees when it suits you", SEAL_CAUTION, CO2_CAUTION),
    "stalled": ("check its temperature first, then stir the yeast up gently", "do not seal it: it may start again"),
    "unknown": ("take a hydrometer reading, and enter it below",),
}


@dataclass(frozen=True, slots=True)
class Told:
    """What a card says of a batch: a headline, how sure that is, why, and what next."""

    state: str  # for the mark beside it: a verdict or a stage
    headline: str
    sure: str
    because: tuple[str, ...]
    next: tuple[str, ...]
    hint: str = ""
    judged: str = ""  # when the verdict was last said


def tell(batch: dict[str, Any], told: dict[str, Any], local: Local, probes: Sequence[Probe] = ()) -> Told:
    """A batch of the picture `told` in words; `probes` as configured, for where they are waited for."""
    if batch["closed"]:
        return Told("closed", "Over", "", (), ())
    if batch["stage"] in _STAGES:
        words, leave = _STAGES[batch["stage"]]
        return Told(batch["stage"], words, "", (), (leave,))
    said = batch["judgement"] or {}
    verdict = batch["verdict"] or "unknown"
    fitting = said if said.get("verdict") == verdict else {}
    because = fitting.get("because", ()) if said else _waits(batch, told, probes)
    about = [alert for alert in told["alerts"] if alert["about"] == f"batch:{batch['name']}"]
    asked = [each for alert in about if alert["alert"].startswith("ferment-") for each in alert["do"]]
    return Told(
        state=verdict,
        headline=_headline(verdict, batch, fitting, unread=not said and _unread(batch, told)),
        sure=_sure(fitting.get("confidence")),
        because=tuple(sentence(each) for each in because),
        next=tuple(dict.fromkeys(sentence(each) for each in (asked or _NEXT[verdict]))),
        hint=_HINTS.get(batch["hint"] or "", ""),
        judged=local.when(fitting["time"]) if fitting else "",
    )


_HINTS = {
    "finished-soon": "A first sign that it is nearly done. This is a hint, not a verdict.",
    "stall-likely": "A first sign that it may be stalling. This is a hint, not a verdict.",
}


def _sure(confidence: float | None) -> str:
    return "" if confidence is None else f"{confidence:.0%} sure".replace("%", " %")


def _headline(verdict: str, batch: dict[str, Any], said: dict[str, Any], *, unread: bool) -> str:
    gravity = batch["gravity"]
    age = round(batch["age_hours"] * 60) * MINUTE
    if verdict == "waiting":
        return f"Waiting for it to start, {span_words(age)} after pitching" if age > 0 else "Not pitched yet"
    if verdict == "finished":
        return f"Finished at {sg(gravity)}"
    if verdict == "stalled":
        final = said.get("final_expected")
        over = f", {gravity - final:.3f} above where it should end" if gravity and final else ""
        return f"Stalled, or very slow, at {sg(gravity)}{over}"
    if verdict == "unknown":
        nothing = "Nothing that could be read yet" if unread else "Nothing heard yet"
        return "Cannot tell just now" if batch["judgement"] else nothing
    rate = said.get("rate_per_day")
    pace = f", falling {-rate:.4f} a day" if rate is not None and rate < -0.0002 else ""
    return f"{'Working' if verdict == 'working' else 'Slowing down'}{pace}"


def _waits(batch: dict[str, Any], told: dict[str, Any], probes: Sequence[Probe]) -> tuple[str, ...]:
    """Why there is nothing to say of a batch yet."""
    place = f"vessel:{batch['vessel']}"
    here = [each for each in told["probes"] if each["place"] == place and not each["by_hand"]]
    if not here:
        return ("no probe sits in its vessel, so it lives on hydrometer readings",)
    return tuple(
        f"probe {each['name']} was {each['why']}"
        if each["unreadable"]
        else f"probe {each['name']} was not heard yet{waits and f': {waits}'}"
        for each in here
        if (waits := waits_for(each, probes)) or not each["heard"] or each["unreadable"]
    ) or ("too little was heard of it yet",)


def _unread(batch: dict[str, Any], told: dict[str, Any]) -> bool:
    """Whether a probe in its vessel speaks, and nothing it says could be read."""
    place = f"vessel:{batch['vessel']}"
    return any(each["place"] == place and each["unreadable"] for each in told["probes"])


def waits_for(probe: dict[str, Any], probes: Sequence[Probe]) -> str:
    """What a probe that was never heard is waited for on; empty once it was heard."""
    told = next((each for each in probes if each.name == probe["name"]), None)
    if probe["heard"] or told is None:
        return ""
    return {
        "mqtt": f"waiting for topic {told.topic}",
        "serial": f"waiting for port {told.port}",
        "onewire": f"waiting for device {told.device}",
    }.get(told.source, "waiting for a first reading")


def finish(said: dict[str, Any] | None, local: Local) -> tuple[str, str] | None:
    """When it should be done and between when, where the verdict says so and that is worth saying."""
    if not said or not said.get("finish_expected") or not said.get("finish_range"):
        return None
    first, last = (parse_time(each) for each in said["finish_range"])
    if last <= local.now_ms or last - first > 45 * DAY:
        return None
    expected = parse_time(said["finish_expected"])
    about = local.when(expected) if expected > local.now_ms else "any time now"
    soonest = local.when(first) if first > local.now_ms else "now"
    return about, f"between {soonest} and {local.when(last)}"
