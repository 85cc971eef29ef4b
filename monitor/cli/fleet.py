"""`leeswatch fleet`: every site's sentences on one broker, and who has gone quiet."""

from __future__ import annotations

import argparse
import json
import queue
from pathlib import Path
from typing import Any

from rich.console import Console

from monitor.cli.common import Commands, command, number, settings_of, with_config, with_json
from monitor.cli.fleet_look import drawn
from monitor.fleet.sites import HEAD, TOPICS, Fleet, Picture
from monitor.model.clock import SystemClock, real_s
from monitor.model.config import Mqtt, Tls
from monitor.model.errors import UsageError
from monitor.sources.broker import Listener

GATHER_S = 2.0
REPAINT_S = 30.0  # on a terminal: how long ago something was goes on without news
WIDE = 120  # columns where nobody can say how many there are
_LOOK_S = 0.5

Heard = tuple[str, bytes, bool, int]


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(
        commands, "fleet", "Every site on one broker: who has gone quiet, what stands, what the batches do.",
        "leeswatch fleet --host tower --port 8883 --ca /etc/ssl/certs/tower.crt --user viewer --password-file ~/.tower",
        run,
    )  # fmt: skip
    with_config(parser)
    with_json(parser)
    parser.add_argument("--host", metavar="HOST", help="the broker (default: that of [mqtt])")
    parser.add_argument("--port", type=int, metavar="PORT", help="its port")
    parser.add_argument("--user", metavar="NAME", help="user name there")
    parser.add_argument("--password-file", type=Path, metavar="FILE", help="file with the password")
    parser.add_argument("--ca", type=Path, metavar="FILE", help="certificate of its authority: speak TLS")
    parser.add_argument(
        "--for", dest="seconds", type=number, metavar="SECONDS", help=f"how long to gather (default {GATHER_S:g})"
    )
    parser.add_argument("--watch", action="store_true", help="go on and show each change, until Ctrl-C or --for")
    parser.add_argument(
        "--expect", action="append", default=[], metavar="SITE", help="a site that has to be there (may be repeated)"
    )
    parser.add_argument("--all", action="store_true", help="show all batches of large sites")


def broker_of(args: argparse.Namespace) -> Mqtt:
    """The broker that the command line names, else the configuration's with what the command line changes."""
    told = {
        "host": args.host, "port": args.port, "username": args.user, "password_file": args.password_file,
        "tls": None if args.ca is None else Tls(ca=args.ca),
    }  # fmt: skip
    given = {key: value for key, value in told.items() if value is not None}
    if args.port is not None and not 1 <= args.port <= 65_535:
        raise UsageError(f"--port {args.port} is no port", "give one from 1 to 65535")
    if args.host is not None and args.config is None:
        return Mqtt(**given)
    mqtt = settings_of(args).mqtt
    if mqtt is None and args.host is None:
        raise UsageError("the configuration names no broker", "add [mqtt], or give --host")
    return (mqtt or Mqtt()).model_copy(update=given)


def run(args: argparse.Namespace) -> int:
    """0: every site is heard and no urgent alert is unseen; 1: not so."""
    seconds = args.seconds if args.seconds is not None else None if args.watch else GATHER_S
    if seconds is not None and seconds < 0:
        raise UsageError(f"--for {seconds:g} cannot be", "give the seconds to gather")
    if any("/" in name or not name for name in args.expect):
        raise UsageError("a site is one level of a topic", f"give SITE as in {HEAD}/SITE/leeswatch/…, without a slash")
    heard: queue.SimpleQueue[Heard] = queue.SimpleQueue()
    clock = SystemClock()

    def take(topic: str, payload: bytes, retained: bool) -> None:  # noqa: FBT001 - as the listener calls it
        heard.put((topic, payload, retained, clock.wall_ms()))

    fleet = Fleet(tuple(args.expect))
    with Listener(broker_of(args), TOPICS, take) as listener:
        painter = Painter(args)
        end = None if seconds is None else real_s() + seconds
        while end is None or real_s() < end:
            _gather(fleet, heard, _LOOK_S if end is None else min(_LOOK_S, max(0.0, end - real_s())))
            if args.watch:
                painter.show(fleet.picture(clock.wall_ms()), listener.connected)
        _gather(fleet, heard, 0.0)
    picture = fleet.picture(clock.wall_ms())
    if not args.watch:
        painter.paint(picture)
    return 0 if picture.well else 1


def _gather(fleet: Fleet, heard: queue.SimpleQueue[Heard], seconds: float) -> None:
    """Take in what comes within so many seconds, and then what is there."""
    end = real_s() + seconds
    while (left := end - real_s()) > 0.0:
        try:
            _take(fleet, heard.get(timeout=left))
        except queue.Empty:
            return
    for _ in range(heard.qsize()):
        _take(fleet, heard.get())


def _take(fleet: Fleet, heard: Heard) -> None:
    topic, payload, retained, at_ms = heard
    fleet.take(topic, payload, at_ms, retained=retained)


class Painter:
    """Shows pictures: on a terminal each over the last, elsewhere one below the other when something changed."""

    def __init__(self, args: argparse.Namespace) -> None:
        self._json, self._whole, self._watch = args.json, args.all, args.watch
        self._out = Console(highlight=False, markup=False, emoji=False)
        if not self._out.is_terminal:
            self._out.width = max(self._out.width, WIDE)
        self._shown: dict[str, Any] | None = None
        self._shown_s = 0.0

    def show(self, picture: Picture, connected: bool) -> None:  # noqa: FBT001
        """Paint it if there is something new in it."""
        core = _core(picture) | {"connected": connected}
        old = self._out.is_terminal and not self._json and real_s() - self._shown_s >= REPAINT_S
        if core == self._shown and not old:
            return
        again, self._shown, self._shown_s = self._shown is not None, core, real_s()
        if self._out.is_terminal and not self._json:
            self._out.clear()
        elif again and not self._json:
            self._out.rule(style="none", characters="-")
        self.paint(picture, connected=connected)

    def paint(self, picture: Picture, *, connected: bool = True) -> None:
        """Print it."""
        if self._json:
            told = picture.record() | {"connected": connected}
            print(json.dumps(told, ensure_ascii=False, indent=None if self._watch else 2), flush=True)
            return
        if not connected:
            self._out.print("The broker is away: what follows is what was last heard.")
        for line in drawn(picture, whole=self._whole):
            self._out.print(line, soft_wrap=not self._out.is_terminal)


def _core(picture: Picture) -> dict[str, Any]:
    """A picture without what time alone changes."""
    told: dict[str, Any] = picture.record()
    told.pop("time")
    for site in told["sites"]:
        for key in ("summary_age_s", "summary_time", "clock", "clock_ahead_s"):
            site.pop(key)
        if site["reach"] == "quiet":
            site.pop("why")  # it says for how long
    return told
