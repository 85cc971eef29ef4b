"""Two sites at one moment, as their relays tell of them: lines made by the relay's own code."""

from __future__ import annotations

from collections import Counter

from monitor.model.clock import DAY, HOUR, MINUTE, parse_time
from monitor.model.events import AlertEvent, AlertName, Change, VerdictEvent, VerdictName, as_line
from monitor.relay.lines import lines_of, relay_line
from monitor.store.outbox import Row

NOW = parse_time("2026-03-10T12:00:00Z")
CELLAR, BARN = "Stone cellar", "Barn"
QUIET = 31 * MINUTE  # since when the barn has said nothing
WATCHED = 3 * HOUR  # how long a minute's readings go back


class Sites:
    """Gathers lines; each site counts its own rows."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self._seq: Counter[str] = Counter()

    def verdict(self, site: str, at: int, batch: str, place: str, name: VerdictName, **more: object) -> None:
        """A batch's verdict."""
        event = VerdictEvent(at, batch, name, more.pop("confidence", None), (), **more)
        self._add(site, "event", at, place=place, batch=batch, text=as_line(event.record()))

    def alert(self, site: str, at: int, number: str, name: AlertName, change: Change, about: str) -> None:
        """A change of an alert."""
        self._add(site, "event", at, text=as_line(AlertEvent(at, number, name, change, about, "").record()))

    def reading(self, site: str, at: int, place: str, batch: str | None, probe: str, value: float, **more: str) -> None:
        """A temperature, or another quantity."""
        quantity = more.get("quantity", "temperature")
        self._add(site, "reading", at, place=place, batch=batch, probe=probe, quantity=quantity, value=value)

    def waiting(self, site: str, at: int, rows: int) -> None:
        """What the relay says of itself."""
        self.lines.append(relay_line(site, rows, at))

    def _add(self, site: str, kind: str, at: int, place: str | None = None, batch: str | None = None, **more) -> None:
        self._seq[site] += 1
        self.lines += lines_of(Row(self._seq[site], kind, at, at, place, batch, **more), site)


def two_sites() -> list[str]:
    """A cellar that is well, and a barn that has been quiet for half an hour."""
    sites = Sites()
    for hours in range(60, 11, -6):
        sites.verdict(CELLAR, NOW - hours * HOUR, "amber-1", "vessel:bucket-a", "working", gravity=1.02,
                      final_expected=1.008)  # fmt: skip
    sites.verdict(CELLAR, NOW - 6 * HOUR, "amber-1", "vessel:bucket-a", "slowing", gravity=1.0091,
                  final_expected=1.0079, finish_expected_ms=NOW, hint="finished-soon")  # fmt: skip
    sites.verdict(CELLAR, NOW - 2 * HOUR, "amber-1", "vessel:jug-c", "finished", gravity=1.0082,
                  final_expected=1.0079, confidence=0.93)  # fmt: skip
    sites.verdict(CELLAR, NOW - HOUR, "wash-1", "vessel:bucket-b", "stalled", gravity=1.0342, final_expected=0.998,
                  confidence=0.85)  # fmt: skip
    sites.alert(CELLAR, NOW - 2 * HOUR, "a1", "ferment-finished", "raised", "batch:amber-1")
    sites.alert(CELLAR, NOW - HOUR, "a2", "ferment-stalled", "raised", "batch:wash-1")
    sites.alert(CELLAR, NOW - HOUR + MINUTE, "a1", "ferment-finished", "acknowledged", "batch:amber-1")

    sites.verdict(BARN, NOW - 9 * HOUR, "old-1", "vessel:bucket-d", "finished", gravity=1.01, final_expected=1.01)
    sites.verdict(BARN, NOW - 3 * HOUR, "rye-1", "vessel:bucket-b", "unknown")
    sites.verdict(BARN, NOW - QUIET, "pear-1", "vessel:bucket-a", "slowing", gravity=1.0125, final_expected=1.002,
                  finish_expected_ms=NOW + DAY, hint="finished-soon", confidence=0.91)  # fmt: skip
    sites.alert(BARN, NOW - 6 * DAY, "b1", "freeze-risk", "raised", "fridge:larder")
    sites.alert(BARN, NOW - 5 * DAY, "b2", "fridge-door", "raised", "fridge:larder")
    sites.alert(BARN, NOW - 5 * DAY + HOUR, "b1", "freeze-risk", "returned", "fridge:larder")
    sites.alert(BARN, NOW - 4 * DAY, "b2", "fridge-door", "returned", "fridge:larder")
    sites.alert(BARN, NOW - QUIET, "b3", "freeze-risk", "raised", "fridge:larder")

    for back in range(WATCHED, -1, -MINUTE):
        at = NOW - back
        sites.reading(CELLAR, at, "vessel:bucket-b", "wash-1", "well-b", 20.25)
        sites.reading(CELLAR, at, "fridge:larder", None, "fridge-air", 4.5)
        sites.reading(CELLAR, at, "vessel:bucket-b", "wash-1", "well-b", 1.0342, quantity="gravity")
        sites.waiting(CELLAR, at, 3)
        if back >= QUIET:
            sites.reading(BARN, at, "vessel:bucket-a", "pear-1", "well-a", 17.5)
            sites.waiting(BARN, at, back // MINUTE)
    return sites.lines
