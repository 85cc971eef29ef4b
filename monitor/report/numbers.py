"""The numbers of a batch, each with its 90 % range and where it comes from."""

from __future__ import annotations

import statistics
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.batches import siblings
from monitor.batches.life import Life
from monitor.batches.shape import Measured
from monitor.batches.siblings import Course
from monitor.batches.strength import ORIGINAL_HOW
from monitor.report.curve import Curve
from monitor.report.words import Site
from monitor.science import freezing, provenance

Z90 = 1.645
MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True)
class Number:
    """One row: what it is, its value, its 90 % range, and its source."""

    name: str
    value: str
    span: str
    source: str


def numbers(
    life: Life,
    course: Course,
    curve: Curve,
    expected: dict[str, Any] | None,
    found: Mapping[siblings.Name, Measured],
    site: Site,
) -> list[Number]:
    """All rows that are known; `expected` is the expected final gravity of the overview, `found` the fall's times."""
    return [
        *_gravities(life, curve, expected, site),
        *_strength(life),
        *_fall(course, found),
        *_warmth(course, curve),
        *_volumes(life),
    ]


def _span(low: float, high: float, digits: int) -> str:
    return f"{low:.{digits}f} to {high:.{digits}f}".replace("-", MINUS)


def _around(value: float, error: float, digits: int) -> str:
    return _span(value - Z90 * error, value + Z90 * error, digits)


def _gravities(life: Life, curve: Curve, expected: dict[str, Any] | None, site: Site) -> list[Number]:
    facts = life.facts
    rows = []
    if facts.original is not None:
        how = ORIGINAL_HOW[facts.original_how or "read"]
        rose = "; with what was added since" if any(facts.rises.values()) else ""
        rows.append(Number("Original gravity, SG 20/20", f"{facts.original:.4f}",
                           _around(facts.original, facts.original_error, 4), f"{how}{rose}"))  # fmt: skip
    if facts.gravity is not None:
        probes = dict.fromkeys(line.probe for line in curve.lines if line.quantity == "gravity")
        by_hand = not probes or any(at == facts.gravity_ms for at, _, _ in facts.hand)
        by = "a hydrometer" if by_hand else f"probe {' and '.join(probes)}"
        when = f", {site.when(facts.gravity_ms)}" if facts.gravity_ms is not None else ""
        rows.append(Number("Last gravity, SG 20/20", f"{facts.gravity:.4f}",
                           _around(facts.gravity, facts.gravity_error, 4), f"{by}{when}"))  # fmt: skip
    if expected is not None:
        rows.append(Number("Expected final gravity, SG 20/20", f"{expected['gravity']:.4f}",
                           _span(expected["range"][0], expected["range"][1], 4), expected["source"]))  # fmt: skip
    return rows


def _strength(life: Life) -> list[Number]:
    found = life.strength
    if found is None:
        return []
    by = f"{found.how}. Formula: {provenance.source('alcohol.abv')}"
    rows = [
        Number("Alcohol, % by volume", f"{found.abv:.1f}", _span(found.abv_low, found.abv_high, 1), by),
        Number("Apparent attenuation, %", f"{found.apparent_attenuation:.0f}",
               _span(found.apparent_low, found.apparent_high, 0), "share of the original extract that seems gone"),
        Number("Real attenuation, %", f"{found.real_attenuation:.0f}", "",
               f"alcohol taken out of account. Formula: {provenance.source('alcohol.real_extract')}"),
    ]  # fmt: skip
    try:
        ice = freezing.freezing(found.abv, found.gravity)
    except ValueError:
        return rows
    source = provenance.source("freezing.freezing")
    return [
        *rows,
        Number("Ice begins at, °C", f"{ice.point_c:.1f}".replace("-", MINUS), _span(ice.low_c, ice.high_c, 1), source),
    ]


def _fall(course: Course, found: Mapping[siblings.Name, Measured]) -> list[Number]:
    rows = []
    names: tuple[siblings.Name, ...] = ("lag", "top rate", "half", "nine tenths")
    for name in names:
        value = found.get(name)
        if value is None:
            continue
        title, unit = siblings.TITLES[name], siblings.UNITS[name]
        digits = siblings.DIGITS[name]
        rows.append(Number(f"{title[0].upper()}{title[1:]}, {unit}", f"{value.value:.{digits}f}",
                           _around(value.value, value.error, digits),
                           "the curve smoothed over 12 h (rate: 24 h), its error by redrawing the noise"))  # fmt: skip
    return rows if course.points else []


def _warmth(course: Course, curve: Curve) -> list[Number]:
    if not course.warmth:
        return []
    values = [value for _, value in course.warmth]
    probe = next(line.probe for line in curve.lines if line.quantity == "temperature")
    mean = statistics.fmean(values)
    span = f"{min(values):.1f} to {max(values):.1f} seen"
    return [Number("Mean temperature while it fermented, °C", f"{mean:.1f}", span, f"probe {probe}, hourly")]


def _volumes(life: Life) -> list[Number]:
    rows = []
    if life.volume_l is not None:
        rows.append(Number("Volume now, L", f"{life.volume_l:.1f}", "", life.volume_how))
    if life.lost_l > 0.0:
        rows.append(Number("Left behind at racking, L", f"{life.lost_l:.1f}", "", "as noted"))
    return rows
