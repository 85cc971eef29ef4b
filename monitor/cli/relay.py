"""`leeswatch relay`: what goes to a time-series server, and reading back from it."""

from __future__ import annotations

from monitor.cli.common import Commands, group
from monitor.cli.relay_read import add_reading
from monitor.cli.relay_send import add_sending


def add(commands: Commands) -> None:
    """Add the commands."""
    verbs = group(
        commands, "relay", "A time-series server: what goes there, and reading back what it keeps.",
        "leeswatch relay status\n  leeswatch relay sites\n"
        "  leeswatch relay read --site 'North cellar' --batch amber-1 --out amber-1.csv",
    )  # fmt: skip
    add_sending(verbs)
    add_reading(verbs)
