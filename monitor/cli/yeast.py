"""`leeswatch yeast`: washing, the shelf, the pitch planner, and where yeast comes from."""

from __future__ import annotations

from monitor.cli import yeast_jars, yeast_look, yeast_plan, yeast_seen, yeast_undo, yeast_wash
from monitor.cli.common import Commands, group


def add(commands: Commands) -> None:
    """Add the commands."""
    verbs = group(
        commands, "yeast", "Yeast: washing, the shelf, what to pitch, where it comes from.", "leeswatch yeast shelf"
    )
    for area in (yeast_wash, yeast_jars, yeast_seen, yeast_look, yeast_plan, yeast_undo):
        area.add(verbs)
