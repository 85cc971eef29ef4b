"""Times and commands as they can be typed again, for what is said of a batch."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.model.clock import iso
from monitor.model.config import Settings


def stamp(ms: int, settings: Settings) -> str:
    """A time on the site's clock: `2026-03-09 04:10`."""
    return datetime.fromtimestamp(ms / 1000, ZoneInfo(settings.site.timezone)).strftime("%Y-%m-%d %H:%M")


def undo_reading(name: str, at_ms: int) -> str:
    """The command that takes back its hand reading of a time."""
    return f"leeswatch batch reading {name} --undo --when {iso(at_ms)}"


def again(name: str, undone_ms: int) -> str:
    """How what was taken back then counts again."""
    return f"to count it again: leeswatch batch undo {name} --of {iso(undone_ms)}"
