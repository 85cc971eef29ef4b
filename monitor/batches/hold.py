"""Holding cold: how long the liquid has been at its target. The clock starts at the liquid, not at the air."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class HoldState:
    """What the hold clock remembers: the estimated liquid, and the hours it was cold for. Temperatures Cel."""

    liquid_c: float
    at_ms: int  # of the estimate
    held_ms: int = 0  # at or below the target, as far as it was watched
    since_ms: int | None = None  # since when it has been cold without a break
    unseen_ms: int = 0  # not watched: never counted
    done: bool = False
