"""From any unit that a probe or the configuration names to the one unit of the quantity.

A conversion is worked out once and is then one multiplication and one addition. Temperatures are readings of a
scale (0 Cel is 32 degF), never differences. The units that SenML registers (RFC 8428 section 12.1 and the secondary
units of RFC 8798), and the three that the configuration is promised, stand in a table here; any other unit is
looked up in `pint`, which costs 32 MiB once imported, so it is imported only for such a unit.
"""

from __future__ import annotations

import importlib
import math
import re
from collections.abc import Mapping
from fractions import Fraction
from functools import cache, lru_cache
from typing import Any, NamedTuple

from monitor.model.errors import PayloadError
from monitor.model.quantities import QUANTITIES, QuantityName


class Affine(NamedTuple):
    """`canonical = factor * given + offset`."""

    factor: float
    offset: float = 0.0


_SAME = Affine(1.0)

# Other names of the canonical unit. For a temperature "C" and "F" cannot mean coulomb and farad. A formazin unit is
# scaled on the same standard as NTU (ISO 7027, from memory).
_SYNONYMS: Mapping[str, frozenset[str]] = {
    "temperature": frozenset({"C", "degC", "°C"}),
    "gravity": frozenset({"/", "SG"}),
    "hydrometer": frozenset({"/", "SG"}),
    "extract": frozenset({"°P", "Plato"}),
    "float_angle": frozenset({"°"}),
    "turbidity": frozenset({"FNU"}),
    "ph": frozenset({"1", "/"}),
    "humidity": frozenset({"percent"}),
    "contact": frozenset({"1", "/"}),
}

# Exact by definition: the international pound is 0.45359237 kg, the inch 0.0254 m, standard gravity 9.80665 m/s2.
_FAHRENHEIT = Affine(5 / 9, -160 / 9)
_POUND = 0.45359237
_PSI = Affine(_POUND * 9.80665 / 0.0254**2)
_KNOWN: Mapping[str, Mapping[str, Affine]] = {
    "temperature": {
        "K": Affine(1.0, -273.15),
        "degF": _FAHRENHEIT,
        "[degF]": _FAHRENHEIT,
        "°F": _FAHRENHEIT,
        "F": _FAHRENHEIT,
    },
    "float_angle": {"rad": Affine(180 / math.pi)},
    "pressure": {"hPa": Affine(100.0), "psi": _PSI, "[psi]": _PSI},
    "mass": {"g": Affine(0.001), "lb": Affine(_POUND), "[lb_av]": Affine(_POUND)},
    "level": {"m": Affine(1000.0)},
    "battery": {"mV": Affine(0.001)},
    "humidity": {"/": Affine(100.0)},
    "signal": {"dBW": Affine(1.0, 30.0)},
    "co2": {"/": Affine(1e6)},
    "gas_flow": {"m3/s": Affine(60_000.0), "l/s": Affine(60.0)},
    "bubbles": {"1/s": Affine(60.0), "rpm": _SAME},
    "power": {"kW": Affine(1000.0)},
}

# The canonical unit as pint names it. A quantity that is missing here has no other unit that means the same thing.
_PINT_NAMES: Mapping[str, str] = {
    "temperature": "degree_Celsius",
    "float_angle": "degree",
    "pressure": "pascal",
    "mass": "kilogram",
    "level": "millimeter",
    "battery": "volt",
    "humidity": "percent",
    "co2": "ppm",
    "gas_flow": "liter/minute",
    "bubbles": "1/minute",
    "power": "watt",
}

# What pint would take although it means something else.
_REFUSED: Mapping[str, str] = {
    "%": 'the unit "%" is a ratio of 0 to 1 in SenML and a hundredth elsewhere: say "/" or "percent"',
    "VA": "VA is apparent power, which a motor at rest can have",
    "kVA": "kVA is apparent power, which a motor at rest can have",
}

# A unit comes from the network: only names, products and small exponents reach pint, never an expression to compute.
_TERM = r"[A-Za-zµμ°][A-Za-z0-9µμ°_]*(?:(?:\*\*|\^)-?[1-4])?"
_SAFE = re.compile(rf"(?:1/)?{_TERM}(?:[*/ ]{_TERM})*")
_UCUM = re.compile(r"\[([A-Za-z]+?)(?:_av|_i|_us)?\]")
_POWER = re.compile(r"(?<=[A-Za-z])([234])(?![A-Za-z0-9])")


def affine(quantity: str, unit: str) -> Affine:
    """How `unit` becomes the canonical unit of `quantity`; PayloadError where it cannot."""
    found = _resolve(quantity, unit)
    if isinstance(found, str):
        raise PayloadError(found, f"give {quantity} in {QUANTITIES[quantity].unit}")
    return found


def to_canonical(quantity: str, value: float, unit: str | None) -> float:
    """`value` in the canonical unit of `quantity`; no unit means it already is. PayloadError for a wrong unit.

    A converted value is rounded to nine decimals, far below any probe's resolution, so that 50 degF is 10 Cel and
    not 10.000000000000002.
    """
    if unit is None or unit == QUANTITIES[quantity].unit:
        return value
    factor, offset = affine(quantity, unit)
    return round(factor * value + offset, 9) if (factor, offset) != _SAME else value


def check_units(units: Mapping[QuantityName, str]) -> list[tuple[str, str]]:
    """The entries of `[probe.units]` that cannot be used, each with its reason."""
    found = ((quantity, _resolve(quantity, unit)) for quantity, unit in units.items())
    return [(quantity, reason) for quantity, reason in found if isinstance(reason, str)]


@lru_cache(maxsize=256)  # bounded: names come from the network. A refusal is kept too, a probe repeats its mistake.
def _resolve(quantity: str, unit: str) -> Affine | str:
    if quantity not in QUANTITIES:
        return f'"{quantity}" is no quantity'
    if unit == QUANTITIES[quantity].unit or unit in _SYNONYMS.get(quantity, ()):
        return _SAME
    known = _KNOWN.get(quantity, {}).get(unit)
    if known is not None:
        return known
    refused = _REFUSED.get(unit) or f"{unit[:32]!r} is no unit of {quantity}"
    plain = _UCUM.sub(r"\1", unit)
    if quantity not in _PINT_NAMES or unit in _REFUSED or len(unit) > 32 or not _SAFE.fullmatch(plain):
        return refused
    return (
        _by_pint(plain, _PINT_NAMES[quantity]) or _by_pint(_POWER.sub(r"**\1", plain), _PINT_NAMES[quantity]) or refused
    )


@cache
def _registry() -> Any:
    pint = importlib.import_module("pint")
    return pint.UnitRegistry(non_int_type=Fraction)  # fractions: the factors come out exact


def _by_pint(unit: str, canonical: str) -> Affine | None:
    """The conversion by pint; None where there is none."""
    registry = _registry()
    try:
        parsed = registry.parse_units(unit)
        # To pint an angle is a bare number: a slope in percent must not pass for one, nor radians for a rate.
        roots = importlib.import_module("pint.util").to_units_container(registry.get_root_units(parsed)[1])
        if ("radian" in roots) != (canonical == "degree"):
            return None
        zero = registry.Quantity(Fraction(0), parsed).to(canonical).magnitude
        one = registry.Quantity(Fraction(1), parsed).to(canonical).magnitude
        return Affine(float(one - zero), float(zero))
    except Exception:  # noqa: BLE001  pint's errors share no base, and its parser raises what Python's tokenizer does
        return None
