"""A comparison of two batches as JSON-able values."""

from __future__ import annotations

from typing import Any

from monitor.batches.shape import Measured
from monitor.batches.siblings import Comparison, Difference


def compared(found: Comparison) -> dict[str, Any]:
    """A comparison: times h, gravities SG 20/20, errors one standard error; unknown is null."""
    return {
        "first": found.first,
        "second": found.second,
        "summary": found.summary,
        "criterion": "beyond: the difference is larger than 1.96 joint standard errors",
        "differences": [_row(row) for row in found.rows],
    }


def _row(row: Difference) -> dict[str, Any]:
    return {
        "what": row.name,
        "unit": row.unit,
        "first": _value(row.first),
        "second": _value(row.second),
        "difference": None if row.by is None else round(row.by, 5),
        "error": None if row.error is None else round(row.error, 5),
        "beyond": row.beyond,
        "missing": row.missing or None,
    }


def _value(value: Measured | None) -> dict[str, float] | None:
    return None if value is None else {"value": round(value.value, 5), "error": round(value.error, 5)}
