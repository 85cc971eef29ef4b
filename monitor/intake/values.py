"""Numbers and times as probes write them, taken strictly: what is not plainly a number or a time is refused."""

from __future__ import annotations

import math
import re

from monitor.model.clock import MINUTE, SECOND, iso, parse_time
from monitor.model.errors import PayloadError

# A clock that starts at 1970, 1980 or 2000 when its battery is out still says less than this after years of running.
OLDEST_OWN_MS = 1_262_304_000_000  # 2010-01-01T00:00:00Z
NEWEST_OWN_MS = 4_102_444_800_000  # 2100-01-01T00:00:00Z
FUTURE_TOLERANCE_MS = 5 * MINUTE

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_MILLISECONDS_FROM = 1e11  # as seconds this is the year 5138, as milliseconds 1973


def shown(value: object) -> str:
    """A value from outside, short and in printable characters, for a reason."""
    text = value if isinstance(value, str) else repr(value)
    cut = text[:60] + ("…" if len(text) > 60 else "")
    return repr(cut) if isinstance(value, str) or not cut.isprintable() else cut


def plain(text: str, most: int = 400) -> str:
    """Text from outside for a terminal: nothing that moves its cursor or turns the writing round, and not too long."""
    cut = "".join(each if each.isprintable() else "\N{REPLACEMENT CHARACTER}" for each in text[:most])
    return f"{cut}…" if len(text) > most else cut


def number(value: object) -> float:
    """A JSON number as a float; PayloadError for anything else, for NaN and for what overflows."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PayloadError(f"{shown(value)} is no number")
    try:
        found = float(value)
    except OverflowError as error:
        raise PayloadError("the number is too large") from error
    if not math.isfinite(found):
        raise PayloadError(f"{found} is no number that can be measured")
    return found


def number_from_text(text: str) -> float:
    """A number in a line of text; a decimal comma is understood. PayloadError for anything else."""
    plain = text.strip()
    if _COMMA.fullmatch(plain):
        plain = plain.replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        raise PayloadError(f"{shown(text)} is no number")
    return number(float(plain))


def own_time(value: object) -> int:
    """A probe's own time: RFC 3339 text, or seconds or milliseconds since 1970 (a number or its text)."""
    if isinstance(value, str) and not _NUMBER.fullmatch(value.strip()):
        try:
            return plausible_time(parse_time(value.strip()))
        except (ValueError, OverflowError) as error:
            raise PayloadError(
                f"the time {shown(value)} cannot be read",
                "send RFC 3339 such as 2026-03-09T04:10:00Z, or Unix seconds",
            ) from error
    since = number_from_text(value) if isinstance(value, str) else number(value)
    return plausible_time(since if abs(since) >= _MILLISECONDS_FROM else since * SECOND)


def plausible_time(ms: float) -> int:
    """Whole milliseconds of an own time; PayloadError naming the probe's clock where it cannot be set right."""
    if not OLDEST_OWN_MS <= ms < NEWEST_OWN_MS:
        year = f"the year {iso(int(ms))[:4]}" if abs(ms) < NEWEST_OWN_MS else "a time out of all range"
        raise PayloadError(
            f"the probe's clock says {year}: its clock is not set", "set the probe's clock, or send no time"
        )
    return round(ms)


def refuse_future(measured_ms: int, now_ms: int, tolerance_ms: int = FUTURE_TOLERANCE_MS) -> str | None:
    """Why a measured time cannot be taken at `now_ms`; None when it can."""
    ahead = measured_ms - now_ms
    if ahead <= tolerance_ms:
        return None
    return (
        f"measured {iso(measured_ms)}, which is {ahead / SECOND:.0f} s in the future: "
        "the probe's clock is ahead, or the clock here is behind"
    )
