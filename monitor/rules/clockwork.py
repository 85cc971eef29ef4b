"""A probe's own clock: told wrong by how far its measured times lie from when they came.

The least delay in six hours is that of a message which came at once, so a backlog, however late, moves it little.
A right clock keeps it near zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.model.clock import HOUR, MINUTE

BLOCK = 6 * HOUR
LEAST_READINGS = 6
KEPT = 6
OFF = 10 * MINUTE  # behind or ahead for three blocks
WANDERS = 5 * MINUTE  # from block to block, twice or more the same way


@dataclass(slots=True)
class ProbeClock:
    """The least delay of each of the last blocks of six hours (ms; negative: measured after it came)."""

    since_ms: int = 0
    count: int = 0
    least: int = 0
    blocks: list[int] = field(default_factory=list)

    def take(self, measured_ms: int, received_ms: int, watched_from_ms: int) -> None:
        """Learn from a reading that came live; after a gap of our own it begins anew."""
        late = received_ms - measured_ms
        if self.count and received_ms - self.since_ms < BLOCK and self.since_ms >= watched_from_ms:
            self.least = min(self.least, late)
            self.count += 1
            return
        if self.since_ms < watched_from_ms:
            self.blocks = []
        elif self.count >= LEAST_READINGS:
            self.blocks = [*self.blocks, self.least][-KEPT:]
        self.since_ms, self.count, self.least = received_ms, 1, late

    def trouble(self) -> str | None:
        """What is wrong with it, in words; None while nothing is."""
        if len(self.blocks) < 3:
            return None
        moves = [later - earlier for earlier, later in zip(self.blocks, self.blocks[1:], strict=False)]
        if sum(move > WANDERS for move in moves) >= 2 or sum(move < -WANDERS for move in moves) >= 2:
            return "its clock runs wrong: the times it gives move against ours"
        recent = self.blocks[-3:]
        if min(recent) >= OFF:
            return f"its clock is {min(recent) // MINUTE} min behind ours"
        if max(recent) <= -WANDERS:
            return f"its clock is {-max(recent) // MINUTE} min ahead of ours"
        return None
