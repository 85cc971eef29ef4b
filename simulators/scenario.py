"""Scenarios: the TOML files of `simulators/scenarios/`, as checked records.

Times are hours from the scenario's start (`…_h`). A key that is not known, a place that does not exist or a
span that ends before it begins is refused with a sentence saying which.
"""

from __future__ import annotations

import tomllib
from datetime import datetime
from pathlib import Path
from typing import Literal, Self

from pydantic import Field, ValidationError, model_validator

from simulators.parts import Batch, Fridge, Probe, Record, Room, Vessel

FOLDER = Path(__file__).parent / "scenarios"


class ScenarioError(ValueError):
    """A scenario file that cannot be used; the message says where and why."""


class BatchTruth(Record):
    """What should come of a batch; the physics is asked whether it does."""

    kind: Literal["finished", "stalled", "working", "chilled", "not-started"]
    cause: Literal["nutrients", "alcohol-limit", "cold-crash", "under-pitch"] | None = None
    between_h: tuple[float, float] | None = None
    """When it is truly over (finished or stalled)."""
    gravity: tuple[float, float]
    """Bracket of the last true gravity."""


class Truth(Record):
    """What is expected of a scenario."""

    batch: dict[str, BatchTruth] = Field(default_factory=dict)
    faults: list[str] = Field(default_factory=list)
    """Kinds of trouble, in order of their start, as `about:kind`."""
    coldest_c: dict[str, tuple[float, float]] = Field(default_factory=dict)
    """Bracket of a vessel's lowest temperature."""


class Scenario(Record):
    """One scenario."""

    name: str
    summary: str
    seed: int
    days: float = Field(gt=0, le=120)
    start: datetime
    site: str = "Cellar"
    timezone: str = "UTC"
    room: list[Room] = Field(min_length=1)
    fridge: list[Fridge] = Field(default_factory=list)
    vessel: list[Vessel] = Field(default_factory=list)
    batch: list[Batch] = Field(default_factory=list)
    probe: list[Probe] = Field(default_factory=list)
    truth: Truth

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        if self.start.tzinfo is None:
            raise ValueError("start needs an offset, e.g. 2026-03-02T18:00:00Z")
        rooms = {room.name for room in self.room}
        fridges = {fridge.name for fridge in self.fridge}
        vessels = {vessel.name for vessel in self.vessel}
        _known("room", rooms, [fridge.room for fridge in self.fridge])
        _known("place", rooms | fridges, [vessel.place for vessel in self.vessel])
        _known("place", rooms | fridges, [move.to for vessel in self.vessel for move in vessel.move])
        _known("vessel", vessels, [batch.vessel for batch in self.batch])
        _known("vessel", vessels, [rack.to for vessel in self.vessel for rack in vessel.rack])
        everywhere = rooms | fridges | vessels | {"out"}
        _known("place", everywhere, [probe.place for probe in self.probe])
        _known("place", everywhere, [move.to for probe in self.probe for move in probe.move])
        _known("batch", {batch.name for batch in self.batch}, list(self.truth.batch))
        _once([*rooms, *(f.name for f in self.fridge), *(v.name for v in self.vessel)])
        _once([batch.vessel for batch in self.batch])
        _once([probe.name for probe in self.probe])
        return self

    @property
    def start_ms(self) -> int:
        """The start, in milliseconds since 1970 UTC."""
        return round(self.start.timestamp() * 1000)


def _known(what: str, names: set[str], used: list[str]) -> None:
    for name in used:
        if name not in names:
            raise ValueError(f"there is no {what} '{name}'; there are {', '.join(sorted(names)) or 'none'}")


def _once(names: list[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"'{name}' is named twice")


def names() -> list[str]:
    """All scenarios that come with the project."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def load(name: str | Path) -> Scenario:
    """A scenario by its name or by the path of its file.

    Raises `ScenarioError` naming the file, the key and the reason.
    """
    path = Path(name) if str(name).endswith(".toml") else FOLDER / f"{name}.toml"
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as reason:
        raise ScenarioError(f"no scenario '{name}'; there are: {', '.join(names())}") from reason
    return parse(text, path.name)


def parse(text: str, where: str = "scenario") -> Scenario:
    """A scenario from the text of its file; `where` names it in errors."""
    try:
        return Scenario.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as reason:
        raise ScenarioError(f"{where}: {reason}") from reason
    except ValidationError as reason:
        lines = [f"{where}: {_path(fault['loc'])}: {fault['msg']}" for fault in reason.errors()]
        raise ScenarioError("\n".join(lines)) from reason


def _path(steps: tuple[int | str, ...]) -> str:
    return ".".join(str(step) for step in steps) or "as a whole"
