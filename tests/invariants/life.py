"""Twelve days in a cellar where everything happens that may: what the writer is given, with kills, outages and people.

The wire keeps what was not acknowledged and sends it again, as a broker does. All chance comes from one seed.
"""

import math
from dataclasses import dataclass, field
from random import Random

from monitor.batches.record import latest
from monitor.model.clock import DAY, HOUR, MINUTE, SECOND
from monitor.model.deeds import Merged, Racked, Split, Undone
from monitor.model.inputs import (
    Acknowledged,
    Added,
    BatchClosed,
    BatchStarted,
    ContentsChanged,
    HandReading,
    Identity,
    JournalEntry,
    Message,
    ProbeMoved,
    ReadingUndone,
    Sample,
    Shelved,
    StageChanged,
    Ticked,
)

from .helpers import NOW, SETTINGS, Cellar

DAYS = 12


class Trust:
    """Believes the clock unless told otherwise."""

    def __init__(self) -> None:
        self.believes = True

    def trusted(self, wall_ms: int, floor_ms: int) -> bool:
        return self.believes


@dataclass
class Spoken:
    """One message on the wire."""

    probe: str
    values: dict[str, float]
    at: int | None
    packet: int
    done: bool = False


@dataclass
class Wire:
    """A broker: it numbers messages, and sends again on each new connection what was not acknowledged.

    One acknowledgement in fifty gets lost, as when the daemon is killed between its commit and the acknowledgement.
    """

    cellar: Cellar
    chance: Random
    waiting: list[Spoken] = field(default_factory=list)
    packets: int = 0
    connections: int = 0
    redelivered: int = 0

    def send(self, probe: str, values: dict[str, float], at: int | None = None) -> None:
        self.packets = self.packets % 65_535 + 1
        spoken = Spoken(probe, values, at, self.packets)
        self.waiting.append(spoken)
        if self.cellar.running:
            self._deliver(spoken)

    def connect(self) -> None:
        self.connections += 1
        self.waiting = [spoken for spoken in self.waiting if not spoken.done]
        self.redelivered += len(self.waiting)
        for spoken in self.waiting:
            self._deliver(spoken)

    def _deliver(self, spoken: Spoken) -> None:
        clock, connection = self.cellar.clock, self.connections

        lost = self.chance.random() < 0.02

        def receipt() -> None:
            spoken.done = spoken.done or (connection == self.connections and not lost)

        identity = Identity("session", f"connection {connection}", spoken.packet, f"{spoken.probe}{spoken.values}")
        samples = tuple(Sample(quantity, value, spoken.at) for quantity, value in spoken.values.items())
        self.cellar.writer.submit(
            Message("mqtt", spoken.probe, clock.wall_ms(), clock.mono_ms(), samples, identity=identity, receipt=receipt)
        )


class Life:
    """Runs it on a cellar; what happened is counted, so that a test can see that it did."""

    def __init__(self, cellar: Cellar, seed: int) -> None:
        self.cellar = cellar
        self.chance = Random(seed)
        self.trust = Trust()
        self.wire = Wire(cellar, self.chance)
        self.now = NOW  # as the world has it; the cellar's clock may be wrong
        self.backlog: list[tuple[int, dict[str, float]]] = []
        self.happened: dict[str, int] = {}
        self.due = {
            name: NOW + offset
            for name, offset in (("float-a", 0), ("float-b", 0), ("fridge-air", 0), ("cellar-air", 0))
        }
        self._away_hours = self.chance.randrange(24, 71)
        self.acts = self._plan()

    def run(self) -> None:
        """The whole of it; the cellar is running afterwards."""
        self.cellar.trust = self.trust
        self._begin()
        end = NOW + DAYS * DAY
        while self.now < end:
            self._pass(self.chance.choice((MINUTE, 3 * MINUTE, 4 * MINUTE + 13 * SECOND, 7 * MINUTE)))
            while self.acts and self.acts[0][0] <= self.now:
                self._act(self.acts.pop(0)[1])
        self.cellar.settle()

    def _note(self, what: str) -> None:
        self.happened[what] = self.happened.get(what, 0) + 1

    # --- the daemon ------------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        self.cellar.start()
        self.wire.connect()

    def _pass(self, ms: int) -> None:
        """Time passes; probes speak; the writer looks up now and then, so that commits are of all sizes."""
        end = self.now + ms
        while True:
            name = min(self.due, key=lambda each: self.due[each])
            at = min(max(self.due[name], self.now), end)
            self.cellar.clock.advance(at - self.now)
            self.now = at
            if at >= end:
                break
            self._speak(name)
            if self.cellar.running and self.chance.random() < 0.4:
                self.cellar.turn()
        if self.cellar.running:
            self.cellar.turn()

    def _outage(self, ms: int, *, hard: bool) -> None:
        if hard:
            self.cellar.kill()
        else:
            self.cellar.stop()
        self._note("kill" if hard else "stop")
        self._pass(ms)
        self._begin()

    # --- what the probes say -----------------------------------------------------------------------------------------

    def _speak(self, name: str) -> None:
        day = (self.now - NOW) / DAY
        noise = self.chance.gauss
        if name == "float-a":
            self.due[name] = self.now + 15 * MINUTE + self.chance.randrange(-20_000, 20_000)
            gravity = 1.0085 + 0.0515 / (1 + math.exp(1.6 * (day - 3.2))) + noise(0, 0.0003)
            values = {"gravity": round(gravity, 5), "temperature": round(21 + math.sin(day * 6.28) + noise(0, 0.05), 2)}
            if 4.0 <= day < 4.0 + self._away_days:
                self.backlog.append((self.now, values))
                return
            for at, old in self._shuffled_backlog():
                self.wire.send(name, old, at)
            self.wire.send(name, values, self.now if self.chance.random() < 0.5 else None)
        elif name == "float-b":
            self.due[name] = self.now + 20 * MINUTE
            if 2.0 <= day < 3.0:
                values = {"gravity": 1.031, "temperature": 19.5}  # it is stuck
            else:
                gravity = 1.018 + 0.032 * math.exp(-max(0.0, day - 1) / 1.5) + noise(0, 0.0005)
                values = {
                    "gravity": round(gravity, 4),
                    "temperature": round(19.5 - (4 if day > 9 else 0) + noise(0, 0.06), 2),
                }
            if not 5.0 <= day < 5.4:
                self.wire.send(name, values)
        elif name == "fridge-air":
            self.due[name] = self.now + 5 * MINUTE
            air = 4 + 1.5 * math.sin(self.now / (35 * MINUTE) * 6.28) + noise(0, 0.05)
            if 6.0 <= day < 6.3:
                air += 40 * (day - 6.0)  # the compressor is dead
            self.wire.send(name, {"temperature": round(air, 2)})
        else:
            self.due[name] = self.now + 30 * MINUTE
            self.wire.send(name, {"temperature": 18.0})

    @property
    def _away_days(self) -> float:
        return self._away_hours / 24

    def _shuffled_backlog(self) -> list[tuple[int, dict[str, float]]]:
        backlog, self.backlog = self.backlog, []
        if backlog:
            self._note("backlog")
            self.chance.shuffle(backlog)
        return backlog

    # --- what people do, and what befalls the machine ----------------------------------------------------------------

    def _plan(self) -> list[tuple[int, str]]:
        day = NOW
        fixed = [
            (0.3, "hand"), (0.5, "kill short"), (1.2, "hand"), (1.3, "undo"), (1.4, "hand again"),
            (1.5, "kill"), (2.3, "hand"), (2.4, "step forward"), (2.6, "kill long"), (3.1, "hand"),
            (3.2, "undo"), (3.3, "step back"), (3.5, "command"), (4.1, "hand"), (4.5, "unsure"), (4.9, "kill"),
            (5.2, "addition"), (5.5, "stop"), (5.8, "contents"), (6.1, "kill"), (6.5, "suspend"), (7.2, "move"),
            (7.4, "hand"), (7.6, "settings"), (8.0, "new batch"), (8.4, "stage"), (8.8, "step small"),
            (9.1, "move out"), (9.5, "kill long"), (10.0, "close"), (10.6, "addition known"),
            (11.0, "kill short"), (5.4, "undo deed"), (6.6, "split"), (10.3, "rack"), (11.2, "undo deed"),
            (11.3, "undo deed"), (11.6, "merge"),
        ]  # fmt: skip
        acts = [(day + round(at * DAY), what) for at, what in fixed]
        acts += [(day + self.chance.randrange(DAYS * DAY), "answer an alert") for _ in range(25)]
        acts += [(day + self.chance.randrange(DAYS * DAY), "kill in the middle") for _ in range(6)]
        return sorted(acts)

    def _act(self, what: str) -> None:
        self._note(what)
        cellar, chance, clock = self.cellar, self.chance, self.cellar.clock
        if what.startswith("kill"):
            if what == "kill in the middle":  # with messages taken but not committed
                self._speak("float-b")
                self._speak("fridge-air")
            long = {"kill long": 9 * HOUR, "kill short": 20 * SECOND}.get(what, chance.choice((2, 15, 70)) * MINUTE)
            self._outage(long + chance.randrange(MINUTE), hard=True)
        elif what == "stop":
            self._outage(25 * MINUTE, hard=False)
        elif what == "command":
            self._write_while_down()
        elif what == "step forward":
            clock.step_wall(3 * HOUR)
        elif what == "step back":
            clock.step_wall(-3 * HOUR - 2 * SECOND)
        elif what == "step small":
            clock.step_wall(chance.choice((-45, 45)) * SECOND)
        elif what == "suspend":  # the monotonic clock of Linux stands while a machine sleeps
            clock.step_wall(5 * HOUR)
            self.now += 5 * HOUR
            self.due = {name: max(at, self.now) for name, at in self.due.items()}
        elif what == "unsure":
            self.trust.believes = False
            self._outage(MINUTE, hard=True)
            self._pass(40 * MINUTE)
            self.trust.believes = True
        elif what == "settings":
            narrower = [batch.model_copy(update={"yeast_range_c": (17.0, 19.0)}) for batch in SETTINGS.batch]
            cellar.settings = SETTINGS.model_copy(update={"batch": narrower, "remind_every": 6 * 3600.0})
            self._outage(2 * MINUTE, hard=False)
        else:
            for entry in self._entries(what):
                cellar.record(*entry)

    def _write_while_down(self) -> None:
        self.cellar.kill()
        self._pass(12 * MINUTE)
        self.cellar.start(by="command")
        self.cellar.record(Added(batch="amber-1", what="nutrient", at=self.cellar.clock.wall_ms()))
        self.cellar.kill()
        self._pass(30 * MINUTE)
        self._begin()

    def _entries(self, what: str) -> list[tuple[Message | JournalEntry, ...]]:
        at = self.cellar.clock.wall_ms() - self.chance.randrange(HOUR)
        if what == "hand":
            return [self._hand("jug", at), *([self._hand("bucket-a", at)] if self.chance.random() < 0.7 else [])]
        if what == "undo":
            hand = self.cellar.ledger.state.batches["jug-1"].hand
            return [(ReadingUndone(vessel="jug", at=hand[-1].at_ms),)]
        if what == "hand again":
            record = self.cellar.ledger.state.records["batch:jug-1"]
            return [(Undone(of=next(each.received for each in record if isinstance(each, ReadingUndone))),)]
        if what == "undo deed":
            record = self.cellar.ledger.state.records[f"batch:{'pale-2' if self.now < NOW + 6 * DAY else 'amber-1'}"]
            latest_one = latest(record)
            return [(Undone(of=latest_one.received),)] if latest_one is not None else []
        if what == "answer an alert":
            return self._answer_an_alert()
        return [(entry,) for entry in self._changes(what, at)]

    def _changes(self, what: str, at: int) -> list[JournalEntry]:
        told: dict[str, list[JournalEntry]] = {
            "addition": [Added(batch="pale-2", what="sugar", at=at)],
            "addition known": [Added(batch="amber-1", what="sugar", at=at, gravity_rise=0.004)],
            "contents": [ContentsChanged(fridge="fridge", contents=["bucket-b", "jug"])],
            "move": [ProbeMoved(probe="float-b", to="vessel:bucket-a", at=at)],
            "move out": [ProbeMoved(probe="float-b", to=None, at=at)],
            "new batch": [
                BatchClosed(batch="pale-2"),
                BatchStarted(batch={"name": "wheat-3", "vessel": "bucket-b", "pitched": "2026-03-10T18:00:00Z"}),
            ],
            "stage": [StageChanged(batch="jug-1", stage="cold")],
            "close": [BatchClosed(batch="jug-1")],
            "split": [Split(batch="amber-1", name="amber-1b", vessel="bucket-c", volume_l=4.0, at=at)],
            "rack": [Racked(batch="amber-1", to="jug", at=at, volume_l=3.5)],
            "merge": [Merged(batch="amber-1b", into="amber-1", at=at, gravity_rise=0.001)],
        }
        return told[what]

    def _hand(self, vessel: str, at: int) -> tuple[Message | JournalEntry, ...]:
        scale = round(1.050 - 0.004 * (self.now - NOW) / DAY, 3)
        clock = self.cellar.clock
        samples = [Sample("hydrometer", scale, at)]
        if self.chance.random() < 0.5:
            samples.insert(0, Sample("temperature", 18.5, at))
        typed = HandReading(vessel=vessel, hydrometer=scale, temperature=None, calibrated=20.0, at=at)
        return typed, Message("hand", f"hand:{vessel}", clock.wall_ms(), clock.mono_ms(), tuple(samples))

    def _answer_an_alert(self) -> list[tuple[Message | JournalEntry, ...]]:
        standing = list(self.cellar.ledger.state.book.standing.values())
        if not standing:
            return []
        number = self.chance.choice(standing).id
        until = self.cellar.clock.wall_ms() + self.chance.choice((2, 20)) * HOUR
        answers: list[JournalEntry] = [Acknowledged(id=number), Shelved(id=number, until=until), Ticked(id=number)]
        return [(self.chance.choice(answers),)]
