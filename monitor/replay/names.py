"""Whether another configuration speaks of the same things as a recording: a mistyped name would change everything."""

from __future__ import annotations

import difflib
from pathlib import Path

from monitor.intake.recording import Recording
from monitor.model.config import RuleSettings
from monitor.model.errors import UsageError

PLURAL = {"batch": "batches", "vessel": "vessels", "probe": "probes"}


def check_names(file: str, other: RuleSettings, base: RuleSettings, recording: Path) -> None:
    """UsageError with every batch, vessel and probe of `other` that neither the recording nor its configuration has."""
    unknown = []
    for kind, plural in PLURAL.items():
        known = _known(kind, base)
        missing = [name for name in _known(kind, other) if name not in known]
        if kind == "probe" and missing:
            known |= dict.fromkeys(reading.probe for reading in Recording(recording))
            missing = [name for name in missing if name not in known]
        for name in missing:
            close = difflib.get_close_matches(name, known, n=1)
            hint = f"did you mean {close[0]}? " if close else ""
            listed = f"its {plural}: {', '.join(known) or 'none'}"
            unknown.append(f"{file} names {kind} {name}, which {recording} does not have; {hint}{listed}")
    if unknown:
        raise UsageError("\n".join(unknown), "give the things the names they had, or leave out what was not there")


def _known(kind: str, settings: RuleSettings) -> dict[str, None]:
    names = [item.name for item in getattr(settings, kind)]
    if kind == "probe":  # one that is only named where it sits is a probe too
        lists = ([place.probes for place in places] for places in (settings.vessel, settings.room, settings.fridge))
        names += [name for probes in lists for each in probes for name in each]
    elif kind == "vessel":
        names += [batch.vessel for batch in settings.batch]
    return dict.fromkeys(names)
