"""Washing yeast: rounds of water and standing, from the lees of a batch to jars; and what may be washed at all.

The figures of the rounds are common practice, no source, and set by the person (`YeastPractice`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from monitor.batches.clearing import Sinking, Surroundings, depth_mm, sinking
from monitor.batches.record import counting, when
from monitor.model.clock import DAY, HOUR, MINUTE, iso
from monitor.model.config import YeastPractice
from monitor.model.deeds import Harvested, Jarred, Noted, PouredOff, WashDiscarded, WashRound
from monitor.model.inputs import JournalEntry

Ended = Literal["poured", "next round", "put up", "thrown out"]

HYGIENE: Final = (
    "everything that touches it is clean and sanitised: jars, funnel, siphon, hands; the work done in still air, fast",
    "the water was boiled and has cooled, or is distilled: hot water kills the yeast and cracks glass",
)
SHAKE: Final = "put the lid on to shake it, then loosen it at once: a jar that stands never has a tight lid"


@dataclass(frozen=True, slots=True)
class Stand:
    """A stand under water. Times UTC ms, mL, mm, Cel."""

    number: int
    """Which stand it is, from 1."""
    stand: Literal["short", "long"]
    powdery: bool
    water_ml: float
    from_ms: int
    told_ms: int
    due_ms: int
    ended_ms: int | None
    how: Literal["stands", "poured", "next round", "put up", "thrown out"]
    kept_ml: float | None
    depth_mm: float | None
    stands_c: float

    @property
    def early(self) -> bool:
        """Whether it was ended before its time."""
        return self.ended_ms is not None and self.ended_ms < self.due_ms


@dataclass(frozen=True, slots=True)
class Washing:
    """A wash as its record tells it."""

    name: str
    harvest: Harvested | None
    stands: tuple[Stand, ...]
    volume_ml: float | None
    """What is in it now; None: nobody said."""
    jars: tuple[Jarred, ...]
    notes: tuple[Noted, ...]
    gone: str = ""
    """Why what was left of it is thrown out; empty while it is there."""

    @property
    def running(self) -> Stand | None:
        """The stand that is not over."""
        return self.stands[-1] if self.stands and self.stands[-1].ended_ms is None else None

    @property
    def rounds(self) -> int:
        """Long stands that are over: the rounds that washed it."""
        return sum(each.stand == "long" and each.ended_ms is not None for each in self.stands)


def span_ms(stand: str, practice: YeastPractice, *, powdery: bool) -> int:
    """How long a stand lasts at least."""
    seconds = practice.short_stand if stand == "short" else practice.long_stand
    if stand == "long" and powdery:
        seconds = max(seconds, practice.powdery_stand)
    return round(seconds * 1000)


def fold(name: str, record: Iterable[JournalEntry], practice: YeastPractice) -> Washing | None:
    """The wash of a name; None where nothing that counts was told of it. Tolerates what makes no sense."""
    harvest: Harvested | None = None
    stands: list[Stand] = []
    volume: float | None = None
    jars: dict[str, Jarred] = {}
    done = counting(record)
    notes = tuple(each for each in done if isinstance(each, Noted))
    thrown = next((each for each in done if isinstance(each, WashDiscarded)), None)

    def end(at: int, how: Ended, kept: float | None = None) -> bool:
        if not stands or stands[-1].ended_ms is not None:
            return False
        stands[-1] = _ended(stands[-1], max(at, stands[-1].from_ms), how, kept)
        return True

    for entry in done if thrown is None else done[: done.index(thrown)]:  # nothing is done to what is gone
        at = when(entry)
        if isinstance(entry, Harvested) and entry.wash == name:
            harvest, volume = entry, entry.volume_ml
        elif isinstance(entry, WashRound):
            if end(at, "next round") and stands[-1].stand == "long":
                volume = None  # nobody said what was left when its water went off
            volume = volume + entry.water_ml if volume is not None else None
            stands.append(_begun(len(stands) + 1, entry, volume, practice))
        elif isinstance(entry, PouredOff):
            if end(at, "poured", entry.kept_ml):
                volume = entry.kept_ml
        elif isinstance(entry, Jarred) and entry.wash == name:
            end(at, "put up")
            jars[entry.jar] = entry
            volume = max(0.0, volume - entry.volume_ml) if volume is not None else None
    gone = ""
    if thrown is not None:
        end(thrown.at, "thrown out")
        volume, gone = 0.0, thrown.why or "thrown out"
    if harvest is None and not stands and not jars and not notes:
        return None
    return Washing(name, harvest, tuple(stands), volume, tuple(jars.values()), notes, gone)


def _begun(number: int, entry: WashRound, volume: float | None, practice: YeastPractice) -> Stand:
    at = when(entry)
    depth = entry.depth_mm if entry.depth_mm is not None else None if volume is None else depth_mm(volume / 1000.0)
    return Stand(
        number, entry.stand, entry.powdery, entry.water_ml, at, entry.received,
        at + span_ms(entry.stand, practice, powdery=entry.powdery), None, "stands", None, depth, entry.stands_c,
    )  # fmt: skip


def _ended(stand: Stand, at: int, how: Ended, kept: float | None) -> Stand:
    return Stand(
        stand.number, stand.stand, stand.powdery, stand.water_ml, stand.from_ms, stand.told_ms, stand.due_ms, at, how,
        kept, stand.depth_mm, stand.stands_c,
    )  # fmt: skip


# --- the clock ---------------------------------------------------------------------------------------------------


def sinks(stand: Stand) -> Sinking | None:
    """How long flocs and cells need in water of that depth; None where the depth is not known or out of range."""
    if stand.depth_mm is None:
        return None
    try:
        return sinking(Surroundings(stand.depth_mm, stand.stands_c, 0.0, abv_known=True))
    except ValueError:
        return None


def physics(stand: Stand) -> str:
    """What settling says beside the clock of practice, as one sentence without its stop; empty where unknown."""
    falls = sinks(stand)
    if falls is None:
        return ""
    return (
        f"through {falls.around.depth_mm:.0f} mm of water at {stand.stands_c:.0f} °C flocs sink in "
        f"{hours_words(falls.flocs[0])} ({hours_words(falls.flocs[1])} to {hours_words(falls.flocs[2])}), single cells "
        f"in {hours_words(falls.cells[0])} ({hours_words(falls.cells[1])} to {hours_words(falls.cells[2])}), "
        "by Stokes' law"
    )


def hours_words(hours: float) -> str:
    """A span in hours as people say it: minutes below two hours, days from three on."""
    if math.isinf(hours):
        return "for ever"
    if hours < 2.0:
        return f"{max(1.0, hours * 60.0):.0f} min"
    return f"{hours:.0f} h" if hours < 72.0 else f"{hours / 24.0:.0f} days"


def next_step(wash: Washing, practice: YeastPractice, now_ms: int) -> str:
    """What there is to do, in one sentence without its stop; common practice, no source."""
    if wash.gone:
        return f"nothing: it is gone ({wash.gone})" if wash.gone != "thrown out" else "nothing: it is thrown out"
    running = wash.running
    if running is not None:
        left = running.due_ms - now_ms
        if left > 0:
            wait = hours_words(left / HOUR) if left >= MINUTE else "a moment"
            return f"leave it still for {wait} more: pouring early throws yeast away"
        return pour_how(running)
    if wash.jars:
        left_over = f"it is put up; what is left of it can go: `leeswatch yeast discard {wash.name}`"
        return left_over if wash.volume_ml else "it is put up"
    if not wash.stands:
        return (
            "put on several times its volume of cooled boiled or distilled water and shake it; a first short stand of "
            "10 to 30 minutes lets grain and dark matter drop"
        )
    if wash.rounds < practice.rounds:
        return f"put on fresh water and shake it: round {wash.rounds + 1} of {practice.rounds}"
    return "fill it into jars, under a little water, and into the cold: `leeswatch yeast jar`"


def pour_how(stand: Stand) -> str:
    """How a stand is ended."""
    if stand.stand == "short":
        return "pour the cloudy part on into a clean jar and leave grain and dark matter behind: the yeast still floats"
    return (
        "if its top is clear, pour or siphon the water off slowly, keep the light layer and leave the dark one; if it "
        "is still cloudy, leave it overnight"
    )


def took_days(wash: Washing) -> float | None:
    """Days from the first water to the last stand's end; three or four rounds take one or two, by practice."""
    if not wash.stands or wash.stands[-1].ended_ms is None:
        return None
    return (wash.stands[-1].ended_ms - wash.stands[0].from_ms) / DAY


def jars_for(volume_ml: float, practice: YeastPractice) -> tuple[float, ...]:
    """Sizes of jars, mL, for a volume with room above it: the fewest that hold it, and of those the smallest."""
    sizes = sorted(each for each in practice.jar_sizes_ml if each > 0)
    if not sizes or volume_ml <= 0.0:
        return ()
    chosen: list[float] = []
    left, most = volume_ml, sizes[-1] * practice.jar_fill_share
    while left > most and len(chosen) < 50:
        chosen.append(sizes[-1])
        left -= most
    chosen.append(next((each for each in sizes if each * practice.jar_fill_share >= left), sizes[-1]))
    return tuple(chosen)


# --- what may be washed ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Source:
    """A batch as a source of yeast: what is known of it as it is harvested. `abv` per cent by volume."""

    batch: str
    fined: bool = False
    abv: float | None = None
    stalled: bool = False
    off_smell: bool = False
    parents: tuple[str, ...] = ()
    generation: int | None = None
    """Of the yeast that is taken from it; None: nobody knows what it was pitched from."""


FROM_FRESH: Final = "start from fresh yeast instead, or keep this for one more batch at most (common practice)"


def doubts(abv: float | None, practice: YeastPractice, *, stalled: bool, off_smell: bool) -> tuple[str, ...]:
    """What speaks against yeast from such a batch; none where nothing does. Common practice, no source."""
    said = []
    if abv is not None and abv > practice.most_abv:
        said.append(f"it worked up to {abv:.1f} % by volume, more than {practice.most_abv:g} %: that wears yeast out")
    if stalled:
        said.append("its batch stalled: what gave up once gives up again")
    if off_smell:
        said.append("its batch smelled off: something else may grow in it")
    return tuple(said)


def generation_after(pitched: Sequence[int]) -> int | None:
    """The generation of yeast harvested from a batch by those it was pitched from; None where none is known."""
    return max(pitched) + 1 if pitched else None


def as_json(wash: Washing, practice: YeastPractice, now_ms: int) -> dict[str, Any]:
    """A wash as JSON-able values; unknown is null, times RFC 3339."""
    harvest = wash.harvest
    return {
        "wash": wash.name,
        "batch": harvest.batch if harvest is not None else None,
        "strain": harvest.strain if harvest is not None else None,
        "generation": harvest.generation if harvest is not None else None,
        "harvested": iso(harvest.at) if harvest is not None else None,
        "volume_ml": None if wash.volume_ml is None else round(wash.volume_ml, 1),
        "rounds": wash.rounds,
        "rounds_wanted": practice.rounds,
        "stands": [_stand_json(each) for each in wash.stands],
        "jars": [each.jar for each in wash.jars],
        "gone": wash.gone or None,
        "next": next_step(wash, practice, now_ms),
    }


def _stand_json(stand: Stand) -> dict[str, Any]:
    falls = sinks(stand)
    return {
        "number": stand.number, "stand": stand.stand, "powdery": stand.powdery, "water_ml": stand.water_ml,
        "from": iso(stand.from_ms), "due": iso(stand.due_ms),
        "ended": None if stand.ended_ms is None else iso(stand.ended_ms), "how": stand.how, "early": stand.early,
        "kept_ml": stand.kept_ml, "depth_mm": None if stand.depth_mm is None else round(stand.depth_mm),
        "flocs_hours": None if falls is None else [round(each, 2) for each in falls.flocs],
        "cells_hours": None if falls is None else [round(each, 1) for each in falls.cells],
    }  # fmt: skip
