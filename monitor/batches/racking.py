"""The racking plan: how strong it is now, what the lees and the siphon keep, what arrives, and what to do."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.batches.life import Life
from monitor.batches.strength import Strength
from monitor.model.config import RackingPractice, Vessel

MUCH_HEADSPACE = 3.0  # times the headspace wanted: air enough to warn of (common practice, no source)


@dataclass(frozen=True, slots=True)
class Plan:
    """What racking a batch now would do. Volumes in litres, lengths in mm; None where it cannot be known."""

    batch: str
    vessel: str
    to: str | None
    volume_l: float
    volume_how: str
    strength: Strength | None
    no_strength: str
    verdict: str | None
    lees_l: float
    lees_how: str
    lees_mm: float
    diameter_mm: float
    diameter_how: str
    tip_mm: float  # how far the siphon's tip stays above the lees
    tip_l: float
    stays_l: float  # lees, and what the tip does not reach
    arrives_l: float
    to_l: float | None
    headspace_l: float | None
    headspace_wanted_l: float | None
    cautions: tuple[str, ...]
    checklist: tuple[str, ...]


def plan(
    life: Life,
    practice: RackingPractice,
    vessel: Vessel,
    to: Vessel | None = None,
    *,
    lees_l: float | None = None,
    lees_mm: float | None = None,
    diameter_mm: float | None = None,
) -> Plan:
    """The plan for racking `life` out of `vessel` into `to`.

    Lees as measured, in litres or in mm of height, else the share of practice. The vessel is taken for a cylinder:
    of the diameter given (mm, inside), else as tall as it is wide. ValueError where a figure cannot be.
    """
    diameter, how = _diameter(vessel, diameter_mm)
    per_mm = math.pi / 4.0 * diameter * diameter / 1e6  # litres a millimetre of height
    volume, volume_how = (life.volume_l, life.volume_how) if life.volume_l is not None else (vessel.volume_l, _UNTOLD)
    if lees_l is not None or lees_mm is not None:
        lees, lees_how = (lees_l if lees_l is not None else (lees_mm or 0.0) * per_mm), "as measured"
    else:
        lees = practice.lees_share * volume
        lees_how = f"{practice.lees_share:.0%} of the volume (common practice, no source); measure it with --lees"
    if not 0.0 <= lees <= volume:
        raise ValueError(f"the lees must be less than the batch, {volume:.1f} L; they are {lees:.1f} L")
    tip = min(practice.siphon_above_mm * per_mm, volume - lees)
    arrives = volume - lees - tip
    headspace = to.volume_l - arrives if to is not None else None
    wanted = practice.headspace_share * to.volume_l if to is not None else None
    return Plan(
        batch=life.name,
        vessel=vessel.name,
        to=to.name if to is not None else None,
        volume_l=volume,
        volume_how=volume_how,
        strength=life.strength,
        no_strength=life.no_strength,
        verdict=life.facts.verdict,
        lees_l=lees,
        lees_how=lees_how,
        lees_mm=lees / per_mm,
        diameter_mm=diameter,
        diameter_how=how,
        tip_mm=practice.siphon_above_mm,
        tip_l=tip,
        stays_l=lees + tip,
        arrives_l=arrives,
        to_l=to.volume_l if to is not None else None,
        headspace_l=headspace,
        headspace_wanted_l=wanted,
        cautions=_cautions(life, vessel, to, headspace, wanted),
        checklist=tuple(practice.checklist),
    )


_UNTOLD = "the vessel's own, for nobody said how much is in it"


def _diameter(vessel: Vessel, told_mm: float | None) -> tuple[float, str]:
    if told_mm is not None:
        if not 20.0 <= told_mm <= 5000.0:
            raise ValueError(f"a vessel is 20 to 5000 mm wide inside; {told_mm:g} mm was given")
        return told_mm, "as told"
    litres = vessel.volume_l
    return 10.0 * (4000.0 * litres / math.pi) ** (1.0 / 3.0), "a cylinder as tall as it is wide; measure it inside"


def _cautions(
    life: Life, vessel: Vessel, to: Vessel | None, headspace: float | None, wanted: float | None
) -> tuple[str, ...]:
    said: list[str] = []
    verdict = life.facts.verdict
    if life.facts.closed:
        said.append(f"Batch {life.name} is closed.")
    # In a vessel without a probe nobody can say it again: what was said before stands until something moves.
    finished = verdict == "finished" or (verdict in (None, "unknown") and life.facts.rest == "finished")
    if not finished and life.facts.stage == "fermenting":
        what = f"it is {verdict}" if verdict not in (None, "unknown") else "whether it has finished is not known"
        said.append(
            f"Not finished: {what}. Racking now leaves yeast behind and may leave it sweet; what still ferments makes "
            "gas, so the new vessel needs an airlock and room for foam."
        )
    if to is None:
        said.append("Name the vessel it goes into with --to, and its headspace is reckoned.")
    elif to.name == vessel.name:
        said.append(f"It is in {vessel.name} already: racking goes into another vessel.")
    if headspace is not None and to is not None and wanted is not None:
        if headspace < 0.0:
            said.append(f"{to.name} is too small: {-headspace:.1f} L do not fit.")
        elif headspace < 0.5 * wanted:
            said.append(f"Only {headspace:.1f} L of headspace: what warms up or works on may climb into the airlock.")
        elif headspace > MUCH_HEADSPACE * wanted:
            said.append(
                f"{headspace:.1f} L of headspace is much air over it: a smaller vessel, or topping up, keeps it fresh."
            )
        if to.material == "glass":
            said.append(f"{to.name} is glass: never fill it hot, and never close it tight while gas may come.")
    return tuple(said)
