"""`leeswatch demo`: ten days of a cellar in a minute and a half, over a real broker and a real serial line."""

from __future__ import annotations

import argparse
import contextlib
import itertools
import logging
import os
import shutil
import signal
import socket
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import IO

from rich.console import Console

from monitor.app import Daemon
from monitor.cli.account import Account
from monitor.cli.common import Commands, command, number
from monitor.intake.recording import journal_path, write_journal, write_recording
from monitor.model.clock import MINUTE, ManualClock, real_s
from monitor.model.errors import UsageError
from monitor.model.inputs import Exported, Reading
from monitor.settings import parse_settings
from monitor.store.reader import Reader
from simulators.play import Player
from simulators.rig import Rig
from simulators.scenario import Scenario, load
from simulators.wires import BrokerMissing, private_broker

SCENARIO = "two-siblings"
STORY_S = 85.0
STEP = MINUTE
CATCH_UP_S = 2.0
PAGE_PORT = 8650
ROOM = 64 * 1024 * 1024
_ENDING = (signal.SIGINT, signal.SIGTERM)


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(
        commands, "demo", "Play ten days of two sibling buckets and a fridge in a minute and a half.",
        "leeswatch demo --for 120 --events events.jsonl", run,
    )  # fmt: skip
    parser.add_argument("--for", dest="seconds", type=number, metavar="SECONDS", help="end after this long")
    parser.add_argument("--events", type=Path, metavar="FILE", help="write events as JSON lines")
    parser.add_argument(
        "--speed", type=number, metavar="N", help="simulated seconds in a second (default: all in 85 s)"
    )
    parser.add_argument("--keep", type=Path, metavar="DIR", help="leave configuration, store and recording here")
    parser.add_argument("--serial-only", action="store_true", help="play without a broker")


@dataclass(slots=True)
class Show:
    """One run of the demo."""

    args: argparse.Namespace
    console: Console
    folder: Path
    events: IO[str] | None
    started: float = field(default_factory=real_s)

    def left(self) -> float:
        """Real seconds until `--for` is over."""
        wanted: float | None = self.args.seconds
        return float("inf") if wanted is None else wanted - (real_s() - self.started)


def run(args: argparse.Namespace) -> int:
    """Play the demo; 0 at its end, and after Ctrl-C."""
    for name in ("seconds", "speed"):
        value = getattr(args, name)
        if value is not None and not 0 < value < 1e9:
            raise UsageError(f"--{'for' if name == 'seconds' else name} {value:g} cannot be", "give a number above 0")
    for each in _ENDING:
        signal.signal(each, _interrupt)
    logging.basicConfig(level=logging.ERROR, stream=sys.stderr, format="%(levelname)s %(name)s: %(message)s")
    logging.getLogger("monitor.alerts").setLevel(logging.CRITICAL)  # the account tells the same alerts
    console = Console(highlight=False, soft_wrap=not sys.stdout.isatty())
    with contextlib.ExitStack() as stack:
        events = stack.enter_context(args.events.open("w", encoding="utf-8")) if args.events else None
        show = Show(args, console, stack.enter_context(_folder(args.keep)), events)
        try:
            _play_somehow(show)
        except KeyboardInterrupt:
            console.print("\nstopped; nothing is left behind" if args.keep is None else f"\nstopped; see {args.keep}")
    return 0


def _interrupt(_number: int, _frame: FrameType | None) -> None:
    for each in _ENDING:
        signal.signal(each, signal.SIG_IGN)  # an impatient second one would leave a broker and a folder behind
    raise KeyboardInterrupt


@contextlib.contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    if keep is None:
        with tempfile.TemporaryDirectory(prefix="leeswatch-demo-", dir=_memory()) as name:
            yield Path(name)
        return
    keep.mkdir(parents=True, exist_ok=True)
    if any(keep.iterdir()):
        raise UsageError(f"{keep} is not empty", "name a new folder for --keep")
    yield keep.resolve()


def _memory() -> str | None:
    """A folder in memory, if there is one: each of 15,000 commits waits for the disk, and a card also wears."""
    folder = "/dev/shm"  # noqa: S108 - a private folder is made in it
    if "TMPDIR" in os.environ or not os.access(folder, os.W_OK) or shutil.disk_usage(folder).free < ROOM:
        return None
    return folder


def _play_somehow(show: Show) -> None:
    """With a broker if there is one; else over serial lines alone, saying so."""
    scenario = load(SCENARIO)
    if show.args.serial_only:
        _play(show, over_serial(scenario), None)
        return
    try:
        with private_broker(show.folder / "broker") as broker:
            _play(show, scenario, broker.port)
    except BrokerMissing as error:
        show.console.print(f"[yellow]{error}[/yellow]\nPlaying over serial lines alone.")
        _play(show, over_serial(scenario), None)


def over_serial(scenario: Scenario) -> Scenario:
    """The same scenario with every probe on a serial line of its own."""
    probes = [
        probe.model_copy(update={"wire": "serial", "topic": None}) if probe.wire == "mqtt" else probe
        for probe in scenario.probe
    ]
    return scenario.model_copy(update={"probe": probes})


def _play(show: Show, scenario: Scenario, mqtt_port: int | None) -> None:
    player = Player(scenario)
    clock = ManualClock(player.start_ms)
    store = show.folder / "store.db"
    with Rig(player, show.folder / "wires", mqtt_port=mqtt_port) as rig:
        text = f"{rig.configuration(store)}\n[web]\nport = {_page_port()}\n"
        (show.folder / "demo.toml").write_text(text, encoding="utf-8")
        settings = parse_settings(text, "demo.toml")
        daemon = Daemon(settings, store, clock, calendar=False, group_ms=0)
        account = Account(show.console, store, settings, clock, show.events)
        with contextlib.ExitStack() as ending:
            ending.callback(account.close)  # last, for what the daemon says at its end
            ending.callback(daemon.stop)
            daemon.start()
            if show.args.keep is not None:
                ending.callback(lambda: daemon.record(Exported()).result(10.0))
            url = daemon.web.url if daemon.web else None
            account.open(url, "MQTT and a serial line" if mqtt_port else "serial lines alone")
            with account.live():
                whole = _drive(show, rig, daemon, clock, account)
                account.over(whole=whole)
                _linger(show, account)
    if show.args.keep is not None:
        _keep(show, store)


def _drive(show: Show, rig: Rig, daemon: Daemon, clock: ManualClock, account: Account) -> bool:
    """Move time on a minute at a time, never faster than the daemon takes in what the probes said.

    Returns whether the story came to its end before `--for` did.
    """
    player = rig.player
    story_s = (player.end_ms - player.start_ms) / 1000.0
    wanted = show.args.seconds
    play_s = STORY_S if wanted is None or wanted >= STORY_S + 10.0 else max(wanted - 8.0, 10.0)
    speed = show.args.speed or story_s / play_s
    account.speed = speed
    begun = real_s()
    sent = 0
    rig.deliver_until(player.start_ms)
    before = daemon.writer.status.messages
    for now in itertools.count(player.start_ms + STEP, STEP):
        if now > player.end_ms or show.left() <= 1.0:
            return now > player.end_ms
        clock.advance(STEP)
        sent += rig.deliver_until(now)
        _wait_for(daemon, before + sent)
        ahead = (now - player.start_ms) / 1000.0 / speed - (real_s() - begun)
        if ahead > 0.0:
            time.sleep(min(ahead, 1.0))
        account.look()
    raise AssertionError


def _wait_for(daemon: Daemon, messages: int) -> None:
    until = real_s() + CATCH_UP_S
    while daemon.writer.status.messages < messages and real_s() < until:
        time.sleep(0.0005)


def _linger(show: Show, account: Account) -> None:
    """Keep the page up: until `--for` is over, or in a terminal until Ctrl-C."""
    stay = show.args.seconds is not None or sys.stdout.isatty()
    while stay and show.left() > 1.0:
        time.sleep(min(0.2, max(show.left() - 1.0, 0.0)))
        account.look()


def _page_port() -> int:
    """The usual port, or any free one where that is taken."""
    with contextlib.closing(socket.socket()) as probe:
        try:
            probe.bind(("127.0.0.1", PAGE_PORT))
        except OSError:
            return 0
    return PAGE_PORT


def _keep(show: Show, store: Path) -> None:
    out = show.folder / "demo.csv"
    with Reader(store) as reader:
        with out.open("w", encoding="utf-8", newline="") as file:
            count = write_recording((item for item in reader.inputs() if isinstance(item, Reading)), file)
        with journal_path(out).open("w", encoding="utf-8") as file:
            write_journal((item for item in reader.inputs() if not isinstance(item, Reading)), file)
    show.console.print(
        f"{count} readings are in {out}; say it all again with\n"
        f"  leeswatch replay {out} --config {show.folder / 'demo.toml'}"
    )
