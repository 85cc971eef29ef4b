"""The whole, put together.

sources ─► writer ──────────────────────────────────► store ─► courier ─► routes
mqtt       ledger: one step of the engine for each     │       phone, mail, webhook,
serial     input, kept with its inputs in one commit,  │       broker topic, log
onewire    then the acknowledgement                    ├─► jobs: digest, backup, retention, heartbeat
                                                       ├─► relay, to a time-series server
commands   (hand readings, acknowledgements, moves)    ├─► summary of all that stands, for the broker
                                                       └─► web (reads only; changes go to the writer)
"""

from __future__ import annotations

import contextlib
import logging
import threading
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from zoneinfo import ZoneInfo

from monitor.alerts.book import Outcome
from monitor.alerts.routes import AppriseRoute, Courier, LogRoute, Route, TopicRoute
from monitor.alerts.routes.machine import LOG_ROUTE, TOPIC_ROUTE
from monitor.control import ANSWER_SECONDS, ControlServer, parse_request
from monitor.engine.facts import children
from monitor.engine.state import State
from monitor.fleet.sending import SummarySender
from monitor.fleet.summary import Summary, summarise
from monitor.jobs import Jobs, Span
from monitor.ledger import Ledger
from monitor.model.clock import MINUTE, Clock, SystemClock, TimeTrust
from monitor.model.config import Probe, Relay, Settings
from monitor.model.errors import RouteError, UsageError
from monitor.model.events import AlertEvent, Notice, VerdictEvent, priority_of
from monitor.model.inputs import JournalEntry, Message, Trouble
from monitor.relay import backfill
from monitor.rules.batch import BatchState
from monitor.sources.base import Source
from monitor.sources.mqtt import MqttSource
from monitor.sources.onewire import OneWireSource
from monitor.sources.serial import SerialSource
from monitor.store.reader import Reader
from monitor.store.store import Store
from monitor.web.desk import HealthReport
from monitor.web.look import load, picture, reading
from monitor.web.words import Local
from monitor.writer import GROUP_MS, Writer

if TYPE_CHECKING:
    from monitor.relay.sender import Sender
    from monitor.web.server import WebServer

log = logging.getLogger(__name__)

LOOP_LATE_MS = 30_000
TICK_LATE_MS = 3 * MINUTE
FIRST_NAG_MS = MINUTE
NAG_EVERY_MS = 60 * MINUTE


class _Part(Protocol):
    def start(self) -> None: ...

    def stop(self) -> object: ...


class Daemon:
    """All parts of one running Leeswatch. `start`, then `stop`; it may not be started again."""

    def __init__(
        self,
        settings: Settings,
        path: Path,
        clock: Clock,
        *,
        trust: TimeTrust | None = None,
        routes: Sequence[Route] = (),
        calendar: bool = True,
        group_ms: int = GROUP_MS,
    ) -> None:
        """Open the store at once, so that a second daemon on it fails here. `routes` come beside the configured."""
        self.settings = settings
        self.path = path
        self.clock = clock
        self.store = Store.open(path)
        self._stop = threading.Event()
        self._running = contextlib.ExitStack()  # what was started, to be stopped the other way round
        self._real = SystemClock()
        self._started_ms = self._real.mono_ms()
        self._nagged_ms: int | None = None
        self._entries = 0  # of the journal, when a summary was last asked for
        self.ledger = Ledger(self.store, relaying=settings.relay is not None)
        self.writer = Writer(
            self.ledger, clock, trust=trust, group_ms=group_ms, on_commit=self._on_commit, on_trouble=self._on_trouble
        )
        self._writing = threading.Thread(target=self.writer.run, args=(self._stop,), name="writer")
        self.sources: list[Source] = build_sources(settings, self.writer, clock, self.store.last_session())
        self._brokers = [source for source in self.sources if isinstance(source, MqttSource)]
        zone = ZoneInfo(settings.site.timezone)
        self.courier = Courier(
            [*self._own_routes(), *map(AppriseRoute, settings.alerts.routes), *routes],
            path, self.writer.do, clock, zone, quiet=settings.alerts.quiet, public_url=settings.web.public_url,
        )  # fmt: skip
        self.ledger.routes = self.courier.names
        self.control = ControlServer(
            path, self.writer.record, clock.wall_ms, self._health_json, {"relay-past": self._want_past}
        )
        self.jobs = self._calendar() if calendar else None
        self.relay = self._relay(settings.relay) if settings.relay is not None else None
        self.summaries = [
            SummarySender(self._summary, partial(source.publish, retain=True), source.connected)
            for source in self._brokers
        ]
        self.web = self._page() if settings.web.enabled else None

    def _own_routes(self) -> list[Route]:
        """The log always; the broker's topic where there is a broker."""
        return [LogRoute(), *(TopicRoute(_publisher(source)) for source in self._brokers)]

    def _summary(self) -> Summary:
        """What stands, as last committed: read beside the writer, as the page does."""
        local = Local(ZoneInfo(self.settings.site.timezone), self.clock.wall_ms())
        with reading(self.path) as reader:
            told = picture(reader, load(reader), local.now_ms, self.settings.probe)
        return summarise(told, local, self.settings.probe)

    def _calendar(self) -> Jobs:
        return Jobs(
            self.settings, self.path, self.writer.do, self.clock, routes=self.courier.names,
            closed=self._closed_spans, healthy=self.healthy, told=self.courier.wake,
        )  # fmt: skip

    def _relay(self, relay: Relay) -> Sender:
        from monitor.relay.sender import Sender  # noqa: PLC0415 - its library takes half as much memory as we do
        from monitor.relay.server import InfluxServer  # noqa: PLC0415

        return Sender(
            relay, self.settings.site.name, self.path, self.writer.do, self.writer.record, self.clock,
            lambda: InfluxServer(relay, self.clock),
        )  # fmt: skip

    def _want_past(self, request: dict[str, Any]) -> dict[str, Any]:
        if self.relay is None:
            raise UsageError("the daemon that runs has no [relay]", "add it to its configuration and start it anew")
        from_ms, to_ms = backfill.span_of(request)
        job = self.writer.do(lambda store: backfill.want(store, from_ms, to_ms)).result(ANSWER_SECONDS)
        self.relay.wake()
        return {"job": asdict(job)}

    def _closed_spans(self) -> list[Span]:
        with Reader(self.path) as reader:
            if self.relay is not None and backfill.jobs(reader):
                return []  # the server was promised all of it: what is thinned first is gone
            return closed_spans(State.restore(reader.state()))

    def _page(self) -> WebServer:
        from monitor.web.app import make_app  # noqa: PLC0415
        from monitor.web.server import WebServer  # noqa: PLC0415 - a Pi that shows no page need not load it

        return WebServer(make_app(self), self.settings.web.host, self.settings.web.port)

    def start(self) -> None:
        """Begin to watch. The writer first, what people see last; when one cannot start, those before it are stopped.

        StoreTrouble, SourceError or LeeswatchError say which.
        """
        try:
            self._start()
        except BaseException:
            self.stop()
            raise
        log.info("watching; the store is %s", self.path)
        for line in self.waits_for():
            log.info("%s", line)

    def _start(self) -> None:
        self.writer.begin(self.settings.for_rules())
        if self.store.salvaged:
            log.error("%s", self.store.salvaged)
        if self.ledger.rebuilt:
            log.info("the rules' memory was of another version and was rebuilt from %d inputs", self.ledger.rebuilt)
        self._writing.start()
        self._running.callback(self._end_writing)
        self._take_up_relay()
        parts: list[_Part] = [self.courier, self.control, *self.sources, *self.summaries]
        parts += [part for part in (self.jobs, self.relay, self.web) if part is not None]
        for part in parts:
            part.start()
            self._running.callback(part.stop)
        if self.web is not None:
            log.info("the page is at %s", self.web.url)

    def _take_up_relay(self) -> None:
        """An alert of an earlier run: the relay ends it when it has caught up, we where there is none any more."""
        if any(each.alert == "relay-behind" for each in self.ledger.state.book.standing.values()):
            if self.relay is not None:
                self.relay.stood()
            else:
                words = "No time-series server is configured any more; what waits for it is kept."
                self.writer.record(Trouble(alert="relay-behind", active=False, detail=words))

    def stop(self) -> None:
        """Stop in order: nothing new comes in, what came is committed, then the store is closed."""
        log.info("stopping")
        self._running.close()
        self.store.close()
        log.info("stopped")

    def _end_writing(self) -> None:
        self._stop.set()
        self.writer.nudge()
        self._writing.join(timeout=30.0)

    # --- how it is -------------------------------------------------------------------------------------------------

    def record(self, *items: Message | JournalEntry) -> Future[int]:
        """Hand a change to the writer."""
        return self.writer.record(*items)

    def alive(self) -> bool:
        """Whether the writer's loop turns: for the watchdog. Also says now and then which probes are missing.

        A full disk or a broker that is away is no reason to be restarted: what waits in memory would be lost.
        """
        self._nag()
        loop = self.writer.status.last_loop_mono_ms
        return self._writing.is_alive() and (loop is None or self._real.mono_ms() - loop <= LOOP_LATE_MS)

    def healthy(self) -> bool:
        """As `alive`, without a word."""
        return not self._reasons()

    def health(self) -> HealthReport:
        """How every part is."""
        reasons = self._reasons()
        return HealthReport(
            ok=not reasons,
            reasons=reasons,
            sources=[source.status() for source in self.sources],
            writer=self.writer.status,
            routes=self.courier.status(),
            jobs=self.jobs.status() if self.jobs is not None else [],
            relay=self.relay.status() if self.relay is not None else None,
        )

    def _health_json(self) -> dict[str, Any]:
        report = asdict(self.health())
        return {"health": report}

    def _reasons(self) -> list[str]:
        now = self.clock.mono_ms()
        status = self.writer.status
        reasons = []
        if not self._writing.is_alive():
            reasons.append("the writer has ended")
        loop = status.last_loop_mono_ms
        if loop is not None and self._real.mono_ms() - loop > LOOP_LATE_MS:
            reasons.append("the writer stands still")
        if status.trouble is not None:
            reasons.append(status.trouble)
        committed = status.last_commit_mono_ms
        if committed is not None and now - committed > TICK_LATE_MS:
            reasons.append("the rules have not run for three minutes")
        reasons.extend(
            f"{source.status().name} has ended" for source in self.sources if not source.alive()
        )  # fmt: skip
        return reasons

    def waits_for(self) -> list[str]:
        """A sentence for each configured probe that was never heard: what it waits for."""
        heard = self.ledger.state.probes
        return [_waiting(probe) for probe in self.settings.probe if probe.name not in heard and probe.source != "hand"]

    def _nag(self) -> None:
        now = self._real.mono_ms()
        due = FIRST_NAG_MS if self._nagged_ms is None else self._nagged_ms - self._started_ms + NAG_EVERY_MS
        if now - self._started_ms < due:
            return
        self._nagged_ms = now
        for line in self.waits_for():
            log.warning("%s", line)

    # --- what happens after a commit ---------------------------------------------------------------------------------

    def _on_commit(self, out: Outcome) -> None:
        if out.notices:
            self.courier.wake()
        if out.events or self.ledger.state.entries != self._entries:
            self._entries = self.ledger.state.entries
            for summary in self.summaries:
                summary.changed()
        for event in out.events:
            if isinstance(event, VerdictEvent):
                log.info("%s: %s; %s", event.batch, event.verdict, "; ".join(event.because))
            elif isinstance(event, AlertEvent):
                log.info("%s %s (%s): %s", event.alert, event.change, event.id, event.message)

    def _on_trouble(self, what: str) -> None:
        """The store cannot keep this notice, so it goes out past it."""
        now, site = self.clock.wall_ms(), self.settings.site.name
        self.courier.urgent(
            Notice(
                time_ms=now, alert_id="store-trouble", alert="store-trouble", about=f"site:{site}",
                priority=priority_of("store-trouble"), reason="first", title=f"{site}: store in trouble",
                body=what, seen_ms=now,
            )
        )  # fmt: skip


def closed_spans(state: State) -> list[Span]:
    """What each probe said while it sat with a closed batch, as (probe, from, to): what retention may thin."""
    found: list[Span] = []
    for batch in state.batches.values():
        if batch.closed_ms is None or any(not state.batches[part].closed for part in children(state, batch.name)):
            continue  # what an open part of it was before is in the same readings
        homes = batch.homes or [(batch.pitched_ms, batch.vessel)]
        for (since, vessel), until in zip(homes, [*(start for start, _ in homes[1:]), batch.closed_ms], strict=True):
            bound = min([until, batch.closed_ms, *_next_in(state, batch, vessel, since)])
            for probe, spans in state.places.items():
                ends = [start for start, _ in spans[1:]] + [batch.closed_ms]
                for (start, where), end in zip(spans, ends, strict=True):
                    first, last = max(start, batch.pitched_ms, since), min(end, bound)
                    if where == f"vessel:{vessel}" and first < last:
                        found.append((probe, first, last))
    return found


def _next_in(state: State, batch: BatchState, vessel: str, since_ms: int) -> list[int]:
    """When other batches came into the same vessel: what was said there since is theirs too."""
    return [
        start
        for other in state.batches.values()
        for start, where in other.homes or [(other.pitched_ms, other.vessel)]
        if other is not batch and where == vessel and start >= since_ms
    ]


def build_sources(settings: Settings, writer: Writer, clock: Clock, session: str | None) -> list[Source]:
    """A source for the broker, one for each serial port, one for all one-wire thermometers."""
    found: list[Source] = []
    by_kind: dict[str, list[Probe]] = {}
    for probe in settings.probe:
        by_kind.setdefault(probe.source, []).append(probe)
    if settings.mqtt is not None:
        found.append(MqttSource(settings.mqtt, by_kind.get("mqtt", []), writer.submit, clock, session))
    ports: dict[str, list[Probe]] = {}
    for probe in by_kind.get("serial", []):
        ports.setdefault(probe.port or "", []).append(probe)
    found.extend(SerialSource(port, probes, writer.submit, clock) for port, probes in ports.items())
    if by_kind.get("onewire"):
        found.append(OneWireSource(by_kind["onewire"], writer.submit, clock))
    return found


def _publisher(source: MqttSource) -> Any:
    def publish(topic: str, payload: bytes) -> None:
        if not source.publish(topic, payload):
            raise RouteError("the broker is away and a thousand messages wait for it", "start the broker")

    return publish


def _waiting(probe: Probe) -> str:
    where = {"mqtt": f"on topic {probe.topic}", "serial": f"on port {probe.port}", "onewire": f"as {probe.device}"}
    return f"probe {probe.name} has not been heard yet: waiting {where[probe.source]}"


def write_as_command(settings: Settings, path: Path, request: dict[str, Any]) -> int:
    """With no daemon running, a command takes the store's lock and is the writer. Returns `received`.

    StoreBusy when some other process is the writer after all.
    """
    clock = SystemClock()
    items = parse_request(request, clock.wall_ms())
    with Store.open(path) as store:
        own = [LOG_ROUTE, *([TOPIC_ROUTE] if settings.mqtt else [])]
        routes = [*own, *(route.name for route in settings.alerts.routes)]
        ledger = Ledger(store, routes, relaying=settings.relay is not None)
        writer = Writer(ledger, clock)
        writer.begin(settings.for_rules(), by="command")
        answer = writer.record(*items)
        writer.settle()
        return answer.result(0)
