"""What a time-series server may answer that is not yes: who must do what about it."""

from __future__ import annotations


class RelayAnswer(Exception):
    """Any of them; its text is the reason, for people."""


class Refused(RelayAnswer):
    """It would not take these lines: one of them may be bad, or all of our requests."""


class TooLarge(RelayAnswer):
    """The request was too large for it."""


class Later(RelayAnswer):
    """It is away or busy: the same may be sent again, after `wait_ms` where it said so."""

    def __init__(self, reason: str, wait_ms: int | None = None, *, away: bool = False) -> None:
        """`away`: it may have started anew meanwhile."""
        super().__init__(reason)
        self.wait_ms = wait_ms
        self.away = away


class NotSetUp(RelayAnswer):
    """It knows us not: address, token, organisation or bucket are wrong. No row is at fault."""
