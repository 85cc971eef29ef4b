"""What a scenario is made of: places, washes, probes and their faults, as its file writes them."""

from __future__ import annotations

from dataclasses import fields
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from simulators.physics.ferment import Yeast


class Record(BaseModel):
    """A table of the file: its keys are all there may be."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Span(Record):
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


class Room(Record):
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


class Fridge(Record):
    """A fridge in a room."""

    name: str
    room: str
    target_c: float = 4.0
    band_k: float = 2.0
    swing_k: float = 1.2
    cooling_w: float = 95.0
    defrost_every_h: float = 0.0
    fault: list[FridgeFault] = Field(default_factory=list)


class Move(Record):
    """A vessel or probe carried to another place."""

    at_h: float
    to: str
    announced: bool = True


class Bath(Span):
    """A tub of cold or warm water around a vessel."""

    celsius: float


class Rack(Record):
    """What a vessel holds is drawn off into another, but for its lees."""

    at_h: float
    to: str
    loss_l: float = Field(default=1.0, ge=0, le=100)


class Vessel(Record):
    """A bucket, jug or jar. Without a batch it holds water (or yeast under water)."""

    name: str
    litres: float = Field(gt=0, le=2000)
    material: Literal["plastic", "glass", "steel"] = "plastic"
    place: str
    celsius: float = 20.0
    abv: float = Field(default=0.0, ge=0, le=40)
    """Of what stands in it where there is no batch; 0 is plain water."""
    move: list[Move] = Field(default_factory=list)
    bath: list[Bath] = Field(default_factory=list)
    rack: list[Rack] = Field(default_factory=list)


class Addition(Record):
    """Something put into a batch."""

    at_h: float
    sucrose_kg: float = 0.0
    water_l: float = 0.0
    nitrogen_g: float = 0.0
    announced: bool = True


class Batch(Record):
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
    addition: list[Addition] = Field(default_factory=list)
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


class Probe(Record):
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
    move: list[Move] = Field(default_factory=list)
    fault: list[ProbeFault] = Field(default_factory=list)

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
