"""Deeds: what people do to batches and yeast, as entries of the journal.

A deed says what was done and when (`at`); what follows from it is worked out from all deeds about the same thing that
count. Nothing is rewritten: a mistake is taken back by an `undone` entry, which names it by when it was received, and
a correction is an `undone` and the deed as it should have been.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from monitor.model.config import Name
from monitor.model.entry import Entry, Ms

Litres = Annotated[float, Field(gt=0, le=10_000)]
Millilitres = Annotated[float, Field(gt=0, le=100_000)]
Celsius = Annotated[float, Field(ge=-40, le=60)]
Text = Annotated[str, Field(min_length=1, max_length=4_000)]
About = Annotated[str, Field(pattern=r"^(batch|wash|jar):[a-z0-9][a-z0-9._-]{0,62}$")]

Clearness = Literal["opaque", "cloudy", "hazy", "clear", "bright"]
Material = Literal["plastic", "glass", "steel"]


class Deed(Entry):
    """Something that was done at a time."""

    at: Ms


# --- a batch -----------------------------------------------------------------------------------------------------


class Racked(Deed):
    """A batch went from its vessel into another, off its lees."""

    kind: Literal["racked"] = "racked"
    batch: Name
    to: Name
    volume_l: Litres | None = None  # what arrived
    loss_l: Annotated[float, Field(ge=0, le=10_000)] | None = None  # what stayed behind


class Split(Deed):
    """Part of a batch went into a vessel of its own, as a batch of its own."""

    kind: Literal["split"] = "split"
    batch: Name
    name: Name
    vessel: Name
    volume_l: Litres


class Merged(Deed):
    """A batch was poured into another, and is over."""

    kind: Literal["merged"] = "merged"
    batch: Name
    into: Name
    volume_l: Litres | None = None
    # What the other amounts to after it, where both were known: by how much its original gravity rose, and its volume.
    gravity_rise: Annotated[float, Field(ge=-0.2, le=0.2)] | None = None
    into_volume_l: Litres | None = None
    # What went in, as it was then: its original gravity and the one it had.
    original: Annotated[float, Field(ge=0.98, le=1.2)] | None = None
    gravity: Annotated[float, Field(ge=0.96, le=1.2)] | None = None


class Reopened(Deed):
    """A batch that was closed goes on."""

    kind: Literal["batch-reopened"] = "batch-reopened"
    batch: Name


class Noted(Deed):
    """Words about a thing: a note, what it tasted like, or that it smells off."""

    kind: Literal["note"] = "note"
    about: About
    text: Text
    sort: Literal["note", "tasting", "off-smell"] = "note"
    score: Annotated[int, Field(ge=1, le=10)] | None = None


class Photo(Deed):
    """A photo, kept as a file in the photo folder beside the store."""

    kind: Literal["photo"] = "photo"
    about: About
    file: Annotated[str, Field(pattern=r"^[0-9a-f]{16}\.(jpg|jpeg|png|webp|heic)$")]
    caption: Annotated[str, Field(max_length=400)] = ""
    clearness: Clearness | None = None  # when it was taken to judge by eye


class Fined(Deed):
    """A part of the finings went in."""

    kind: Literal["fining"] = "fining"
    batch: Name
    part: Literal[1, 2]
    what: Annotated[str, Field(min_length=1, max_length=60)]
    dose_ml: Annotated[float, Field(gt=0, le=10_000)] | None = None
    degassed: bool = False  # the person said that the gas was stirred out first
    anyway: bool = False  # against the advice of the check


class Clarity(Deed):
    """How clear it is: by eye, or by a turbidity reading typed by hand."""

    kind: Literal["clarity"] = "clarity"
    batch: Name
    clearness: Clearness | None = None
    ntu: Annotated[float, Field(ge=0, le=10_000)] | None = None


class Held(Deed):
    """Something is to be held cold: `hours` with its liquid at or below `target_c`."""

    kind: Literal["hold"] = "hold"
    about: About
    fridge: Name | None = None
    target_c: Celsius
    hours: Annotated[float, Field(gt=0, le=10_000)]
    litres: Litres | None = None
    material: Material | None = None
    abv: Annotated[float, Field(ge=0, le=80)] | None = None
    from_c: Celsius = 20.0  # its temperature when it went in


class HoldEnded(Deed):
    """It is not held cold any more."""

    kind: Literal["hold-ended"] = "hold-ended"
    about: About


class SealedUp(Deed):
    """A batch, or part of it, was closed tight."""

    kind: Literal["sealed"] = "sealed"
    batch: Name
    litres: Litres
    headspace_l: Annotated[float, Field(gt=0, le=10_000)]
    sealed_at_c: Celsius
    stored_at_c: Celsius  # the hottest place it will stand
    material: Material = "glass"
    rated_bar: Annotated[float, Field(gt=0, le=200)] | None = None  # by its maker, for pressure; None: not rated
    # What was known of the batch when it was closed, so that a later fall can be told from noise.
    gravity: Annotated[float, Field(ge=0.9, le=1.3)] | None = None
    gravity_error: Annotated[float, Field(ge=0, le=0.05)] | None = None  # standard error; so is the next
    final_error: Annotated[float, Field(ge=0, le=0.05)] | None = None  # of where it was expected to end
    fall_most: Annotated[float, Field(ge=0, le=0.3)] | None = None  # 95 % upper bound of what was still to fall
    abv: Annotated[float, Field(ge=0, le=30)] | None = None
    scale_error: Annotated[float, Field(ge=0, le=0.05)] | None = None  # of gravity and end alike, by one hydrometer


class Unsealed(Deed):
    """What was closed tight stands open again, or under an airlock."""

    kind: Literal["unsealed"] = "unsealed"
    batch: Name


# --- yeast -------------------------------------------------------------------------------------------------------


class Harvested(Deed):
    """Lees were taken from a batch to be washed; what they come from is noted as it was then."""

    kind: Literal["harvest"] = "harvest"
    wash: Name
    batch: Name
    strain: Annotated[str, Field(min_length=1, max_length=60)]
    generation: Annotated[int, Field(ge=1, le=100)]  # the packet is 0; yeast that fermented once is 1
    volume_ml: Millilitres
    abv: Annotated[float, Field(ge=0, le=30)] | None = None
    stalled: bool = False
    off_smell: bool = False
    parents: list[Name] = Field(default_factory=list)  # jars that the batch was pitched from


class WashRound(Deed):
    """Water was put on and shaken: it stands from now. A short stand only lets grain and dark matter drop."""

    kind: Literal["wash-round"] = "wash-round"
    wash: Name
    water_ml: Millilitres
    stand: Literal["short", "long"] = "long"
    powdery: bool = False
    water: Literal["boiled", "distilled"] = "boiled"  # boiled is cooled before it goes on
    depth_mm: Annotated[float, Field(ge=1, le=5_000)] | None = None  # of the liquid in the jar, where measured
    stands_c: Annotated[float, Field(ge=0, le=40)] = 20.0  # where it stands


class PouredOff(Deed):
    """The stand is over: after a long one the water went off, after a short one the cloudy part was poured on."""

    kind: Literal["poured-off"] = "poured-off"
    wash: Name
    kept_ml: Millilitres | None = None


class WashDiscarded(Deed):
    """What is left of a wash is gone."""

    kind: Literal["wash-discarded"] = "wash-discarded"
    wash: Name
    why: Annotated[str, Field(max_length=200)] = ""


class Jarred(Deed):
    """A jar stands on the shelf, from a packet, a wash or a starter."""

    kind: Literal["jar"] = "jar"
    jar: Name
    strain: Annotated[str, Field(min_length=1, max_length=60)]
    origin: Literal["packet", "wash", "starter", "given"]
    wash: Name | None = None
    parents: list[Name] = Field(default_factory=list)
    generation: Annotated[int, Field(ge=0, le=100)] = 0
    volume_ml: Millilitres
    layer_ml: Millilitres | None = None  # the settled yeast in it
    # Living cells in all as it was put up: where a packet says so, or as a starter was reckoned.
    cells: Annotated[float, Field(gt=0, le=1e15)] | None = None
    cells_low: Annotated[float, Field(gt=0, le=1e15)] | None = None
    cells_high: Annotated[float, Field(gt=0, le=1e15)] | None = None
    grams: Annotated[float, Field(gt=0, le=100_000)] | None = None  # dried yeast: `volume_ml` is then its grams, too
    taken_ml: Millilitres | None = None  # what a starter took of its one parent
    ready: Ms | None = None  # when a starter has usually grown, its lag left out
    best_before: Ms | None = None  # as the packet says
    stored_c: Celsius = 4.0
    fridge: Name | None = None


class JarCounted(Deed):
    """A count under the microscope."""

    kind: Literal["jar-count"] = "jar-count"
    jar: Name
    cells_per_ml: Annotated[float, Field(gt=0, le=1e11)]  # of the settled layer
    cells_low: Annotated[float, Field(ge=0, le=1e12)] | None = None  # 90 % limits of the count
    cells_high: Annotated[float, Field(gt=0, le=1e12)] | None = None
    viability: Annotated[float, Field(ge=0, le=100)] | None = None  # per cent
    viability_low: Annotated[float, Field(ge=0, le=100)] | None = None
    viability_high: Annotated[float, Field(ge=0, le=100)] | None = None


class JarLayer(Deed):
    """How much of what is left in a jar is settled yeast."""

    kind: Literal["jar-layer"] = "jar-layer"
    jar: Name
    layer_ml: Millilitres


class JarUsed(Deed):
    """Some of a jar was pitched, or given away."""

    kind: Literal["jar-used"] = "jar-used"
    jar: Name
    batch: Name | None = None
    ml: Millilitres  # of the jar shaken up; of dried yeast grams
    unit: Literal["mL", "g"] = "mL"


class JarDiscarded(Deed):
    """A jar is gone."""

    kind: Literal["jar-discarded"] = "jar-discarded"
    jar: Name
    why: Annotated[str, Field(max_length=200)] = ""


# --- taking back -------------------------------------------------------------------------------------------------


class Undone(Entry):
    """The entry received at `of` does not count; or, where that was itself an undoing, it counts again."""

    kind: Literal["undone"] = "undone"
    of: Ms


DeedEntry = (
    Racked | Split | Merged | Reopened | Noted | Photo | Fined | Clarity | Held | HoldEnded | SealedUp | Unsealed
    | Harvested | WashRound | PouredOff | WashDiscarded | Jarred | JarCounted | JarLayer | JarUsed | JarDiscarded
)  # fmt: skip
