"""`leeswatch calc`: every kind by its worked example, in words and as JSON."""

import json
import math
import shlex

import pytest

from monitor.batches import shelf
from monitor.cli import calc
from monitor.cli.main import COMMANDS, main
from monitor.model.clock import DAY
from monitor.model.config import YeastPractice
from monitor.model.deeds import Jarred
from monitor.science import provenance

KINDS = [pytest.param(kind, id=kind.name) for kind in calc.KINDS]


@pytest.fixture(autouse=True)
def _eighty(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")


def ask(capsys, words):
    """JSON of a calculation that must succeed."""
    assert main(["calc", *shlex.split(words), "--json"]) == 0
    return json.loads(capsys.readouterr().out, parse_constant=lambda name: pytest.fail(f"{name} is no JSON"))


def numbers(value):
    """All numbers in some JSON."""
    if isinstance(value, dict):
        return [each for part in value.values() for each in numbers(part)]
    if isinstance(value, list):
        return [each for part in value for each in numbers(part)]
    return [value] if isinstance(value, float) else []


@pytest.mark.parametrize("kind", KINDS)
def test_the_worked_example_gives_what_its_help_says(kind, capsys):
    """The example in --help runs, and the line under it is the first line of what it prints."""
    assert main(["calc", kind.name, *shlex.split(kind.example)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith(kind.gives)
    assert main(["calc", kind.name, "--help"]) == 0
    helped = capsys.readouterr().out
    assert f"  leeswatch calc {kind.name} {kind.example}\n  {kind.gives}" in helped


@pytest.mark.parametrize("kind", KINDS)
def test_everything_fits_eighty_columns(kind, capsys):
    """No line is longer than 80 characters, nothing is cut short, and every word of caution is there."""
    assert main(["calc", kind.name, *shlex.split(kind.example)]) == 0
    said = capsys.readouterr().out
    assert "…" not in said
    assert max(len(line) for line in said.splitlines()) <= 80
    told = ask(capsys, f"{kind.name} {kind.example}")
    whole = " ".join(said.split())
    for sentence in (*told["cautions"], *told["notes"]):
        assert " ".join(sentence.split()) in whole


@pytest.mark.parametrize("kind", KINDS)
def test_every_answer_names_its_source(kind, capsys):
    """The last note is the source of the main formula, and every formula it stands on is in the table."""
    told = ask(capsys, f"{kind.name} {kind.example}")
    assert told["notes"][-1] == f"Source: {provenance.source(kind.functions[0])}"
    known = {each.name for each in provenance.formulas()}
    assert set(kind.functions) <= known


@pytest.mark.parametrize("kind", KINDS)
def test_json_holds_numbers_with_their_ranges_and_units(kind, capsys):
    """Numbers are finite, each range encloses its figure, and units belong to keys that are there."""
    told = ask(capsys, f"{kind.name} {kind.example}")
    assert all(math.isfinite(each) for each in numbers(told))
    for key, value in told.items():
        if key.endswith("_range") and isinstance(value, list):
            main_key = {"freezing_range": "freezing_c", "pressure_range": "pressure_bar_gauge"}.get(
                key, key.removesuffix("_range")
            )
            low, high = value
            assert low <= told[main_key] <= high
    assert set(told["units"]) <= set(told)


@pytest.mark.parametrize("kind", KINDS)
def test_every_option_says_its_unit_or_choices(kind):
    """No option of a calculation is without help."""
    import argparse

    parser = argparse.ArgumentParser()
    kind.options(parser)
    for action in parser._actions:
        assert action.help


def test_the_command_is_listed_and_its_kinds_are_all_there(capsys):
    """Each kind stands once in the help of the command."""
    assert "calc" in COMMANDS
    assert main(["calc", "--help"]) == 0
    said = capsys.readouterr().out
    for kind in calc.KINDS:
        assert f"\n    {kind.name} " in said or f"\n    {kind.name}\n" in said
    assert len({kind.name for kind in calc.KINDS}) == len(calc.KINDS)


def test_a_kind_is_asked_for(capsys):
    """Without a kind the command is wrong use, and says which kinds there are."""
    assert main(["calc"]) == 2
    assert "one of gravity, plato, alcohol" in capsys.readouterr().err


# --- the examples that outside checks depend on ------------------------------------------------------------------


def test_gravity(capsys):
    """A cold reading in a strong sweet wash is corrected by its own expansion: about 1.091, 21.7 °P."""
    told = ask(capsys, "gravity --reading 1.094 --at 5 --calibrated 20")
    assert told["sg"] == pytest.approx(1.0908, abs=3e-4)
    assert told["plato"] == pytest.approx(21.72, abs=0.06)
    same = ask(capsys, "gravity --reading 1.094 --at 20 --calibrated 20")
    assert same["sg"] == 1.094
    dry = ask(capsys, "gravity --reading 0.990 --at 20 --abv 13")
    assert "apparent one" in dry["notes"][1]


def test_alcohol(capsys):
    """1.094 to 1.000 is 12.5 to 13 % by volume, with the other methods beside it."""
    told = ask(capsys, "alcohol --og 1.094 --fg 1.000")
    assert 12.5 <= told["abv"] <= 13.0
    assert told["abv_range"][0] <= 12.5
    assert told["abw"] == pytest.approx(10.06, abs=0.05)
    assert told["apparent_attenuation"] == pytest.approx(100.0)
    assert told["real_attenuation"] == pytest.approx(81.9, abs=0.2)
    assert len(told["methods"]) >= 4
    assert told["methods"]["extract balance"] == pytest.approx(told["abv"], abs=1e-3)
    dry = ask(capsys, "alcohol --og 1.094 --fg 0.988")
    assert dry["apparent_attenuation"] > 100.0


def test_freezing(capsys):
    """12.5 % freezes near -4.6 °C as ethanol and water alone; with extract a little lower; 80 % is answered."""
    told = ask(capsys, "freezing --abv 12.5")
    assert told["freezing_c"] == pytest.approx(-4.49, abs=0.15)
    assert told["freezing_range"][0] < told["freezing_c"] < told["freezing_range"][1]
    assert ask(capsys, "freezing --abv 12.5 --sg 1.000")["freezing_c"] < told["freezing_c"]
    assert ask(capsys, "freezing --abv 0")["freezing_c"] == 0.0
    assert ask(capsys, "freezing --abv 80")["freezing_c"] < -45.0
    assert "glass" in " ".join(told["cautions"])
    assert [each["abv"] for each in told["rule_of_thumb"]] == [20.0, 40.0, 80.0]


def test_original(capsys):
    """Raw grain without enzymes adds next to nothing and is said to give starch; with them it adds points."""
    words = "original --litres 19 --sugar-kg 3 --grain corn=2.3 --enzymes"
    plain, malt, added = (ask(capsys, f"{words} {enzymes}") for enzymes in ("none", "malt", "added"))
    assert plain["og"] == pytest.approx(1.0612, abs=0.002)
    assert plain["og"] + 0.015 < malt["og"] < added["og"]
    assert "starch, not sugar" in plain["cautions"][0]
    for told in (plain, malt, added):
        assert told["og_range"][0] < told["og"] < told["og_range"][1]
    twice = ask(capsys, "original --litres 19 --sugar sucrose=1.5 --sugar-kg 1.5")
    assert twice["og"] == ask(capsys, "original --litres 19 --sugar-kg 3")["og"]


def test_pitch(capsys):
    """19 litres of 1.094 want about 4.3e11 cells by the general rule, three quarters as ale, half more as lager."""
    told = ask(capsys, "pitch --litres 19 --og 1.094")
    assert told["cells"] == pytest.approx(4.264e11, rel=1e-3)
    assert "nutrients" in told["cautions"][0]
    for kind, times in (("ale", 0.75), ("lager", 1.5)):
        other = ask(capsys, f"pitch --litres 19 --og 1.094 --kind {kind}")
        assert other["cells"] == pytest.approx(times * told["cells"], rel=1e-5)
    assert ask(capsys, "pitch --litres 19 --og 1.050")["cautions"] == []


def test_count(capsys):
    """250 cells in five groups of squares, diluted 100 fold, are 1.25e9 a mL; 25 stained leave 90 %."""
    words = "count --cells 250 --squares 5 --square-mm 0.2 --depth-mm 0.1 --dilution 100"
    told = ask(capsys, words)
    assert told["cells_per_ml"] == pytest.approx(1.25e9)
    assert told["viability"] is None
    told = ask(capsys, f"{words} --dead 25")
    assert told["viability"] == pytest.approx(90.0)
    assert told["viability_range"] == pytest.approx([86.31, 92.95], abs=0.01)


def test_settling(capsys):
    """A 5 µm cell takes 20 to 40 hours for 100 mm of water, and the answer says that practice differs."""
    told = ask(capsys, "settling")
    assert 20.0 < told["hours"] < 40.0
    assert told["floc_hours"] < 1.0
    assert told["reynolds"] < 1e-4
    assert "practice disagree" in told["notes"][0]
    assert ask(capsys, "settling --particle floc --um 200 --abv 12")["hours"] < told["hours"]
    assert ask(capsys, "settling --density 950")["hours"] is None


def test_cooling(capsys):
    """A jar of half a litre takes 3.6 to 9 hours from 20 to 4 °C in air of 2 °C; glass holds more heat."""
    told = ask(capsys, "cooling --litres 0.5 --from 20 --to 4 --air 2")
    assert told["hours_range"][0] <= 4.86 <= told["hours_range"][1]
    assert told["material"] == "glass"
    plastic = ask(capsys, "cooling --litres 0.5 --from 20 --to 4 --air 2 --material plastic")
    assert plastic["hours"] < told["hours"]
    assert ask(capsys, "cooling --litres 19 --from 20 --to 4 --air 2")["material"] == "plastic"


def test_seal(capsys):
    """A wash that can still fall is dangerous to close, and so says the answer."""
    told = ask(
        capsys, "seal --gravity 0.996 --final 0.988 --litres 4 --headspace-l 0.3 --sealed-at 4 --stored-at 25 --abv 13"
    )
    assert told["co2_g"] > 30.0
    assert told["pressure_bar_gauge"] > 4.0
    assert told["pressure_range"][0] <= told["pressure_bar_gauge"] <= told["pressure_range"][1]
    assert told["dangerous"] is True
    assert told["cautions"][0].startswith("Do not close it")


# --- the others --------------------------------------------------------------------------------------------------


def test_plato_goes_both_ways(capsys):
    """Gravity, °Plato and density each give the other two."""
    told = ask(capsys, "plato --sg 1.048")
    assert ask(capsys, f"plato --plato {told['plato']}")["sg"] == pytest.approx(1.048, abs=1e-6)
    assert ask(capsys, f"plato --kg-m3 {told['kg_m3']}")["sg"] == pytest.approx(1.048, abs=1e-6)
    dry = ask(capsys, "plato --sg 0.990")
    assert dry["plato"] < 0.0
    assert "g_l" not in dry


def test_addition_says_what_it_should_read(capsys):
    """A kilogram of sugar in 19 litres lifts 1.020 by about 0.019; losing wash changes no gravity."""
    told = ask(capsys, "addition --litres 19 --og 1.070 --before 1.020 --step sucrose=1")
    assert told["stirred_gravity"] == pytest.approx(1.0389, abs=0.001)
    less = ask(capsys, "addition --litres 19 --og 1.070 --before 1.020 --step lose=2")
    assert less["stirred_gravity"] == pytest.approx(1.020, abs=1e-6)
    assert less["og"] == pytest.approx(1.070, abs=1e-5)
    thin = ask(capsys, "addition --litres 19 --og 1.070 --before 1.020 --step water=19")
    assert thin["stirred_gravity"] == pytest.approx(1.010, abs=0.001)
    assert thin["litres"] == pytest.approx(38.0, abs=0.2)
    later = ask(capsys, "addition --litres 19 --og 1.070 --before 1.020 --step sucrose=1 --now 0.995")
    assert later["abv"] > told["abv"]


def test_what_is_stirred_in_balances(capsys):
    """Strength by what it should read and strength before, spread over the volume, agree."""
    before = ask(capsys, "alcohol --og 1.070 --fg 1.020")["abv"]
    after = ask(capsys, "addition --litres 19 --og 1.070 --before 1.020 --step honey=1.5 --step water=2")
    assert after["abv"] * after["litres"] == pytest.approx(before * 19.0, rel=0.02)


def test_probes_give_gravities(capsys):
    """A float, a pressure pair by distance or by water, and a scale each give a gravity and its error."""
    words = "float --angle 40.3 --point 25.1=1.000 --point 40.3=1.040 --point 55.9=1.094"
    assert ask(capsys, f"{words} --at 20")["sg"] == pytest.approx(1.040, abs=0.001)
    beyond = ask(capsys, words.replace("40.3 --point 25", "75 --point 25"))
    assert "beyond the calibration" in beyond["cautions"][0]
    by_rule = ask(capsys, "pressure --pa 1030 --distance-mm 100 --at 20")
    by_water = ask(capsys, "pressure --pa 1030 --in-water 978.9=20 --at 20")
    assert by_water["sg"] == pytest.approx(by_rule["sg"], abs=1e-3)
    assert by_water["error"] < by_rule["error"]
    lost = ask(capsys, "massloss --litres 19 --og 1.094 --lost-g 1000")
    assert lost["sg"] == pytest.approx(1.094 - 1.0 / 19.0, abs=0.003)


def test_trend_tells_flat_from_falling_from_open(capsys):
    """A steady fall falls, a long stillness is flat, two readings are open."""
    falling = " ".join(f"--reading {24 * day}={1.020 - 0.002 * day}" for day in range(6))
    flat = " ".join(f"--reading {12 * half}=1.0040" for half in range(20))
    assert ask(capsys, f"trend {falling}")["says"] == "falling"
    assert ask(capsys, f"trend {flat}")["says"] == "flat"
    told = ask(capsys, "trend --reading 0=1.010 --reading 24=1.009")
    assert told["says"] == "open"
    assert told["per_day_range"] == [None, None]


def test_room_by_batch_and_by_gas(capsys):
    """A tight room passes the limit and says when; told gas and told batch agree; without air there is no end."""
    gas = ask(capsys, "gas --litres 19 --og 1.094 --fg 0.990")
    by_batch = ask(capsys, "room --room-m3 20 --air-changes 0.1 --litres 19 --og 1.094 --fg 0.990")
    by_gas = ask(capsys, f"room --room-m3 20 --air-changes 0.1 --gas-l-h {gas['peak_l_per_h']}")
    assert by_gas["ppm"] == pytest.approx(by_batch["ppm"], rel=1e-4)
    assert by_batch["hours_to_limit"] > 0.0
    assert by_batch["passed"][0]["ppm"] == 5000.0
    closed = ask(capsys, "room --room-m3 20 --air-changes 0 --gas-l-h 15 --hours 10")
    assert closed["ppm_steady"] is None
    assert ask(capsys, "room --room-m3 200 --air-changes 2 --gas-l-h 5")["hours_to_limit"] is None


def test_slurry_by_age_and_by_count(capsys):
    """Counted slurry has no range; old slurry wants more, and beyond six days says that it is extrapolated."""
    counted = ask(capsys, "slurry --cells 4.3e11 --viability 90 --cells-per-ml 1.25e9")
    assert counted["slurry_ml"] == pytest.approx(4.3e11 / 1.25e9 / 0.9, rel=1e-6)
    assert counted["slurry_ml_range"] == [counted["slurry_ml"]] * 2
    fresh, old = (ask(capsys, f"slurry --litres 19 --og 1.06 --days {days}") for days in (2, 20))
    assert old["slurry_ml"] > fresh["slurry_ml"]
    assert (fresh["extrapolated"], old["extrapolated"]) == (False, True)
    assert "6 days" in old["cautions"][0]


def test_storage_advises(capsys):
    """Young yeast is pitched, older is woken, old or often pitched is thrown out, with the reason."""
    assert ask(capsys, "storage --days 3 --at 4")["advice"] == "pitch"
    assert ask(capsys, "storage --days 25 --at 1")["advice"] == "wake"
    assert ask(capsys, "storage --days 0 --start 50")["advice"] == "wake"
    assert ask(capsys, "storage --days 0 --start 49.9")["advice"] == "discard"
    told = ask(capsys, "storage --days 3 --at 4 --generation 12")
    assert told["advice"] == "discard"
    assert "generation 12" in told["because"][0]


@pytest.mark.parametrize("days", [3, 14, 15, 22, 31, 45, 119, 120, 121, 179])
@pytest.mark.parametrize("practice", [YeastPractice(), YeastPractice(best_within=10 * 86400, discard_after=60 * 86400)])
def test_storage_says_what_the_shelf_says(capsys, tmp_path, days, practice):
    """A jar of the same age and generation is judged alike by both, by the figures of practice that are set."""
    made = Jarred(at=0, received=0, jar="ale-1", strain="ale", origin="given", generation=2, volume_ml=250)
    jar = shelf.jar("ale-1", [made], practice, days * DAY)
    config = tmp_path / "cellar.toml"
    keys = "\n".join(f'{key} = "{getattr(practice, key):.0f}s"' for key in ("best_within", "discard_after"))
    config.write_text(f"[practice.yeast]\n{keys}\n", encoding="utf-8")
    told = ask(capsys, f"storage --days {days} --generation 2 --config {config}")
    assert (told["advice"], told["because"]) == (jar.advice, list(jar.because))
    assert told["viability_range"] == pytest.approx([jar.viability.low, jar.viability.high])
    if practice == YeastPractice():
        assert ask(capsys, f"storage --days {days} --generation 2")["advice"] == jar.advice


def test_starter_names_what_ends_it(capsys):
    """Few cells are ended by their reserves; in the cold the hours never end."""
    assert ask(capsys, "starter --litres 1 --cells 1e9")["limited_by"] == "reserves"
    assert ask(capsys, "starter --litres 1 --cells 5e10 --at 2")["hours"] is None


def test_thermometers_go_both_ways(capsys):
    """Ohms and °C lead to each other, by every description of a thermistor."""
    assert ask(capsys, "pt100 --ohm 107.79")["celsius"] == pytest.approx(20.0, abs=0.02)
    assert ask(capsys, "pt100 --celsius 20 --r0 1000")["ohm"] == pytest.approx(1077.935, abs=0.01)
    assert ask(capsys, "pt100 --celsius 600")["celsius"] == 600.0
    assert ask(capsys, "thermistor --celsius 25")["ohm"] == pytest.approx(10_000.0, rel=1e-4)
    by_points = "thermistor --celsius 10 --point 0=32649.9 --point 25=10000 --point 50=3601.1"
    assert ask(capsys, by_points)["ohm"] == pytest.approx(19902.9, rel=1e-4)
    told = ask(capsys, "thermistor --celsius 10 --coefficients 1.129241e-3 2.341077e-4 8.775468e-8")
    assert told["ohm"] == pytest.approx(19902.9, rel=1e-4)
    warm = ask(capsys, "thermistor --ohm 3601 --beta 3936")
    assert warm["celsius"] == pytest.approx(50.0, abs=0.1)
    assert ask(capsys, "thermistor --celsius 50 --beta 3936")["ohm"] == pytest.approx(3601.0, rel=5e-3)


def test_onewire_bytes(capsys):
    """Scratchpad, register and check byte are read; the power-on value is named as no reading."""
    told = ask(capsys, 'onewire --scratchpad "50 05 4b 46 7f ff 0c 10 1c"')
    assert told["celsius"] == 85.0
    assert "no reading" in told["cautions"][0]
    assert ask(capsys, "onewire --register FF5E")["celsius"] == -10.125
    assert ask(capsys, 'onewire --crc "02 1C B8 01 00 00 00"')["crc"] == "a2"
    assert main(["calc", "onewire", "--crc", "02 1C B8 01 00 00 00 A2"]) == 0
    assert "right check byte" in capsys.readouterr().out
