"""Clocks of washing and the shelf, looked at each minute; and yeast as the state's records have it.

A record only grows, so what was read from it holds for as long as its length and the settings stay the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from weakref import WeakKeyDictionary

from monitor.alerts.book import Outcome
from monitor.batches import lineage, shelf, washing
from monitor.batches.clearing import fined_by
from monitor.batches.lineage import Lineage
from monitor.batches.shelf import Jar
from monitor.batches.washing import Source, Stand, Washing
from monitor.engine.lives import life_of, start_of
from monitor.engine.state import State
from monitor.model.config import YeastPractice
from monitor.model.findings import Finding
from monitor.rules.health import span_words


@dataclass(frozen=True, slots=True)
class _Seen:
    """What a record says, as long as nothing was added to it."""

    length: int
    practice: YeastPractice
    wash: Washing | None = None
    jar: Jar | None = None
    """As it was put up and used; its age is another each minute, and not read from here."""

    def at_work(self) -> bool:
        """Whether time alone can change what is to be said of it."""
        stands = self.wash is not None and self.wash.running is not None
        return stands or (self.jar is not None and not self.jar.gone)


@dataclass(slots=True)
class _Memo:
    """What was read of a state's records, and what of it stands or ages; never kept, always the same again."""

    seen: dict[str, _Seen] = field(default_factory=dict)
    entries: int = -1
    at_work: tuple[str, ...] = ()


_MEMOS: WeakKeyDictionary[State, _Memo] = WeakKeyDictionary()


# --- yeast as the records have it --------------------------------------------------------------------------------


def washing_of(state: State, name: str) -> Washing | None:
    """A wash; None where nothing that counts was told of it."""
    return washing.fold(name, state.records.get(f"wash:{name}", ()), state.settings.practice.yeast)


def washings_of(state: State) -> tuple[Washing, ...]:
    """All washes, in the order in which they were first told of."""
    found = (washing_of(state, key[5:]) for key in state.records if key.startswith("wash:"))
    return tuple(each for each in found if each is not None)


def jar_of(state: State, name: str, now_ms: int) -> Jar | None:
    """A jar; None where nothing that counts says that it was put up."""
    return shelf.one(state.records, name, state.settings.practice.yeast, now_ms)


def shelf_of(state: State, now_ms: int) -> tuple[Jar, ...]:
    """All jars: those that are there first, by age; then those that are gone."""
    return shelf.shelf(state.records, state.settings.practice.yeast, now_ms)


def told_jars(state: State) -> dict[str, tuple[str, ...]]:
    """Jars that each batch was pitched from as it was told, in the configuration or by its start."""
    starts = {name: start_of(state, name) for name in state.batches}
    return {name: tuple(start.jars) for name, start in starts.items() if start is not None}


def lineage_of(state: State, jar: str) -> Lineage:
    """Where a jar comes from, back to its first packets."""
    return lineage.trace(state.records, jar, told_jars(state))


def source_of(state: State, batch: str, at_ms: int) -> Source | None:
    """A batch as a source of yeast at a time; None where there is no such batch."""
    life = life_of(state, batch, at_ms)
    if life is None:
        return None
    parents = lineage.pitched_from(state.records, batch, told_jars(state))
    jars = [jar_of(state, each, at_ms) for each in parents]
    return Source(
        batch=batch,
        fined=fined_by(state.records, batch, at_ms),
        abv=round(life.strength.abv, 2) if life.strength is not None else None,
        stalled="stalled" in (life.facts.rest, life.facts.verdict),
        off_smell=bool(life.off_smells),
        parents=parents,
        generation=washing.generation_after([each.made.generation for each in jars if each is not None]),
    )


# --- the clocks --------------------------------------------------------------------------------------------------


def tick(state: State, now_ms: int, out: Outcome) -> None:
    """Look at what stands: washes under water, and jars; at all of them after an entry, for what it ended."""
    memo = _MEMOS.setdefault(state, _Memo())
    after_entry = memo.entries != state.entries
    if after_entry:
        _read_all(state, memo, now_ms)
        memo.entries = state.entries
    for key in memo.seen if after_entry else memo.at_work:
        kind, _, name = key.partition(":")
        if kind == "wash":
            _stands(state, name, memo.seen[key].wash, now_ms, out)
        elif kind == "jar":
            _ages(state, name, memo.seen[key].jar, now_ms, out)


def _read_all(state: State, memo: _Memo, now_ms: int) -> None:
    practice = state.settings.practice.yeast
    for key, record in state.records.items():
        kind, _, name = key.partition(":")
        if kind == "batch":
            continue
        known = memo.seen.get(key)
        if known is None or known.length != len(record) or known.practice != practice:
            memo.seen[key] = _read(state, kind, name, now_ms)
    memo.at_work = tuple(key for key, seen in memo.seen.items() if seen.at_work())


def _read(state: State, kind: str, name: str, now_ms: int) -> _Seen:
    length, practice = len(state.records[f"{kind}:{name}"]), state.settings.practice.yeast
    if kind == "wash":
        return _Seen(length, practice, wash=washing_of(state, name))
    return _Seen(length, practice, jar=jar_of(state, name, now_ms))


def _say(state: State, finding: Finding, since_ms: int, now_ms: int, out: Outcome) -> None:
    """Say a finding about something that began at a time: what was said or ticked before was about another thing."""
    key = f"{finding.alert}/{finding.about}"
    standing = state.book.standing.get(key)
    before = standing.raised_ms if standing is not None else state.book.done.get(key, since_ms)
    if before < since_ms:
        if standing is not None:
            standing.told = 0  # the new word follows at once; nobody needs to be told that the old one is over
        state.book.over(finding.alert, finding.about, "Another word follows.", now_ms, out)
    state.book.note(finding, now_ms, out)


def _stands(state: State, name: str, wash: Washing | None, now_ms: int, out: Outcome) -> None:
    running = wash.running if wash is not None else None
    if running is None:
        state.book.over("yeast-stand-done", f"jar:{name}", f"Nothing stands in wash {name} any more.", now_ms, out)
    elif now_ms < running.due_ms:
        state.book.over("yeast-stand-done", f"jar:{name}", f"Wash {name} stands anew.", now_ms, out)
    else:
        _say(state, _stood(name, running, now_ms), running.told_ms, now_ms, out)


def _stood(name: str, stand: Stand, now_ms: int) -> Finding:
    long = stand.stand == "long"
    what = "if its top is clear, pour the water off" if long else "pour the cloudy part on"
    falls = washing.physics(stand) if long else ""
    return Finding(
        "yeast-stand-done",
        f"jar:{name}",
        active=True,
        message=f"Wash {name} has stood {span_words(now_ms - stand.from_ms)}: {what}.",
        because=(
            f"practice lets it stand {span_words(stand.due_ms - stand.from_ms)} at least",
            *([falls] if falls else []),
        ),
        do=(washing.pour_how(stand), f"then say so: leeswatch yeast pour {name}"),
        seen_ms=stand.from_ms,
    )


def _ages(state: State, name: str, jar: Jar | None, now_ms: int, out: Outcome) -> None:
    about = f"jar:{name}"
    if jar is None or jar.gone:
        state.book.over("yeast-old", about, f"Jar {name} is not on the shelf any more.", now_ms, out)
        return
    if jar.discard_ms is not None and now_ms >= jar.discard_ms:
        _say(state, _old(jar, now_ms, discard=True), jar.discard_ms, now_ms, out)
    elif jar.best_ms is not None and now_ms >= jar.best_ms:
        _say(state, _old(jar, now_ms, discard=False), jar.best_ms, now_ms, out)
    else:
        state.book.over("yeast-old", about, f"Jar {name} is not old.", now_ms, out)


def _old(jar: Jar, now_ms: int, *, discard: bool) -> Finding:
    name, packet = jar.name, jar.made.origin == "packet"
    if discard:
        words = f"Jar {name} ({jar.made.strain}) has been kept too long: throw it out."
        do = (f"then say so: leeswatch yeast discard {name} --why old",)
    elif packet:
        words = f"Packet {name} ({jar.made.strain}) is past its date: wake it in a starter, or take a fresh one."
        do = (f"leeswatch yeast starter {name} notes a starter of it, leeswatch yeast discard {name} that it is gone",)
    else:
        words = f"Jar {name} ({jar.made.strain}) is past its best: pitch it soon, through a starter, or wash afresh."
        do = (f"leeswatch yeast starter {name} notes a starter of it",)
    age = "its packet's date has passed" if packet else f"it was put up {span_words(now_ms - jar.made.at)} ago"
    return Finding("yeast-old", f"jar:{name}", active=True, message=words, because=(age,), do=do, seen_ms=jar.made.at)
