"""Scenarios: the TOML files of `simulators/scenarios/`, as checked records.

Times are hours from the scenario's start (`…_h`). A key that is not known, a place that does not exist or a
span that ends before it begins is refused with a sentence saying which.
"""

from __future__ import annotations

import tomllib
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from simulators.physics.ferment import Yeast

FOLDER = Path(__file__).parent / "scenarios"


class ScenarioError(ValueError):
    """A scenario file that cannot be used; the message says where and why."""


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Span(_Record):
    """From one hour to another; without an end, to the end of the scenario."""

    from_h: float = Field(ge=0)
    to_h: float = float("inf")

    @model_validator(mode="after")
    def _forward(self) -> Self:
        if self.to_h <= self.from_h:
            raise ValueError(f"to_h = {self.to_h} is not after from_h = {self.from_h}")
        return self

    def holds(self, hours: float) -> bool:
        """Whether `hours` lies in the span (its end left out)."""
        return self.from_h <= hours < self.to_h


class Room(_Record):
    """A room and its weather."""

    name: str
    mean_c: float = 20.0
    swing_k: float = 1.0
    warmest_hour: float = 16.0
    wander_k: float = 0.3


class FridgeFault(Span):
    """Something wrong with a fridge."""

    kind: Literal["door", "compressor", "thermostat", "weak"]
    amount: float = 0.0
    """`thermostat`: kelvins added to its target. `weak`: part of the cooling lost, 0 to 1."""


class Fridge(_Record):
    """A fridge in a room."""

    name: str
    room: str
    target_c: float = 4.0
    band_k: float = 2.0
    swing_k: float = 1.2
    cooling_w: float = 95.0
    defrost_every_h: float = 0.0
    fault: list[FridgeFault] = []


class Move(_Record):
    """A vessel or probe carried to another place."""

    at_h: float
    to: str
    announced: bool = True


class Bath(Span):
    """A tub of cold or warm water around a vessel."""

    celsius: float


class Vessel(_Record):
    """A bucket, jug or jar. Without a batch it holds water (or yeast under water)."""

    name: str
    litres: float = Field(gt=0, le=2000)
    material: Literal["plastic", "glass", "steel"] = "plastic"
    place: str
    celsius: float = 20.0
    abv: float = Field(default=0.0, ge=0, le=40)
    """Of what stands in it where there is no batch; 0 is plain water."""
    move: list[Move] = []
    bath: list[Bath] = []


class Addition(_Record):
    """Something put into a batch."""

    at_h: float
    sucrose_kg: float = 0.0
    water_l: float = 0.0
    nitrogen_g: float = 0.0
    announced: bool = True


class Batch(_Record):
    """A wash: what went in, and what the keeper told the watcher about it."""

    name: str
    vessel: str
    pitched_h: float = 0.0
    sucrose_kg: float
    dextrin_kg: float = 0.0
    slow_share: float = Field(default=0.0, ge=0, le=0.5)
    yeast_g: float = 10.0
    nitrogen_mg_l: float = 170.0
    lag_h: float = 8.0
    yeast: dict[str, float] = {}
    """Traits of the strain that differ from the published ones."""
    addition: list[Addition] = []
    rouse_h: list[float] = []
    original_gravity: float | None = None
    expected_final: float | None = None
    expected_final_sd: float | None = None
    fermentables: Literal["sugar", "grain", "mixed"] | None = None
    yeast_range_c: tuple[float, float] | None = None
    alcohol_limit_abv: float | None = None

    @model_validator(mode="after")
    def _traits(self) -> Self:
        known = {trait.name for trait in fields(Yeast)}
        if strange := set(self.yeast) - known:
            raise ValueError(f"yeast has no trait {', '.join(sorted(strange))}; it has {', '.join(sorted(known))}")
        return self

    @property
    def strain(self) -> Yeast:
        """The yeast with this batch's own traits."""
        return Yeast(**self.yeast)


class Stuck(Span):
    """The probe says the same value again and again: all of it (`pair`) or its gravity only."""

    kind: Literal["stuck"]
    what: Literal["pair", "gravity"] = "pair"


class Silent(Span):
    """Nothing is measured and nothing comes. `battery`: its voltage falls away first."""

    kind: Literal["silent"]
    battery: bool = False


class Offline(Span):
    """Measured, but held back; all of it comes in a burst at the end, in a shuffled order."""

    kind: Literal["offline"]
    shuffled: bool = True


class Lost(Span):
    """A part of the messages never arrives."""

    kind: Literal["lost"]
    share: float = Field(gt=0, le=1)


class Repeated(Span):
    """A part of the messages comes twice."""

    kind: Literal["repeated"]
    share: float = Field(gt=0, le=1)


class WrongClock(Span):
    """The probe's own clock is off by `offset_s`."""

    kind: Literal["clock"]
    offset_s: float


class PowerOn(Span):
    """A part of the temperatures is the 85.000 °C of a one-wire sensor that has just woken."""

    kind: Literal["power-on"]
    share: float = Field(default=0.02, gt=0, le=1)


class Garbage(Span):
    """A part of the messages is torn or nonsense."""

    kind: Literal["garbage"]
    share: float = Field(gt=0, le=1)


ProbeFault = Annotated[
    Stuck | Silent | Offline | Lost | Repeated | WrongClock | PowerOn | Garbage, Field(discriminator="kind")
]

QUANTITIES = (
    "gravity",
    "temperature",
    "float_angle",
    "hydrometer",
    "battery",
    "signal",
    "bubbles",
    "mass",
    "contact",
    "power",
)


def _quantity(name: str) -> str:
    if name not in QUANTITIES:
        raise ValueError(f"'{name}' is not simulated; these are: {', '.join(QUANTITIES)}")
    return name


Quantity = Annotated[str, AfterValidator(_quantity)]


class Probe(_Record):
    """A probe: where it sits, what it measures, how well, how it talks and what goes wrong with it."""

    name: str
    place: str
    """A vessel, fridge or room; or `out`."""
    measures: Literal["liquid", "wall", "air"] | None = None
    wire: Literal["mqtt", "serial", "onewire", "hand"] = "mqtt"
    says: Literal["senml", "fields", "text"] = "senml"
    topic: str | None = None
    clock: bool | None = None
    """Whether its messages carry their own time. Left out: SenML does, other words do not."""
    retained: bool = False
    status: bool = False
    """Whether it also keeps a retained `…/status` of online or offline."""
    quantities: list[Quantity] = ["gravity", "temperature"]
    every_s: float = Field(default=600, ge=1)
    at_h: list[float] = []
    """By hand: when readings are taken."""
    noise: dict[Quantity, float] = {}
    step: dict[Quantity, float] = {}
    """Resolution: values come in whole steps."""
    wander: float = 0.00015
    """Gravity: slow error with six hours' memory (standard deviation)."""
    drift_per_week: float = 0.0
    per_kelvin: float = 0.0
    """Gravity error per kelvin away from 20 °C."""
    offset: dict[Quantity, float] = {}
    bubbles: float = 0.0
    """Spikes a day at the height of fermentation, 0.004 on average."""
    krausen: float = 0.0
    """Gravity error (high) under the thickest foam."""
    move: list[Move] = []
    fault: list[ProbeFault] = []

    @model_validator(mode="after")
    def _talks(self) -> Self:
        if self.wire == "hand" and not self.at_h:
            raise ValueError("a hand probe needs at_h, the hours of its readings")
        if self.says == "text" and self.wire == "mqtt":
            raise ValueError("text lines are for serial; over MQTT use senml or fields")
        if self.clock and (self.says == "text" or self.wire in ("onewire", "hand")):
            raise ValueError("only senml and fields over MQTT or serial carry a time of their own")
        return self

    @property
    def timed(self) -> bool:
        """Whether its messages carry their own time."""
        own = self.says == "senml" if self.clock is None else self.clock
        return own and self.wire in ("mqtt", "serial")


class BatchTruth(_Record):
    """What should come of a batch; the physics is asked whether it does."""

    kind: Literal["finished", "stalled", "working", "chilled", "not-started"]
    cause: Literal["nutrients", "alcohol-limit", "cold-crash", "under-pitch"] | None = None
    between_h: tuple[float, float] | None = None
    """When it is truly over (finished or stalled)."""
    gravity: tuple[float, float]
    """Bracket of the last true gravity."""


class Truth(_Record):
    """What is expected of a scenario."""

    batch: dict[str, BatchTruth] = {}
    faults: list[str] = []
    """Kinds of trouble, in order of their start, as `about:kind`."""
    coldest_c: dict[str, tuple[float, float]] = {}
    """Bracket of a vessel's lowest temperature."""


class Scenario(_Record):
    """One scenario."""

    name: str
    summary: str
    seed: int
    days: float = Field(gt=0, le=120)
    start: datetime
    site: str = "Cellar"
    timezone: str = "UTC"
    room: list[Room] = Field(min_length=1)
    fridge: list[Fridge] = []
    vessel: list[Vessel] = []
    batch: list[Batch] = []
    probe: list[Probe] = []
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
