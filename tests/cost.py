"""What work costs, counted so that a busy machine does not change it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType


def calls_of(work: Callable[[], object], *, built_in: bool = False) -> int:
    """How many functions written in Python are called while `work` is done; `built_in`: all others, too."""
    calls, counted = 0, ("call", "c_call") if built_in else ("call",)

    def count(_: FrameType, event: str, __: object) -> None:
        nonlocal calls
        calls += event in counted

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        work()
    finally:
        sys.setprofile(before)
    return calls
