"""Units: exact, cached, refused with a reason, and without pint where it is not needed."""

import contextlib
import subprocess
import sys

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.intake import units
from monitor.intake.units import affine, check_units, to_canonical
from monitor.model.errors import PayloadError
from monitor.model.quantities import QUANTITIES

# What pint calls the units of the table; dBW, m3/s and the like need its spelling.
SPELLED = {"K": "kelvin", "F": "degF", "[degF]": "degF", "°F": "degF", "[psi]": "psi", "[lb_av]": "lb",
           "m3/s": "m**3/s",
           "rpm": "1/minute", "/": "dimensionless", "mV": "millivolt", "hPa": "hectopascal"}  # fmt: skip


@pytest.mark.parametrize(
    ("quantity", "unit"),
    [(quantity, unit) for quantity, table in units._KNOWN.items() for unit in table if unit != "dBW"],
)
def test_the_table_agrees_with_pint(quantity: str, unit: str) -> None:
    """Each factor written down here is the one that pint works out."""
    registry = pint.UnitRegistry()
    to = units._PINT_NAMES[quantity]
    for value in (0.0, 1.0, 98.6):
        theirs = registry.Quantity(value, SPELLED.get(unit, unit)).to(to).magnitude
        assert to_canonical(quantity, value, unit) == pytest.approx(theirs, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(
    ("quantity", "unit", "given_value", "expected"),
    [
        ("temperature", "degF", 50, 10.0),
        ("temperature", "K", 277.15, 4.0),
        ("temperature", "degR", 491.67, 0.0),
        ("pressure", "psi", 1, 6894.757293168),
        ("pressure", "bar", 1.5, 150_000.0),
        ("pressure", "kPa", 12.5, 12_500.0),
        ("pressure", "cmH2O", 10, 980.665),
        ("mass", "lb", 10, 4.5359237),
        ("mass", "[oz_av]", 16, 0.45359237),
        ("level", "[in_i]", 2, 50.8),
        ("level", "cm", 31, 310.0),
        ("gas_flow", "mL/min", 250, 0.25),
        ("gas_flow", "m3/h", 0.06, 1.0),
        ("bubbles", "1/s", 0.5, 30.0),
        ("bubbles", "Hz", 0.5, 30.0),
        ("float_angle", "mrad", 1000, 57.295779513),
        ("signal", "dBW", -100, -70.0),
        ("co2", "/", 0.0004, 400.0),
        ("co2", "percent", 0.5, 5000.0),
        ("humidity", "/", 0.61, 61.0),
        ("humidity", "percent", 61, 61.0),
        ("power", "kW", 0.12, 120.0),
        ("battery", "mV", 3910, 3.91),
        ("extract", "Plato", 12.5, 12.5),
        ("gravity", "SG", 1.05, 1.05),
    ],
)
def test_conversions(quantity: str, unit: str, given_value: float, expected: float) -> None:
    """Values come out in the canonical unit without a tail of binary rounding."""
    assert to_canonical(quantity, given_value, unit) == expected


@pytest.mark.parametrize(
    ("quantity", "unit"),
    [
        ("temperature", "delta_degF"), ("temperature", "kg"), ("temperature", ""), ("temperature", "2**99999999"),
        ("temperature", "__import__('os')"), ("extract", "Bx"), ("extract", "percent"), ("gravity", "kg/m3"),
        ("gravity", "percent"), ("humidity", "%"), ("co2", "%"), ("power", "VA"), ("battery", "%EL"), ("ph", "pHs"),
        ("bubbles", "rad/s"), ("float_angle", "percent"), ("mass", "lbf"), ("contact", "V"), ("level", "m" * 40),
        ("signal", "dB"), ("turbidity", "mg/L"), ("nonsense", "Cel"),
    ],
)  # fmt: skip
def test_refusals(quantity: str, unit: str) -> None:
    """A unit that does not measure the quantity is refused with a reason, and check_units reports the same."""
    if quantity in QUANTITIES:
        with pytest.raises(PayloadError, match="give"):
            affine(quantity, unit)
    ((key, reason),) = check_units({quantity: unit})  # type: ignore[dict-item]
    assert key == quantity
    assert reason


def test_no_unit_means_canonical() -> None:
    """Without a unit, and in the canonical one, a value is handed through untouched."""
    assert to_canonical("gravity", 1.0421000000001, None) == 1.0421000000001
    for name, quantity in QUANTITIES.items():
        assert to_canonical(name, 0.1 + 0.2, quantity.unit) == 0.1 + 0.2
    assert check_units({"temperature": "degF", "pressure": "psi", "mass": "lb"}) == []


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(list(QUANTITIES)), st.text(max_size=40))
def test_no_unit_text_raises_anything_else(quantity: str, unit: str) -> None:
    """Whatever text a probe sends as its unit, the answer is a number or a PayloadError."""
    with contextlib.suppress(PayloadError):
        assert isinstance(to_canonical(quantity, 1.0, unit), float)


def test_pint_is_not_imported_for_registered_units() -> None:
    """The units of SenML and the configuration's Fahrenheit, psi and pounds cost no import of pint."""
    program = (
        "import sys; from monitor.intake.units import to_canonical as c; import monitor.intake.decode; "
        "c('temperature', 1, 'degF'); c('pressure', 1, 'psi'); c('mass', 1, 'lb'); c('battery', 1, 'mV'); "
        "c('extract', 1, '%P'); assert 'pint' not in sys.modules; c('level', 1, 'inch'); assert 'pint' in sys.modules"
    )
    subprocess.run([sys.executable, "-c", program], check=True)
