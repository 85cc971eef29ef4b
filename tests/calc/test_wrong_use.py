"""Wrong values: exit 2, and a sentence saying what is allowed."""

import shlex

import pytest

from monitor.cli.main import main


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("gravity --reading 2 --at 5", "between 0.95 and 1.21"),
        ("gravity --reading 1.05 --at 80", "between 0 and 40 °C"),
        ("gravity --reading 1,094 --at 5", "'1,094' is not a number; write 1.094"),
        ("gravity --reading nan --at 5", "'nan' is not a finite number"),
        ("gravity --reading 1e999 --at 5", "'1e999' is not a finite number"),
        ("gravity --at 5", "--reading"),
        ("plato --sg 1.3", "between 0.96 and 1.2"),
        ("plato --sg 1.05 --plato 12", "not allowed with"),
        ("plato", "required"),
        ("alcohol --og 1.0 --fg 1.0", "between 1.001 and 1.2"),
        ("freezing --abv 81", "between 0 and 80 %"),
        ("freezing --abv 40 --sg 1.0", "between 0 and 25 %"),
        ("original --litres 19 --grain maize=2", "grain must be one of corn"),
        ("original --litres 19 --grain corn", "name=number"),
        ("original --litres 19 --enzymes some", "none"),
        ("original --litres 0 --sugar-kg 1", "0.1 and 100000 litres"),
        ("addition --litres 19 --og 1.07 --before 1.02 --step sand=1", "water, lose or one of sucrose"),
        ("addition --litres 19 --og 1.07 --before 1.02 --step lose=30", "less than there is"),
        ("float --angle 40 --point 25=1.0", "2 to 8 points"),
        ("pressure --pa 1000", "--distance-mm or --in-water"),
        ("massloss --litres 19 --og 1.05 --lost-g 9000", "must lie between"),
        ("trend --reading 24=1.01 --reading 0=1.01", "rise strictly"),
        ("gas --litres 19 --og 1.3 --fg 1.0", "between 1 and 1.2"),
        ("room --room-m3 20 --air-changes 0.2", "--gas-l-h, or --litres, --og and --fg"),
        ("room --room-m3 20 --air-changes 0 --gas-l-h 5", "hours must be given"),
        ("room --room-m3 0 --air-changes 1 --gas-l-h 5", "above 0 m³"),
        ("seal --gravity 1.0 --final 0.99 --litres 4 --headspace-l 0.3 --sealed-at 4 --stored-at 99", "0 and 40 °C"),
        ("pitch --litres 19 --og 1.094 --kind wash", "usual"),
        ("pitch --litres -1 --og 1.094", "0.05 and 100000 litres"),
        ("slurry --viability 90", "--cells, or --litres and --og"),
        ("slurry --cells 1e11 --viability 0", "above 0 %"),
        ("count --cells 2.5 --squares 5 --square-mm 0.2", "not a whole number"),
        ("count --cells 25 --squares 5 --square-mm 0.2 --dead 26", "between 0 and 25"),
        ("storage --days 400", "0 and 180 days"),
        ("storage --days 4 --at 40", "0 and 25 °C"),
        ("starter --litres 1 --cells 0", "above 0"),
        ("settling --um 2000 --density 1200", "at most 1"),
        ("settling --abv 30", "0 and 24 %"),
        ("cooling --litres 0.5 --from 20 --to 1 --air 2", "between the start and the air"),
        ("cooling --litres 0.5 --from 20 --to 4 --air 2 --material wood", "plastic"),
        ("hold --to 4 --hours 48", "--litres is missing"),
        ("hold --to 4 --hours 48 --litres 19 --from 20", "--air is missing"),
        ("pt100", "either --ohm or --celsius"),
        ("pt100 --ohm 100 --celsius 0", "either --ohm or --celsius"),
        ("pt100 --ohm 5", "18.52 and 390.49 ohm"),
        ("thermistor --ohm 1", "-55 and 150 °C"),
        ("thermistor --ohm 10000 --point 0=32650", "three points"),
        ("onewire --register 123", "hexadecimal"),
        ("onewire --register 012345", "2 bytes"),
        ("onewire --scratchpad 50054b467fff0c101d", "check byte is wrong"),
        ("lager", "invalid choice"),
    ],
)
def test_wrong_values_are_refused_with_what_is_allowed(words, says, capsys):
    """Exit 2, nothing on stdout, and the sentence names what is allowed."""
    assert main(["calc", *shlex.split(words)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert says in " ".join(said.err.split())


@pytest.mark.parametrize("typed", ["60F", "60f", "60 °F", "15.5556", "15.5556C", "15.5556°C"])
def test_temperatures_may_be_fahrenheit(typed, capsys):
    """60F is 15.56 °C, however it is written."""
    assert main(["calc", "gravity", "--reading", "1.05", "--at", "20", "--calibrated", typed]) == 0
    assert "Gravity 1.0507" in capsys.readouterr().out


def test_below_zero_is_typed_as_it_is(capsys):
    """A minus sign before a temperature is no option."""
    assert main(["calc", "cooling", "--litres", "1", "--from", "4", "--to", "0", "--air", "-5"]) == 0
    assert "until the liquid is at 0 °C" in capsys.readouterr().out
