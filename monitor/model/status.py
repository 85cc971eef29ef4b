"""NAMUR NE 107 health of a probe."""

from __future__ import annotations

from enum import StrEnum


class Health(StrEnum):
    """Worst last; failure and function check suspend verdicts."""

    GOOD = "good"
    FUNCTION_CHECK = "function check"
    OUT_OF_SPECIFICATION = "out of specification"
    MAINTENANCE_REQUIRED = "maintenance required"
    FAILURE = "failure"
