"""What a time-series server keeps of the past of our sites: the seam behind which its kind does not matter.

asking.py ──► past_export.py   (VictoriaMetrics) ──┐
          └─► past_influxql.py (InfluxDB 1, 2, 3) ─┴─► scratch.py ──► Past: readings, journal, gaps
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from types import TracebackType
from typing import Final, Protocol, Self

from monitor.model.clock import DAY
from monitor.model.config import Relay
from monitor.model.inputs import Reading
from monitor.relay.asking import PATIENCE, Asking
from monitor.relay.past_export import ExportApi
from monitor.relay.past_influxql import Influxql
from monitor.relay.scratch import FIRST_MS, LAST_MS, Gap, Journal, Scratch, Span, Wrong

VERSION: Final = "X-Influxdb-Version"  # in the answer to /ping; VictoriaMetrics gives it elsewhere, but not there


class Kept(Protocol):
    """What a kind of server is asked. Times are UTC ms; `from_ms` is among them, `to_ms` is not."""

    name: str

    def spans(self, of: str, site: str | None) -> list[Span]:
        """First and last reading by a tag, of one site or of all."""
        ...

    def fill_readings(
        self, scratch: Scratch, site: str, from_ms: int, to_ms: int, probes: Collection[str] | None
    ) -> None:
        """Put the readings of a time into the scratch, of these probes or of all."""
        ...

    def fill_journal(self, scratch: Scratch, site: str) -> None:
        """Put the numbers of the journal into the scratch."""
        ...

    def fill_numbers(self, scratch: Scratch, site: str, from_ms: int, to_ms: int) -> None:
        """Put the outbox numbers of a time into the scratch."""
        ...


class Past:
    """What a server keeps. RelayError, with the remedy, wherever it cannot be read."""

    def __init__(self, kept: Kept, asking: Asking) -> None:
        self._kept, self._asking = kept, asking
        self.how = kept.name

    def close(self) -> None:
        """Let go of the server."""
        self._asking.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def sites(self) -> list[Span]:
        """Every site that has sent a reading, with its first and last."""
        return self._kept.spans("site", None)

    def batches(self, site: str) -> list[Span]:
        """Every batch of a site that has a reading, with its first and last, by when it began."""
        return sorted(self._kept.spans("batch", site), key=lambda span: span.first_ms)

    def readings(
        self,
        site: str,
        from_ms: int = FIRST_MS,
        to_ms: int = LAST_MS,
        probes: Collection[str] | None = None,
        wrong: Wrong | None = None,
    ) -> Iterator[Reading]:
        """The readings measured in a time, each once, as received; what cannot be one is counted in `wrong`."""
        with Scratch(wrong) as scratch:
            self._kept.fill_readings(scratch, site, from_ms, to_ms, probes)
            yield from scratch.readings()

    def journal(self, site: str) -> Journal:
        """The site's whole journal as received."""
        with Scratch() as scratch:
            self._kept.fill_journal(scratch, site)
            return scratch.journal()

    def gaps(self, site: str, from_ms: int = FIRST_MS, to_ms: int = LAST_MS) -> list[Gap]:
        """Numbers of the site's outbox that are missing around a time.

        What came late has its time in it and its number far outside: only where numbers seem to be missing, or where
        nothing stands beside that time, is all the rest of the site looked at, which takes longer.
        """
        with Scratch() as scratch:
            start, end = max(FIRST_MS, from_ms - DAY), min(LAST_MS, to_ms + DAY)
            self._kept.fill_numbers(scratch, site, start, end)
            if scratch.gaps() or not scratch.reaches(from_ms, to_ms):
                for first, last in ((FIRST_MS, start), (end, LAST_MS)):
                    if first < last:
                        self._kept.fill_numbers(scratch, site, first, last)
            return [gap for gap in scratch.gaps() if _touches(gap, from_ms, to_ms)]


def _touches(gap: Gap, from_ms: int, to_ms: int) -> bool:
    first, last = sorted((gap.after_ms, gap.before_ms))
    return first < to_ms and last >= from_ms


def past_of(relay: Relay, patience: float = PATIENCE) -> Past:
    """The past at the server of `[relay]`; RelayError where it does not answer."""
    asking = Asking(relay, patience)
    try:
        reads = relay.reads
        if reads == "auto":
            reads = "influxql" if VERSION in asking.headers("/ping") else "export"
    except BaseException:
        asking.close()
        raise
    return Past(ExportApi(asking) if reads == "export" else Influxql(asking, relay.bucket), asking)
