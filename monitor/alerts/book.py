"""The alert book: what stands, who has seen it, when to say it again. Pure; states and words of ISA-18.2.

    not there ──finding──► unacknowledged ──acknowledged──► acknowledged
        ▲                      │  ▲ │                            │
        │                      │  │ └──shelved──► (set aside until a time)
        └──────returned────────┴──┴──────────────────────────────┘

One cause, one notice: a finding that names the alert it follows from is recorded, but people are told only if it
outlives its cause. What is shelved stays shelved until its time, also when it returns and comes again. A notice that
was ticked off as done keeps quiet until what it was about has passed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from hashlib import blake2s
from typing import Literal

from monitor.model.clock import DAY, MINUTE
from monitor.model.events import NOTICES, AlertEvent, AlertName, Cause, Change, Event, Notice, priority_of
from monitor.model.findings import Finding

REFRESH = 15 * MINUTE
ASK_AGAIN = 2 * DAY
REMIND_MOST = 7 * DAY

# A few words for the top of a message; the sentence follows in its body.
TITLES: dict[AlertName, str] = {
    "ferment-not-started": "not started",
    "ferment-stalled": "stalled",
    "ferment-finished": "finished",
    "ferment-too-warm": "too warm",
    "ferment-too-cold": "too cold",
    "fridge-drift": "drifting",
    "fridge-door": "door open?",
    "fridge-compressor": "not cooling",
    "freeze-risk": "can freeze",
    "cold-hold-done": "cold for long enough",
    "clearing-due": "next part is due",
    "clearing-slow": "clears slowly",
    "yeast-stand-done": "has stood long enough",
    "yeast-old": "old yeast",
    "seal-unsafe": "do not seal",
    "reading-due": "reading wanted",
    "probe-silent": "silent",
    "probe-stuck": "stuck",
    "probe-suspect": "suspect",
    "probe-battery": "battery low",
    "clock-unsure": "clock not set",
    "store-trouble": "store in trouble",
    "relay-behind": "relay behind",
    "was-away": "was away",
}


@dataclass(slots=True)
class Alert:
    """One alert that stands."""

    id: str
    alert: AlertName
    about: str
    raised_ms: int
    message: str
    because: tuple[str, ...]
    do: tuple[str, ...]
    causes: tuple[Cause, ...]
    seen_ms: int | None
    state: Literal["unacknowledged", "acknowledged"] = "unacknowledged"
    shelved_until_ms: int | None = None
    told: int = 0
    next_ms: int = 0
    refreshed_ms: int = 0
    under: str | None = None

    def event(self, change: Change, now_ms: int) -> AlertEvent:
        """This alert's change as an event."""
        return AlertEvent(
            time_ms=now_ms, id=self.id, alert=self.alert, change=change, about=self.about, message=self.message,
            because=self.because, do=self.do, causes=self.causes, seen_ms=self.seen_ms,
        )  # fmt: skip


@dataclass(slots=True)
class Outcome:
    """What a step said."""

    events: list[Event] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)


@dataclass(slots=True)
class Book:
    """All alerts that stand, by `alert/about`; `remind_every_ms` is the one setting."""

    standing: dict[str, Alert] = field(default_factory=dict)
    shelves: dict[str, int] = field(default_factory=dict)  # until when, of those that returned meanwhile
    done: dict[str, int] = field(default_factory=dict)  # ticked off, and when
    remind_every_ms: int = 12 * 60 * MINUTE
    changed: bool = False

    def note(self, finding: Finding, now_ms: int, out: Outcome) -> None:
        """Take one finding: raise, refresh or return."""
        key = f"{finding.alert}/{finding.about}"
        alert = self.standing.get(key)
        if finding.active:
            if alert is None:
                if not self._is_done(key, now_ms):
                    self._raise(key, finding, now_ms, out)
            elif now_ms - alert.refreshed_ms >= REFRESH or finding.causes != alert.causes:
                self._refresh(alert, finding, now_ms)
        else:
            self.changed |= self.done.pop(key, None) is not None
            if alert is not None:
                self._return(key, now_ms, out, finding)

    def over(self, alert: AlertName, about: str, words: str, now_ms: int, out: Outcome) -> None:
        """The cause is gone: cheap where nothing stands and nothing was ticked off, as at most looks."""
        key = f"{alert}/{about}"
        if key in self.standing or key in self.done:
            self.note(Finding(alert, about, active=False, message=words, seen_ms=now_ms), now_ms, out)

    def renew(self, about: str) -> None:
        """More is known of a thing: what stands about it is put in new words at the next look."""
        for alert in self.standing.values():
            if alert.about == about:
                alert.refreshed_ms, self.changed = 0, True

    def _is_done(self, key: str, now_ms: int) -> bool:
        """Whether somebody ticked it off; a reading that was wanted is asked for again after some days."""
        ticked = self.done.get(key)
        if ticked is not None and key.startswith("reading-due/") and now_ms - ticked >= ASK_AGAIN:
            del self.done[key]
            return False
        return ticked is not None

    def _raise(self, key: str, finding: Finding, now_ms: int, out: Outcome) -> None:
        alert = Alert(
            id=blake2s(f"{key}@{now_ms}".encode(), digest_size=5).hexdigest(),
            alert=finding.alert,
            about=finding.about,
            raised_ms=now_ms,
            message=finding.message,
            because=finding.because,
            do=finding.do,
            causes=finding.causes,
            seen_ms=finding.seen_ms,
            refreshed_ms=now_ms,
            under=finding.under if finding.under in self.standing else None,
        )
        until = self.shelves.pop(key, 0)
        if until > now_ms:
            alert.shelved_until_ms = until
        self.standing[key] = alert
        self.changed = True
        out.events.append(alert.event("raised", now_ms))
        if alert.under is None and alert.shelved_until_ms is None:
            self._tell(alert, "first", now_ms, out)

    def _refresh(self, alert: Alert, finding: Finding, now_ms: int) -> None:
        alert.message, alert.because, alert.do = finding.message, finding.because, finding.do
        alert.causes, alert.seen_ms, alert.refreshed_ms = finding.causes, finding.seen_ms, now_ms
        if finding.under in self.standing:
            alert.under = finding.under
        self.changed = True

    def _return(self, key: str, now_ms: int, out: Outcome, finding: Finding | None = None) -> None:
        alert = self.standing.pop(key)
        self.changed = True
        if finding is not None:
            alert.message = finding.message or f"No longer so: {alert.message}"
            alert.because, alert.do, alert.causes, alert.seen_ms = finding.because, (), (), finding.seen_ms
        out.events.append(alert.event("returned", now_ms))
        if alert.shelved_until_ms is not None:
            if alert.shelved_until_ms > now_ms:
                self.shelves[key] = alert.shelved_until_ms
        elif alert.told:
            self._tell(alert, "returned", now_ms, out)

    def _tell(self, alert: Alert, reason: Literal["first", "returned", "reminder"], now_ms: int, out: Outcome) -> None:
        alert.told += 1
        alert.next_ms = now_ms + min(REMIND_MOST, self.remind_every_ms * 2 ** (alert.told - 1))
        self.changed = True
        name = alert.about.partition(":")[2]
        title = f"{name}: {TITLES[alert.alert]}"
        lines = [alert.message]
        if reason == "returned":
            title = f"{name}: no longer {TITLES[alert.alert]}"
        else:
            lines += [f"Because {why}." for why in alert.because]
            lines += [f"What to do: {what}." for what in alert.do]
            if reason == "reminder":
                title = f"{title} (still)"
        out.notices.append(
            Notice(
                time_ms=now_ms, alert_id=alert.id, alert=alert.alert, about=alert.about,
                priority=priority_of(alert.alert), reason=reason, title=title, body="\n".join(lines),
                seen_ms=alert.seen_ms,
            )
        )  # fmt: skip

    def tick(self, now_ms: int, out: Outcome) -> None:
        """Reminders that grow, shelves that run out, and followers that outlived their cause."""
        for key in [key for key, until in self.shelves.items() if until <= now_ms]:
            del self.shelves[key]
            self.changed = True
        for alert in self.standing.values():
            if alert.shelved_until_ms is not None:
                if now_ms < alert.shelved_until_ms:
                    continue
                alert.shelved_until_ms = None
                alert.next_ms = now_ms
                self.changed = True
            if alert.under is not None:
                if alert.under in self.standing:
                    continue
                alert.under, alert.next_ms = None, now_ms
                self.changed = True
            if alert.state == "unacknowledged" and now_ms >= alert.next_ms:
                if alert.told:
                    out.events.append(alert.event("reminded", now_ms))
                self._tell(alert, "reminder" if alert.told else "first", now_ms, out)

    def acknowledge(self, number: str, now_ms: int, out: Outcome) -> None:
        """A person has seen it: no more reminders."""
        alert = self.by_id(number)
        if alert is not None and alert.state == "unacknowledged":
            alert.state = "acknowledged"
            self.changed = True
            out.events.append(alert.event("acknowledged", now_ms))

    def shelve(self, number: str, until_ms: int, now_ms: int, out: Outcome) -> None:
        """A person sets it aside until a time."""
        alert = self.by_id(number)
        if alert is not None:
            alert.shelved_until_ms = until_ms
            self.changed = True
            out.events.append(alert.event("shelved", now_ms))

    def tick_off(self, number: str, now_ms: int, out: Outcome) -> None:
        """A person has done what a notice asked for. What readings raised returns on a good reading only."""
        alert = self.by_id(number)
        if alert is not None and alert.alert in NOTICES:
            key = f"{alert.alert}/{alert.about}"
            self._return(key, now_ms, out)
            self.done[key] = now_ms

    def close(self, about: str, now_ms: int, out: Outcome, *, but: AlertName | None = None) -> None:
        """Everything about a thing returns, `but` one alert: its stage changed, or it is gone."""
        keys = [key for key in (*self.standing, *self.done) if key.partition("/")[2] == about]
        for key in [key for key in keys if key in self.standing and self.standing[key].alert != but]:
            self._return(key, now_ms, out)
        for key in [key for key in keys if key in self.done and key.partition("/")[0] != but]:
            del self.done[key]
            self.changed = True

    def by_id(self, number: str) -> Alert | None:
        """The standing alert of an id."""
        return next((alert for alert in self.standing.values() if alert.id == number), None)
