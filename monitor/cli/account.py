"""The demo's account of what happens: sentences as they come, and how things stand below them."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from rich.console import Console, Group
from rich.live import Live
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from monitor.cli.common import local
from monitor.model.clock import DAY, Clock, parse_time, real_s
from monitor.model.config import Settings
from monitor.store.reader import Reader

LOOK_S = 0.25
STYLE = {"high": "bold red", "medium": "yellow", "low": "cyan"}
VERDICT_STYLE = {"finished": "bold green", "stalled": "bold red", "unknown": "magenta", "slowing": "yellow"}
CAUTION = (
    "Carbon dioxide gathers low in closed rooms, sealed vessels can burst, glass breaks in freezers, alcohol vapour\n"
    "burns. Distil only where the law and a licence allow it; local codes come first."
)


class Account:
    """Reads the store as any other reader does, a few times a second."""

    def __init__(self, console: Console, store: Path, settings: Settings, clock: Clock, events: IO[str] | None) -> None:
        self._console = console
        self._reader = Reader(store)
        self._settings = settings
        self._clock = clock
        self._file = events
        self._last = 0
        self._looked = 0.0
        self._day = -1
        self._begun_ms = clock.wall_ms()
        self._live: Live | None = None
        self._verdicts: dict[str, str] = {}
        self.speed = 0.0
        self.told = 0

    def open(self, url: str | None, wires: str) -> None:
        """The first lines."""
        self._console.print("[bold]Leeswatch demo[/bold]: a play, with invented batches, at high speed.")
        self._console.print(f"Two sibling buckets and a fridge are watched over {wires}.")
        if url:
            self._console.print(f"The page: {url}   (Ctrl-C ends the demo)")
        self._console.print(f"[dim]{CAUTION}[/dim]\n")

    @contextlib.contextmanager
    def live(self) -> Iterator[None]:
        """In a terminal, keep a table of how things stand at the bottom."""
        if not self._console.is_terminal:
            yield
            return
        with Live(console=self._console, auto_refresh=False, transient=True) as live:
            self._live = live
            yield
            self._live = None

    def look(self, *, now: bool = False) -> None:
        """Tell what is new, unless we looked a moment ago."""
        moment = real_s()
        if moment - self._looked < LOOK_S and not now:
            return
        self._looked = moment
        for number, record in self._reader.events(self._last):
            self._last = number
            if self._file is not None:
                self._file.write(json.dumps(record, ensure_ascii=False, separators=(",", ":")) + "\n")
            self._tell(record)
        day = (self._clock.wall_ms() - self._begun_ms) // DAY
        if self._live is not None:
            self._live.update(self._standing(), refresh=True)
        elif day != self._day:
            self._console.print(self._line(day))
        self._day = day

    def over(self, *, whole: bool) -> None:
        """The story has ended, or the time for it."""
        self.look(now=True)
        days = (self._clock.wall_ms() - self._begun_ms) / DAY
        what = "The story is over" if whole else f"Time is up on day {days:.1f} of the story"
        self._console.print(f"\n{what}: {self.told} alert{'s were' if self.told != 1 else ' was'} raised.")

    def close(self) -> None:
        """Tell the last and let go."""
        self.look(now=True)
        self._reader.close()

    # --- what is new -----------------------------------------------------------------------------------------------

    def _tell(self, record: dict[str, Any]) -> None:
        when = local(parse_time(record["time"]), self._settings)
        if record["event"] == "verdict":
            before = self._verdicts.get(record["batch"])
            self._verdicts[record["batch"]] = record["verdict"]
            if before != record["verdict"]:
                style = VERDICT_STYLE.get(record["verdict"], "white")
                why = record["because"][0] if record["because"] else ""
                self._print(when, f"{escape(record['batch'])} is [{style}]{record['verdict']}[/{style}]: {escape(why)}")
            return
        style = STYLE[record["priority"]]
        if record["change"] == "raised":
            self.told += 1
            self._print(when, f"[{style}]! {record['alert']}[/{style}] {escape(record['message'])}")
            for line in record["because"]:
                self._print("", f"because: {escape(line)}")
            for line in record["do"]:
                self._print("", f"[bold]to do:[/bold] {escape(line)}")
        elif record["change"] == "returned":
            self._print(when, f"[green]ok {record['alert']}[/green] {escape(record['message'])}")
        elif record["change"] == "reminded":
            self._print(when, f"[dim]reminder: {record['alert']} {escape(record['message'])}[/dim]")

    def _print(self, when: str, text: str) -> None:
        """A sentence beside its time; in a terminal its further lines stand under its first."""
        if not self._console.is_terminal:
            self._console.print(f"{when:18}{text}")
            return
        row = Table.grid(padding=(0, 2))
        row.add_column(width=16, no_wrap=True)
        row.add_column()
        row.add_row(when, text)
        self._console.print(row)

    # --- how things stand --------------------------------------------------------------------------------------------

    def _values(self) -> dict[tuple[str, str], float]:
        return {(reading.probe, reading.quantity): reading.value for reading in self._reader.latest()}

    def _line(self, day: int) -> str:
        values = self._values()
        parts = [f"{name} {verdict}" for name, verdict in self._verdicts.items()]
        for fridge in self._settings.fridge:
            parts += [
                f"{fridge.name} {values[probe, 'temperature']:.1f} °C"
                for probe in fridge.probes
                if (probe, "temperature") in values
            ]
        return f"[dim]day {day}: {', '.join(parts) or 'nothing heard yet'}[/dim]"

    def _standing(self) -> Group:
        values = self._values()
        verdicts = self._reader.latest_verdicts()
        table = Table("", "verdict", "gravity", "°C", "should end at", box=None, pad_edge=False)
        for batch in self._settings.batch:
            verdict = verdicts.get(batch.name)
            vessel = next(each for each in self._settings.vessel if each.name == batch.vessel)
            warm = next((values[p, "temperature"] for p in vessel.probes if (p, "temperature") in values), None)
            word = verdict["verdict"] if verdict else "nothing heard yet"
            table.add_row(
                batch.name,
                Text(word, style=VERDICT_STYLE.get(word, "white")),
                _number(verdict["gravity"] if verdict else None, 4),
                _number(warm, 1),
                _number(verdict["final_expected"] if verdict else None, 3),
            )
        for fridge in self._settings.fridge:
            air = next((values[p, "temperature"] for p in fridge.probes if (p, "temperature") in values), None)
            table.add_row(f"fridge {fridge.name}", f"meant {fridge.target_c:g} °C", "", _number(air, 1), "")
        day = (self._clock.wall_ms() - self._begun_ms) / DAY
        head = f"\n{local(self._clock.wall_ms(), self._settings)}   day {day:.1f}   {self.speed:,.0f} times real time"
        return Group(Text(head, style="dim"), table)


def _number(value: float | None, decimals: int) -> str:
    return "-" if value is None else f"{value:.{decimals}f}"
