"""`leeswatch yeast`: from the lees to the next pitch."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.model.clock import DAY, HOUR, MINUTE, SystemClock, iso
from monitor.model.deeds import Harvested, Jarred, JarUsed, WashRound
from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader

from .helpers import cellar, parsed, run_here, run_there

NOW = SystemClock().wall_ms()
WASH = "amber-1-lees-1"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A cellar without history and without a daemon."""
    return cellar(tmp_path)


def run(capsys, config: Path, *words: object, group: str = "yeast") -> tuple[int, str, str]:
    return run_here(capsys, group, *words, "--config", config)


def done(capsys, config: Path, *words: object, group: str = "yeast") -> str:
    """A command that works, and what it printed."""
    code, out, err = run(capsys, config, *words, group=group)
    assert (code, err) == (0, "")
    return out


def refused(capsys, config: Path, *words: object, group: str = "yeast", code: int = 2) -> str:
    """A command that is refused with a reason and a remedy."""
    found, out, err = run(capsys, config, *words, group=group)
    assert (found, out) == (code, "")
    assert "; " in err
    return err


def entries(config: Path, kind: type) -> list:
    with Reader(store_path(load_settings(config))) as reader:
        return [each for each in reader.inputs() if isinstance(each, kind)]


def ago(ms: int) -> tuple[str, str]:
    return "--when", iso(NOW - ms)


def washed(capsys, config: Path) -> None:
    """A packet, pitched; its lees harvested, washed once, and put up as two jars."""
    done(capsys, config, "packet", "first", "--strain", "House Ale", "--grams", 11, *ago(20 * DAY))
    done(capsys, config, "use", "first", "all", "--batch", "amber-1", *ago(19 * DAY))
    done(capsys, config, "harvest", "amber-1", "--ml", "0.6L", *ago(DAY))
    done(capsys, config, "round", WASH, "--water", 500, *ago(DAY - HOUR))
    done(capsys, config, "pour", WASH, "--kept", 420, *ago(DAY - 6 * HOUR))
    done(capsys, config, "jar", WASH, "ale-1=200/60", "200", *ago(DAY - 7 * HOUR))


# --- washing -----------------------------------------------------------------------------------------------------


def test_lees_become_jars(config, capsys):
    """Strain and generation come from the packet, names are made up, and each step says the next."""
    washed(capsys, config)
    (harvest,) = entries(config, Harvested)
    assert (harvest.strain, harvest.generation, harvest.parents, harvest.volume_ml) == ("House Ale", 1, ["first"], 600)
    jars = [each for each in entries(config, Jarred) if each.origin == "wash"]
    assert [(each.jar, each.volume_ml, each.layer_ml) for each in jars] == [
        ("ale-1", 200.0, 60.0), ("house-ale-1", 200.0, None),
    ]  # fmt: skip
    out = done(capsys, config, "shelf")
    assert "lids loose" in out
    assert "ale-1: through a starter first, or with others: alone it would pitch about" in out
    assert "of 19 L at 1.062 (as amber-1)" in out
    assert max(map(len, out[: out.index("ale-1: through")].splitlines())) <= 80
    assert "→ through a starter first" in done(capsys, config, "show", "ale-1")
    (told, *_) = parsed(done(capsys, config, "shelf", "--json"))["jars"]
    assert told["would_pitch"]["share"]["usual"] < 0.5


def test_a_round_shows_clock_and_physics(config, capsys):
    """Until when by practice, how long flocs and cells need by Stokes, and hygiene where the person acts."""
    done(capsys, config, "harvest", "amber-1", "--ml", 500, "--strain", "ale", "--generation", 1, *ago(2 * HOUR))
    out = done(capsys, config, "round", WASH, "--water", 500, "--depth", 120, *ago(HOUR))
    for words in ("round 1 of 3", "common practice", "120 mm of water", "Stokes", "cooled", f"yeast undo {WASH}"):
        assert words in out
    told = parsed(done(capsys, config, "shelf", "--json"))
    (stand,) = told["washes"][0]["stands"]
    assert stand["due"] == iso(NOW + 3 * HOUR)
    assert stand["flocs_hours"][0] < stand["cells_hours"][0]


def test_pouring_early_is_refused_unless_told(config, capsys):
    """It throws yeast away; --anyway notes it, and the record says that it was early."""
    done(capsys, config, "harvest", "amber-1", "--ml", 500, "--strain", "ale", "--generation", 1, *ago(2 * HOUR))
    done(capsys, config, "round", WASH, "--water", 500, *ago(HOUR))
    assert "pouring early throws yeast away" in refused(capsys, config, "pour", WASH, code=1)
    done(capsys, config, "pour", WASH, "--anyway")
    assert parsed(done(capsys, config, "show", WASH, "--json"))["wash"]["stands"][0]["early"] is True


def test_a_fined_batch_gives_no_yeast(config, capsys):
    """Its lees are never offered to the shelf; those taken before the finings are."""
    done(capsys, config, "fine", "amber-1", 1, "--what", "silica sol", "--anyway", *ago(HOUR), group="batch")
    words = ("harvest", "amber-1", "--ml", 500, "--strain", "ale", "--generation", 1)
    assert "was fined" in refused(capsys, config, *words)
    assert "to wash" in done(capsys, config, *words, *ago(2 * HOUR))


def test_a_doubtful_source_is_warned_of_and_kept_in_the_deed(config, capsys):
    """An off smell and a strong wash: start from fresh, and the jars say so later."""
    done(capsys, config, "note", "amber-1", "eggs", "--off-smell", group="batch")
    done(capsys, config, "reading", "amber-1", "0.990", "--at", 20, group="batch")
    file = config.read_text(encoding="utf-8").replace("1.062", "1.090")
    config.write_text(file, encoding="utf-8")
    out = done(capsys, config, "harvest", "amber-1", "--ml", 500, "--strain", "ale", "--generation", 9)
    assert "smelled off" in out
    assert "start from fresh yeast" in out
    assert "generation 9 is past 8" in out
    (deed,) = entries(config, Harvested)
    assert deed.off_smell
    assert deed.abv is None or deed.abv > 9.0


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        (("harvest", "nobody", "--ml", 5), "no batch"),
        (("harvest", "amber-1", "--ml", 5), "which yeast"),
        (("harvest", "amber-1", "--ml", 5, "--strain", "a"), "generation"),
        (("round", "nothing", "--water", 5), "no wash"),
        (("pour", "nothing"), "no wash"),
        (("jar", "nothing", "a=5"), "no wash"),
        (("packet", "--strain", "a"), "how much"),
        (("packet", "--strain", "a", "--grams", 5, "--generation", 2), "generation 0"),
        (("packet", "Bad Name", "--strain", "a", "--grams", 5), "a name is"),
        (("use", "nothing", 5), "no jar"),
        (("discard", "nothing"), "no jar"),
        (("count", "nothing", "--cells", 5, "--squares", 5), "no jar"),
        (("tree", "nothing"), "no jar"),
        (("show", "nothing"), "no wash or jar"),
        (("undo", "nothing"), "no wash or jar"),
        (("note", "nothing", "words"), "no wash"),
        (("plan",), "not known"),
        (("plan", "--litres", 19, "--og", 0.9), "gravity"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_a_remedy(config, capsys, words, reason):
    """Exit 2, the reason and what to do instead."""
    assert reason in refused(capsys, config, *words)


def test_jars_are_held_to_what_the_wash_holds(config, capsys):
    """Not more than there is, no layer above its jar, no name twice; without any, jars are suggested."""
    washed(capsys, config)
    assert "cannot come from" in refused(capsys, config, "jar", WASH, "big=900")
    assert "more than the jar" in refused(capsys, config, "jar", WASH, "odd=10/20")
    assert "is taken" in refused(capsys, config, "jar", WASH, "ale-1=10")
    assert "is no jar" in refused(capsys, config, "jar", WASH, "odd=much")
    assert "NAME=ML" in refused(capsys, config, "jar", WASH)


# --- the shelf ---------------------------------------------------------------------------------------------------


def test_using_leaves_the_rest(config, capsys):
    """What is left, how many cells went in; never more than there is."""
    washed(capsys, config)
    out = done(capsys, config, "use", "ale-1", 150, "--batch", "amber-1")
    assert "50 mL left" in out
    assert "living cells" in out
    assert "50 mL are left" in refused(capsys, config, "use", "ale-1", 80)
    done(capsys, config, "use", "ale-1", "all")
    assert "used up" in refused(capsys, config, "use", "ale-1", 1)
    assert [each.ml for each in entries(config, JarUsed) if each.jar == "ale-1"] == [150.0, 50.0]
    names = [each["jar"] for each in parsed(done(capsys, config, "shelf", "--json"))["jars"]]
    assert names == ["house-ale-1"]
    assert "ale-1: used up" in done(capsys, config, "shelf", "--all")


def test_a_count_is_the_calculators(config, capsys):
    """As `calc count` reckons it, with exact limits; of a jar shaken up, by its layer."""
    washed(capsys, config)
    how = ("--cells", 250, "--squares", 5, "--square-mm", 0.2, "--dilution", 100, "--dead", 20)
    there = parsed(done(capsys, config, "count", "ale-1", *how, "--json"))
    code, out, _ = run_here(capsys, "calc", "count", *how, "--json")
    assert code == 0
    assert there["cells_per_ml"] == pytest.approx(parsed(out)["cells_per_ml"])
    shaken = parsed(done(capsys, config, "count", "ale-1", *how, "--shaken", "--json"))
    assert shaken["cells_per_ml"] == pytest.approx(there["cells_per_ml"] * 200 / 60)
    assert "was never told" in refused(capsys, config, "count", "house-ale-1", *how, "--shaken")
    done(capsys, config, "layer", "house-ale-1", 50)
    done(capsys, config, "count", "house-ale-1", *how, "--shaken")


def test_a_starter_is_a_jar_of_its_own(config, capsys):
    """It takes from its parent, keeps its generation, and taking it back gives the parent its yeast again."""
    washed(capsys, config)
    out = done(capsys, config, "starter", "ale-1", 100, "--litres", 1)
    assert "never a tight lid" in out
    told = {each["jar"]: each for each in parsed(done(capsys, config, "shelf", "--json"))["jars"]}
    assert told["ale-1"]["left"] == 100.0
    starter = told["ale-1-starter-1"]
    assert (starter["parents"], starter["generation"], starter["origin"]) == (["ale-1"], 1, "starter")
    assert starter["living_cells"]["low"] < starter["living_cells"]["usual"] < starter["living_cells"]["high"]
    done(capsys, config, "undo", "ale-1-starter-1")
    left = {each["jar"]: each["left"] for each in parsed(done(capsys, config, "shelf", "--json"))["jars"]}
    assert left == {"ale-1": 200.0, "house-ale-1": 200.0}


def test_what_smells_off_is_thrown_out(config, capsys):
    """A note makes it so, discarding says why, and both can be taken back."""
    washed(capsys, config)
    done(capsys, config, "note", "ale-1", "vinegar", "--off-smell")
    assert "ale-1: throw it out: it smells off" in done(capsys, config, "shelf")
    assert "open it slowly" in done(capsys, config, "discard", "ale-1", "--why", "vinegar")
    assert "not there any more: vinegar" in refused(capsys, config, "use", "ale-1", 5)
    done(capsys, config, "undo", "ale-1")
    done(capsys, config, "undo", "ale-1")
    assert "throw it out" not in done(capsys, config, "shelf")


def test_a_batch_started_from_a_jar_asks_how_much(config, capsys):
    """The start names it; the shelf gives the command that answers, and that answers it."""
    washed(capsys, config)
    done(capsys, config, "start", "amber-2", "--vessel", "bucket-b", "--jar", "ale-1", group="batch")
    assert "leeswatch yeast use ale-1 ML --batch amber-2" in done(capsys, config, "shelf")
    done(capsys, config, "use", "ale-1", 100, "--batch", "amber-2")
    assert "how much of it" not in done(capsys, config, "shelf")


# --- taking back -------------------------------------------------------------------------------------------------


def test_undoing_is_undone_by_what_it_prints(config, capsys):
    """The printed command makes it count again."""
    washed(capsys, config)
    done(capsys, config, "use", "ale-1", 50)
    told = parsed(done(capsys, config, "undo", "ale-1", "--json"))
    left = {each["jar"]: each["left"] for each in parsed(done(capsys, config, "shelf", "--json"))["jars"]}
    assert left["ale-1"] == 200.0
    assert "counts again" in done(capsys, config, *told["undo"].split()[2:])
    left = {each["jar"]: each["left"] for each in parsed(done(capsys, config, "shelf", "--json"))["jars"]}
    assert left["ale-1"] == 150.0


def test_nothing_is_taken_from_under_what_hangs_on_it(config, capsys):
    """A jar that was used, a wash with jars: those first; then everything, and nothing is left."""
    washed(capsys, config)
    done(capsys, config, "use", "ale-1", 50)
    (put_up,) = [each for each in entries(config, Jarred) if each.jar == "ale-1"]
    assert "hangs on it" in refused(capsys, config, "undo", WASH, "--of", iso(put_up.received))
    for name in ("ale-1", "ale-1", WASH, WASH, WASH, WASH, "first", "first"):
        done(capsys, config, "undo", name)
    assert parsed(done(capsys, config, "shelf", "--all", "--json")) == {"jars": [], "washes": []}
    assert "nothing about first is left" in refused(capsys, config, "undo", "first")
    done(capsys, config, "packet", "first", "--strain", "again", "--grams", 5)


def test_one_of_several_is_named_by_its_time(config, capsys):
    """--of takes the time that `show` shows; what was taken back already is refused."""
    done(capsys, config, "harvest", "amber-1", "--ml", 500, "--strain", "ale", "--generation", 1, *ago(9 * HOUR))
    done(capsys, config, "round", WASH, "--water", 500, *ago(8 * HOUR))
    done(capsys, config, "round", WASH, "--water", 300, *ago(2 * HOUR))
    assert "500 mL of water" in done(capsys, config, "undo", WASH, "--of", iso(NOW - 8 * HOUR))
    assert "taken back already" in refused(capsys, config, "undo", WASH, "--of", iso(NOW - 8 * HOUR))
    assert "nothing about" in refused(capsys, config, "undo", WASH, "--of", iso(NOW - 70 * MINUTE))
    assert len(entries(config, WashRound)) == 2
    assert "(taken back)" in done(capsys, config, "show", WASH)


# --- plan and tree -----------------------------------------------------------------------------------------------


def test_the_plan_names_the_jar_and_how_much(config, capsys):
    """mL of the jar and of slurry with their ranges, the best one with why, and the command that notes it."""
    washed(capsys, config)
    out = done(capsys, config, "plan", "--litres", 4, "--og", 1.050, "--kind", "ale")
    assert "mL of slurry" in out
    assert "→ ale-1: generation 1" in out
    assert "leeswatch yeast use ale-1" in out
    told = parsed(done(capsys, config, "plan", "--litres", 4, "--og", 1.050, "--json"))
    assert told["best"] == "ale-1"
    assert "a starter: all of" in done(capsys, config, "plan", "--litres", 30, "--og", 1.060)


def test_a_plan_of_one_strain_names_no_other(config, capsys):
    """--strain leaves out what is of another yeast, however it is written."""
    washed(capsys, config)
    done(capsys, config, "packet", "cider", "--strain", "Cider", "--grams", 11, "--best-before", iso(NOW + 300 * DAY))
    words = ("plan", "--litres", 4, "--og", 1.050, "--json")
    for strain, jars in (("house ale", {"ale-1", "house-ale-1"}), ("Cider", {"cider"}), ("sour", set())):
        told = parsed(done(capsys, config, *words, "--strain", strain))
        assert {each["jar"] for each in told["offers"]} == jars
    assert told["why"] == "no jar of sour stands on the shelf"


def test_the_plan_of_a_batch_takes_what_is_known_of_it(config, capsys):
    """Its volume and original gravity; what is given on the line rules."""
    told = parsed(done(capsys, config, "plan", "--batch", "amber-1", "--litres", 10, "--json"))
    assert (told["litres"], told["og"]) == (10.0, 1.062)


def test_the_tree_goes_back_to_the_packet(config, capsys):
    """With box characters, and in ASCII where the output knows no others; as nodes and edges in JSON."""
    washed(capsys, config)
    assert "        └── jar first: House Ale, generation 0, a packet" in done(capsys, config, "tree", "ale-1")
    done(capsys, config, "starter", "ale-1", 50, "--litres", 1, "--name", "boost")
    done(capsys, config, "packet", "umlaut", "--strain", "Märzhefe", "--grams", 5)
    odd = run_there("yeast", "tree", "umlaut", "--config", config, PYTHONIOENCODING="ascii")
    assert odd.stdout == "jar umlaut: M?rzhefe, generation 0, a packet\n"
    plain = run_there("yeast", "tree", "ale-1", "--config", config, PYTHONIOENCODING="ascii")
    assert (plain.returncode, plain.stderr) == (0, "")
    assert plain.stdout.isascii()
    assert "`-- jar first" in plain.stdout
    told = parsed(done(capsys, config, "tree", "ale-1", "--json"))
    assert {"from": f"wash:{WASH}", "to": "jar:ale-1"} in told["edges"]
    assert len(told["nodes"]) == 4


# --- when, how much, and what is no more -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        ("count", "ale-1", "--cells", 250, "--squares", 5), ("layer", "ale-1", 20), ("note", "ale-1", "words"),
        ("discard", "ale-1"), ("starter", "ale-1", "--litres", 1), ("use", "ale-1", 10),
    ],
    ids=lambda words: words[0],
)  # fmt: skip
def test_nothing_is_done_to_a_jar_before_it_is_put_up(config, capsys, words):
    """Refused, not passed over in silence."""
    washed(capsys, config)
    assert "lies before jar ale-1 was put up" in refused(capsys, config, *words, *ago(5 * DAY))


def test_a_wash_can_be_thrown_out(config, capsys):
    """It leaves the shelf, takes no more water or jars, and comes back when that is taken back."""
    done(capsys, config, "harvest", "amber-1", "--ml", 500, "--strain", "ale", "--generation", 1, *ago(2 * HOUR))
    done(capsys, config, "discard", WASH, "--why", "spilt", *ago(HOUR))
    assert parsed(done(capsys, config, "shelf", "--json"))["washes"] == []
    assert "is gone: spilt" in refused(capsys, config, "round", WASH, "--water", 500)
    assert "is gone: spilt" in refused(capsys, config, "jar", WASH, "ale-1=200")
    assert "gone already" in refused(capsys, config, "discard", WASH)
    done(capsys, config, "undo", WASH)
    done(capsys, config, "round", WASH, "--water", 500)


def test_finings_told_of_later_stop_the_washing(config, capsys):
    """Lees that turn out to be fined are washed no further, and jars of them are to be thrown out."""
    washed(capsys, config)
    done(capsys, config, "fine", "amber-1", 1, "--what", "silica sol", "--anyway", *ago(2 * DAY), group="batch")
    assert "was fined before" in refused(capsys, config, "round", WASH, "--water", 500)
    assert "ale-1: throw it out: its lees were taken after finings" in done(capsys, config, "shelf")


def test_a_count_that_cannot_be_is_doubted(config, capsys):
    """Ten times what settled yeast holds is a wrong dilution; a likely count raises nothing."""
    washed(capsys, config)
    how = ("count", "ale-1", "--cells", 250, "--squares", 5, "--dilution")
    assert "check dilution" in done(capsys, config, *how, 1000)
    assert "check dilution" not in done(capsys, config, *how, 100)


def test_a_starter_grows_before_it_is_pitched(config, capsys):
    """Until it has usually grown the shelf says to wait; too much yeast in too little wort is told to hardly grow."""
    done(capsys, config, "packet", "ale-1", "--strain", "a", "--given", "--ml", 200, "--layer", 60, *ago(3 * DAY))
    done(capsys, config, "starter", "ale-1", 50, "--litres", 2, "--name", "boost")
    assert "boost: let it grow first" in done(capsys, config, "shelf")
    done(capsys, config, "starter", "ale-1", 50, "--litres", 2, "--name", "grown", *ago(2 * DAY))
    out = done(capsys, config, "shelf")
    assert "grown: let it grow" not in out
    assert re.search(r"grown: .*alone it would pitch about \d+ %", out)
    assert "hardly grows" in done(capsys, config, "starter", "ale-1", 100, "--litres", 0.05)


def test_a_packet_may_have_a_month_for_a_date(config, capsys):
    """It is good until the month's end; no thirteenth month; accents drop off in made-up names."""
    out = done(capsys, config, "packet", "--strain", "Märzen", "--grams", 5, "--best-before", "2027-12")
    assert out.startswith("marzen-1: ")
    assert "best by 31 Dec 2027" in out
    assert "is no month" in refused(capsys, config, "packet", "--strain", "a", "--grams", 5, "--best-before", "2027-13")


def test_the_plan_puts_jars_together(config, capsys):
    """Where none is enough, how much of each, and the command that notes each."""
    for name in ("left", "right"):
        done(capsys, config, "packet", name, "--strain", "ale", "--given", "--ml", 200, "--layer", 110, *ago(DAY))
    out = done(capsys, config, "plan", "--litres", 19, "--og", 1.060, "--kind", "ale")
    assert "200 mL of left and " in out
    assert "leeswatch yeast use left 200 --batch BATCH" in out
    assert "or a starter: all of" in out
