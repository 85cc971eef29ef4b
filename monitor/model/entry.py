"""What every entry of the journal has: a kind, and when the writer received it."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, PlainSerializer

from monitor.model.clock import iso, parse_time


def _to_ms(value: object) -> object:
    return parse_time(value) if isinstance(value, str) else value


# A time in the journal: milliseconds in the program, RFC 3339 text in JSON.
Ms = Annotated[int, BeforeValidator(_to_ms), PlainSerializer(iso, return_type=str, when_used="json")]


class Entry(BaseModel):
    """One entry of the journal. `received` strictly increases, so it also names the entry."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    received: Ms = 0  # given by the writer
