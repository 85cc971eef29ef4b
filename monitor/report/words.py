"""Times, numbers and sentences for paper: whole dates, because nobody knows when it is read."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.batches.life import Life
from monitor.model.clock import parse_time

NBSP = "\N{NO-BREAK SPACE}"

GLASS = "glass jugs and jars are never rated for pressure: keep an airlock on them, or the lid loose"
ICE = "ice bursts glass: keep glass out of any place that can freeze what is in it"

_VERDICTS = {
    "waiting": "It was pitched, and its gravity has not moved yet",
    "working": "It is at work",
    "slowing": "It is slowing down",
    "finished": "It has finished",
    "stalled": "It has stalled, or is very slow",
    "unknown": "Whether it is done cannot be told from what was read",
}
_STAGES = {"clearing": "It stands to clear", "cold": "It is in the cold", "stored": "It is stored"}


@dataclass(frozen=True, slots=True)
class Site:
    """The site's wall clock."""

    zone: ZoneInfo

    def when(self, ms: int) -> str:
        """`Mon 9 March 2026, 14:05`."""
        then = datetime.fromtimestamp(ms / 1000.0, self.zone)
        return f"{then:%a} {then.day} {then:%B} {then.year}, {then:%H:%M}"

    def day(self, ms: int) -> str:
        """`9 Mar 2026`."""
        then = datetime.fromtimestamp(ms / 1000.0, self.zone)
        return f"{then.day} {then:%b} {then.year}"


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    return text if not text else f"{text[0].upper()}{text[1:]}{'' if text[-1] in '.?!' else '.'}"


def listed(words: list[str]) -> str:
    """`a, b and c`."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def unbroken(text: str) -> str:
    """A number and its unit stay on one line."""
    return text.replace(" ", NBSP)


def headline(life: Life, said: dict[str, Any], site: Site) -> str:
    """What there is to say of a batch when there is time for two sentences."""
    facts = life.facts
    if facts.gravity is None and facts.stage == "fermenting" and not facts.closed:
        return f"It was pitched on {site.when(facts.pitched_ms)}. No gravity was read yet."
    return f"{_fall(life)} {_now(life, said, site)}".strip()


def _fall(life: Life) -> str:
    facts, strength = life.facts, life.strength
    if facts.gravity is None:
        return "No gravity was read yet."
    if strength is None:
        return f"Its gravity was last {facts.gravity:.4f}; {life.no_strength or 'its strength is not known'}."
    if strength.abv < 0.05:
        return f"Its gravity is {facts.gravity:.4f}."
    return (
        f"It fell from {strength.og:.4f} to {strength.gravity:.4f}, which makes {unbroken(f'{strength.abv:.1f} %')} "
        f"alcohol by volume (between {strength.abv_low:.1f} and {strength.abv_high:.1f})."
    )


def _now(life: Life, said: dict[str, Any], site: Site) -> str:
    if life.merged_into is not None and life.closed_ms is not None:
        return f"It was poured into {life.merged_into} on {site.when(life.closed_ms)}."
    if life.facts.closed:
        return f"It is over since {site.when(life.closed_ms)}." if life.closed_ms is not None else "It is over."
    stage = life.facts.stage
    if stage in _STAGES:
        return f"{_STAGES[stage]}, since {site.when(life.stages[-1].from_ms)}."
    told = _VERDICTS[life.facts.verdict or "unknown"]
    sure = said.get("confidence") if said.get("verdict") == life.facts.verdict else None
    words = f"{told} ({sure:.0%} sure)." if sure is not None and life.facts.verdict != "unknown" else f"{told}."
    expected = said.get("finish_expected")
    if life.facts.verdict in ("working", "slowing") and expected:
        span = said.get("finish_range") or [None, None]
        between = (
            f", between {site.when(parse_time(span[0]))} and {site.when(parse_time(span[1]))}" if all(span) else ""
        )
        words += f" It should be done about {site.when(parse_time(expected))}{between}."
    return words
