"""Probes that were heard but never understood: neither silent nor never heard."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from monitor.model.clock import iso
from monitor.model.config import Probe
from monitor.store.reader import Reader

ALL_KEPT = 1000  # of what could not be read: more than the store keeps


def origin_of(probe: Probe) -> str | None:
    """The topic, port or device that a probe is heard on; None for one read by hand."""
    return {"mqtt": probe.topic, "serial": probe.port, "onewire": probe.device}.get(probe.source)


def latest_reasons(reader: Reader) -> dict[str, tuple[int, str]]:
    """Of each topic, port or device that said what could not be read: when it last did (UTC ms), and why not."""
    reasons: dict[str, tuple[int, str]] = {}
    for at, _, origin, reason, _ in reader.unreadable(ALL_KEPT):  # the latest first
        reasons.setdefault(origin, (at, reason))
    return reasons


def never_read(reader: Reader, probes: Iterable[Probe]) -> dict[str, tuple[int, str]]:
    """Probes that spoke and of which no reading is kept: when one was last refused (UTC ms), and why."""
    reasons = latest_reasons(reader)
    if not reasons:
        return {}
    read = {reading.probe for reading in reader.latest()}
    found = {probe.name: reasons.get(origin_of(probe) or "") for probe in probes if probe.name not in read}
    return {name: reason for name, reason in found.items() if reason is not None}


def mark_unread(told: Iterable[dict[str, Any]], reader: Reader, probes: Iterable[Probe]) -> None:
    """Give each probe of the picture `unreadable`: when and why, where all it ever said could not be read; else null.

    Its status then is `unreadable`, no word of NE 107: of a probe that nobody understood nothing else is known.
    """
    unread = never_read(reader, probes)
    for each in told:
        found = None if each["heard"] else unread.get(each["name"])
        each["unreadable"] = None if found is None else {"time": iso(found[0]), "reason": found[1]}
        if found is not None:
            each.update(heard=True, status="unreadable", why=words(found[1]))


def words(reason: str) -> str:
    """Why nothing is known of a probe that speaks."""
    return f"heard, but unreadable: {reason}"
