"""Which readings a part of the past needs: of some probes, of a time, or of a batch with all that was around it.

It looks into the pieces of the engine's state as they are stored, so that whoever asks need not load the engine.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from monitor.model.inputs import Reading


@dataclass(frozen=True, slots=True)
class Part:
    """Readings of these probes (None: of all), measured at or after `from_ms` and, where given, before `to_ms`."""

    from_ms: int = 0
    to_ms: int | None = None
    probes: frozenset[str] | None = None

    def holds(self, reading: Reading) -> bool:
        """Whether a reading is among them."""
        if reading.measured_ms < self.from_ms or (self.to_ms is not None and reading.measured_ms >= self.to_ms):
            return False
        return self.probes is None or reading.probe in self.probes

    def within(self, from_ms: int | None, to_ms: int | None) -> Part:
        """What of it was measured in a time."""
        ends = [end for end in (self.to_ms, to_ms) if end is not None]
        return replace(self, from_ms=max(self.from_ms, from_ms or 0), to_ms=min(ends, default=None))


def part_of(pieces: Mapping[str, bytes], batch: str, vessel: str) -> Part:
    """What a batch needs: all probes that ever sat where it was, in the fridge it stands in, or in a room.

    `vessel` is where it is, or was at last. What came after it was closed is another batch's.
    """
    told: dict[str, Any] = json.loads(pieces.get(f"batch:{batch}", b"{}"))
    homes = {str(where) for _, where in told.get("homes", ())} or {vessel}
    probes = frozenset().union(*(_probes_of(pieces, home) for home in homes))
    return Part(told.get("pitched_ms", 0), told.get("closed_ms"), probes)


def _probes_of(pieces: Mapping[str, bytes], vessel: str) -> set[str]:
    wanted = {f"vessel:{vessel}"}
    wanted |= {
        key for key, piece in pieces.items() if key.startswith("fridge:") and vessel in json.loads(piece)["contents"]
    }
    places: dict[str, list[tuple[int, str | None]]] = json.loads(pieces.get("places", b"{}"))
    found = {
        probe
        for probe, spans in places.items()
        if any(where in wanted or (where or "").startswith("room:") for _, where in spans)
    }
    return found | {f"hand:{vessel}"}
