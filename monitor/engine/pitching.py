"""How much yeast a batch wants, which jars serve, and what of a usual batch a jar would pitch: as things stand."""

from __future__ import annotations

from typing import Final

from monitor.batches import pitching
from monitor.batches.pitching import PitchPlan, Usual
from monitor.engine.checks.common import Asked, batch_of, life_now
from monitor.engine.lives import start_of
from monitor.engine.state import State
from monitor.engine.yeast_clocks import shelf_of
from monitor.model.errors import Refused
from monitor.science import yeast

TAKEN_OG: Final = 1.050  # where no batch tells its own: an assumption


def plan_for(
    asked: Asked,
    *,
    batch: str | None = None,
    litres: float | None = None,
    og: float | None = None,
    kind: yeast.Kind = "usual",
    strain: str | None = None,
) -> PitchPlan:
    """A plan for a batch that there is, or for so many litres; what is given goes before what the batch tells.

    A strain that is given is the only one; that of the batch only where it stands on the shelf.
    """
    only = strain is not None
    if batch is not None:
        batch_of(asked, batch)
        start, life = start_of(asked.state, batch), life_now(asked, batch)
        strain = strain or (start.yeast if start is not None else None)
        litres = litres if litres is not None else life.volume_l
        og = og if og is not None else life.facts.original
    if litres is None or og is None:
        missing = "litres" if litres is None else "original gravity (og)"
        raise Refused(
            "how much of what is to be pitched is not known", f"give its {missing}, or a batch that tells it", "figures"
        )
    try:
        return pitching.plan(litres, og, kind, shelf_of(asked.state, asked.now_ms), strain, only=only)
    except ValueError as error:
        raise Refused(str(error), "check litres and original gravity", "figures") from error


def usual_of(state: State) -> Usual | None:
    """A batch as they usually are here: the one pitched last that tells how strong it began; else the largest vessel.

    None where there is no vessel.
    """
    for batch in sorted(state.batches.values(), key=lambda each: each.pitched_ms, reverse=True):
        start, og = start_of(state, batch.name), batch.start_gravity()
        vessel = state.vessel(start.vessel) if start is not None else None
        litres = (start.volume_l if start is not None else None) or (vessel.volume_l if vessel is not None else None)
        if og is not None and og > 1.001 and litres is not None:
            return Usual(litres, og, f"as {batch.name}")
    largest = max((each.volume_l for each in state.settings.vessel), default=None)
    return None if largest is None else Usual(largest, TAKEN_OG, "the largest vessel; its gravity is taken")
