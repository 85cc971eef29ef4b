"""What may be said of a scenario, from what truly happened in it: the physics and the faults are asked, nobody else."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.model.events import AlertName
from simulators.parts import Batch, Offline, Probe, Silent, Stuck
from simulators.scenario import Scenario
from simulators.truth import Found, Outcome
from simulators.world import World

TOLD = 110.0  # h after the true end by which an end or a stall is told, where a healthy probe saw it all
EARLY = 6.0  # h before the true end that still count as in time
FALL_AGAIN = 24.0

# How long a fault may last before it is told, h: see the rules' own tests for each.
PAIR_STUCK, GRAVITY_STUCK, SILENT, DOOR, CONTACT, COMPRESSOR, THERMOSTAT = 3.0, 7.0, 1.2, 0.3, 0.12, 2.75, 4.0
AFTER = 5.5  # h after a fault's end in which a mean over hours may still be off


@dataclass(frozen=True)
class Told:
    """One alert that must, or may, be raised in a span of hours."""

    alert: AlertName
    about: str
    from_h: float
    to_h: float
    must: bool = True


def gravity_probes(scenario: Scenario, batch: Batch) -> list[Probe]:
    """Probes that ever tell this batch's gravity by themselves."""
    return [
        probe
        for probe in scenario.probe
        if probe.wire != "hand"
        and {"gravity", "float_angle"} & set(probe.quantities)
        and batch.vessel in (probe.place, *(move.to for move in probe.move))
    ]


def seen(probe: Probe, batch: Batch, end_h: float) -> tuple[float, float]:
    """From when to when a probe sat in a batch's vessel."""
    spans, place, since = [], probe.place, 0.0
    for at_h, to in [*((move.at_h, move.to) for move in probe.move), (end_h, "")]:
        if place == batch.vessel:
            spans.append((since, at_h))
        place, since = to, at_h
    return spans[0]


def blind(probe: Probe, end_h: float) -> list[tuple[float, float]]:
    """Spans in which a probe said nothing true, with the time it takes to notice left out at the start."""
    found = []
    for fault in probe.fault:
        if isinstance(fault, Stuck):
            found.append((fault.from_h + (PAIR_STUCK if fault.what == "pair" else GRAVITY_STUCK) + 1.0, fault.to_h))
        elif isinstance(fault, Silent | Offline):
            found.append((fault.from_h + SILENT + 1.0, fault.to_h))
    return [(start, min(stop, end_h)) for start, stop in found if stop > start]


def deadline(scenario: Scenario, batch: Batch, outcome: Outcome) -> float | None:
    """By when its end or stall must be told; None where nobody could see it for long enough."""
    assert outcome.at_h is not None
    end_h = scenario.days * 24
    for probe in gravity_probes(scenario, batch):
        since, until = seen(probe, batch, end_h)
        clear = max([outcome.at_h, since, *(stop for start, stop in blind(probe, end_h) if stop > outcome.at_h - 72)])
        if clear + TOLD <= until:
            return clear + TOLD
    return None


def probe_alerts(scenario: Scenario) -> list[Told]:
    """What the probes' own faults must and may bring."""
    end_h, told = scenario.days * 24, []
    for probe in scenario.probe:
        about = f"probe:{probe.name}"
        for fault in probe.fault:
            if isinstance(fault, Stuck):
                limit = PAIR_STUCK if fault.what == "pair" else GRAVITY_STUCK
                told.append(Told("probe-stuck", about, fault.from_h + 2, fault.from_h + limit))
            elif isinstance(fault, Silent | Offline):
                told.append(Told("probe-silent", about, fault.from_h + 0.8, fault.from_h + SILENT))
                if isinstance(fault, Silent) and fault.battery:
                    told.append(Told("probe-battery", about, fault.from_h - 36, fault.from_h - 6))
            elif fault.kind == "clock" and fault.offset_s > 0:  # refused as from the future: nothing is heard
                told.append(Told("probe-silent", about, fault.from_h + 0.8, fault.from_h + SILENT))
        if probe.drift_per_week and any(each.wire == "hand" for each in scenario.probe):
            told.append(Told("probe-suspect", about, 168, end_h))
    for batch in scenario.batch:
        for addition in batch.addition:
            if not addition.announced:
                (probe,) = gravity_probes(scenario, batch)
                told.append(Told("probe-suspect", f"probe:{probe.name}", addition.at_h, addition.at_h + 5))
    return told


def common_silence(scenario: Scenario) -> list[Told]:
    """When all probes fall silent together: one cause, told about the site."""
    speaking = [probe for probe in scenario.probe if probe.wire != "hand"]
    told = []
    for fault in speaking[0].fault if len(speaking) > 1 else ():
        hour = fault.from_h + 0.5
        if isinstance(fault, Silent | Offline) and all(
            any(isinstance(each, Silent | Offline) and each.holds(hour) for each in probe.fault) for probe in speaking
        ):
            told.append(Told("probe-silent", "site:Cellar", fault.from_h + 0.8, fault.from_h + SILENT))
    return told


def fridge_alerts(scenario: Scenario, found: Found) -> list[Told]:
    """What the fridges' faults must and may bring; what must comes first."""
    end_h, told = scenario.days * 24, []
    for fridge in scenario.fridge:
        about = f"fridge:{fridge.name}"
        probes = [probe for probe in scenario.probe if probe.place == fridge.name]
        contact = any("contact" in probe.quantities for probe in probes)
        for fault in fridge.fault:
            stop, long = min(fault.to_h, end_h), fault.to_h - fault.from_h >= 0.5
            if fault.kind == "door" and long:
                told.append(Told("fridge-door", about, fault.from_h, fault.from_h + (CONTACT if contact else DOOR)))
            elif fault.kind == "compressor":
                told.append(Told("fridge-compressor", about, fault.from_h, fault.from_h + COMPRESSOR))
            elif fault.kind == "thermostat":
                told.append(Told("fridge-drift", about, fault.from_h, fault.from_h + THERMOSTAT))
            elif fault.kind == "weak" and fault.amount > 0.7:
                told.append(Told("fridge-compressor", about, fault.from_h, fault.from_h + 6))
                told.append(Told("fridge-drift", about, fault.from_h, fault.from_h + 8))
            if long:
                told.append(Told("fridge-drift", about, fault.from_h, stop + AFTER, must=False))
        ices = [at_h for vessel, at_h in found.freezes_h.items() if _in(scenario, vessel, fridge.name)]
        if ices:
            told.append(Told("freeze-risk", about, min(ices) - 12, min(ices)))
    return told


def _in(scenario: Scenario, vessel: str, fridge: str) -> bool:
    return next(each.place for each in scenario.vessel if each.name == vessel) == fridge


def comfort_alerts(world: World) -> list[Told]:
    """When the liquid truly left its yeast's range for three hours and more, the rule must say so, and else may not."""
    told = []
    for batch in world.scenario.batch:
        if batch.yeast_range_c is None or not any(
            probe.place == batch.vessel and "temperature" in probe.quantities and probe.wire != "hand"
            for probe in world.scenario.probe
        ):
            continue
        values = world.vessel_of(batch.name).celsius.values
        low, high = batch.yeast_range_c
        about = f"batch:{batch.name}"
        for alert, out in (
            ("ferment-too-cold", [value < low for value in values]),
            ("ferment-too-warm", [value > high for value in values]),
        ):
            if any(out):
                first = out.index(True) / 12
                held = out.count(True) / 12 > 5
                told.append(Told(alert, about, first, len(values) / 12 if not held else first + 6, must=held))  # type: ignore[arg-type]
                told.append(Told(alert, about, first, len(values) / 12, must=False))  # type: ignore[arg-type]
    return told
