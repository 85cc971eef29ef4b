"""Clocks of clearing, cold and sealing: looked at each minute."""

from __future__ import annotations

from monitor.alerts.book import Outcome
from monitor.engine.state import State


def tick(state: State, now_ms: int, out: Outcome) -> None:
    """Look at what runs."""
