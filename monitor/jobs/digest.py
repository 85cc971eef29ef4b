"""The morning digest: how every batch is, what is open, who is silent, and what could not be sent."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alerts.routes.text import local_time
from monitor.model.clock import HOUR, parse_time
from monitor.store.reader import Reader

FRESH = 7 * HOUR  # a fermenting batch is judged at least every 6 h: an older verdict says when it was given
STALE = 48 * HOUR  # older than this it is of a batch that is no longer judged
ALERTS_READ = 2_000


def digest_text(reader: Reader, now_ms: int, zone: ZoneInfo, site: str) -> str:
    """One paragraph that may be enough, then a line for each thing. All as of one moment of the store."""
    with reader.moment():
        verdicts = reader.latest_verdicts()
        open_alerts = _open_alerts(reader)
        waiting = reader.waiting()
    silent = [each for each in open_alerts if each["alert"] == "probe-silent" and each["about"].startswith("probe:")]
    others = [each for each in open_alerts if each not in silent]
    batches = list(_batches(verdicts, now_ms, zone))
    unsent = sum(count for count, _ in waiting.values())
    summary = (
        f"{site}, {local_time(now_ms, zone)}: {_some(len(batches), 'batch', 'batches')} judged, "
        f"{_some(len(others), 'alert', 'alerts')} open, {_some(len(silent), 'probe', 'probes')} silent, "
        f"{_some(unsent, 'message', 'messages')} waiting to be sent."
    )
    return "\n".join(
        [
            summary,
            *batches,
            *(f"Open: {_alert(alert, zone)}" for alert in others),
            *(f"Silent: {_alert(alert, zone)}" for alert in silent),
            *(f"Waiting for {route}: {_waits(count, error)}" for route, (count, error) in sorted(waiting.items())),
        ]
    )


def _some(count: int, one: str, many: str) -> str:
    return f"{count or 'no'} {one if count == 1 else many}"


def _waits(count: int, error: str | None) -> str:
    return f"{count}" if error is None else f"{count} ({error})"


def _batches(verdicts: dict[str, dict[str, Any]], now_ms: int, zone: ZoneInfo) -> Iterator[str]:
    for batch, record in sorted(verdicts.items()):
        age = now_ms - parse_time(record["time"])
        if age <= STALE:
            as_of = f" (as of {local_time(parse_time(record['time']), zone)})" if age > FRESH else ""
            yield f"{batch}: {_verdict(record, zone)}{as_of}."


def _verdict(record: dict[str, Any], zone: ZoneInfo) -> str:
    parts = [record["verdict"]]
    if record["gravity"] is not None:
        parts.append(f"gravity {record['gravity']:.4f}")
    if record["rate_per_day"] is not None and record["verdict"] in ("working", "slowing", "stalled"):
        parts.append(f"{record['rate_per_day']:+.4f} a day".replace("-", "−"))
    if record["finish_expected"] is not None and record["verdict"] in ("working", "slowing"):
        parts.append(f"finish expected {local_time(parse_time(record['finish_expected']), zone)}")
        if record["finish_range"] is not None:
            early, late = (local_time(parse_time(moment), zone) for moment in record["finish_range"])
            parts.append(f"between {early} and {late}")
    if record["verdict"] in ("unknown", "stalled") and record["because"]:
        parts.append(record["because"][0].rstrip("."))
    return ", ".join(parts)


def _open_alerts(reader: Reader) -> list[dict[str, Any]]:
    """The latest record of each alert that has not returned, oldest first, with `since`, when it was raised."""
    latest: dict[str, dict[str, Any]] = {}
    for record in reader.alerts(ALERTS_READ):  # newest first
        known = latest.setdefault(record["id"], record)
        known["since"] = record["time"]
    standing = [record for record in latest.values() if record["change"] != "returned"]
    return sorted(standing, key=lambda record: str(record["since"]))


def _alert(record: dict[str, Any], zone: ZoneInfo) -> str:
    state = {"acknowledged": ", acknowledged", "shelved": ", set aside"}.get(record["change"], "")
    return f"{record['message'].rstrip('.')} (since {local_time(parse_time(record['since']), zone)}{state})."
