"""`leeswatch run`: the daemon."""

from __future__ import annotations

import argparse
import contextlib
import logging
import signal
import sys
import threading
from collections.abc import Iterator

from monitor.app import Daemon
from monitor.cli.common import Commands, command, settings_of, with_config
from monitor.model.clock import KernelTimeTrust, SystemClock
from monitor.sdnotify import Notifier
from monitor.settings import store_path

WATCH_S = 5.0
EXTEND_S = 20.0


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(
        commands, "run", "Watch until told to stop (SIGTERM or Ctrl-C).", "leeswatch run --config leeswatch.toml", run
    )
    with_config(parser)
    parser.add_argument("--verbose", action="store_true", help="log more")


@contextlib.contextmanager
def starting(notifier: Notifier) -> Iterator[None]:
    """A memory of years that is rebuilt takes minutes: have the service manager wait while that goes on."""
    done = threading.Event()

    def ask_for_time() -> None:
        while not done.wait(EXTEND_S):
            notifier.starting()

    thread = threading.Thread(target=ask_for_time, name="starting", daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def run(args: argparse.Namespace) -> int:
    """Run the daemon; 0 when stopped in good order."""
    settings = settings_of(args)
    logging.basicConfig(
        level=logging.DEBUG if args.verbose else logging.INFO, stream=sys.stdout,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s", datefmt="%Y-%m-%dT%H:%M:%S%z",
    )  # fmt: skip
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    notifier = Notifier()
    with starting(notifier):
        daemon = Daemon(settings, store_path(settings), SystemClock(), trust=KernelTimeTrust())
        daemon.start()
    notifier.ready()
    try:
        while not stop.wait(WATCH_S):
            if daemon.alive():
                notifier.alive()
    finally:
        notifier.stopping()
        daemon.stop()
    return 0
