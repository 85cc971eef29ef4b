"""`leeswatch batch`: the life of a batch."""

from __future__ import annotations

from monitor.cli.common import Commands


def add(verbs: Commands) -> None:
    """Add the verbs."""
