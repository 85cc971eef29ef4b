"""A pair of siblings from ingredients to stored yeast, over four simulated weeks, through the public commands only."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main

from .shed import Shed, shed

pytestmark = pytest.mark.timeout(600)  # four weeks, and some seventy commands, each a process

PUBLIC = "http://shed.example:8650"
WASH = "hedge-left-lees-1"


@dataclass
class Told:
    """What was printed at each station of the story, and what stood then."""

    folder: Path
    out: dict[str, str] = field(default_factory=dict)
    stood: dict[str, set[str]] = field(default_factory=dict)
    json: dict[str, Any] = field(default_factory=dict)
    pages: dict[str, str] = field(default_factory=dict)


@pytest.fixture(scope="module")
def told() -> Iterator[Told]:
    """The whole story, once."""
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="lw-", dir=memory) as name:
        here = Told(Path(name))
        with shed("pitch-to-shelf", here.folder, f'public_url = "{PUBLIC}"\n') as cellar:
            _pitch(cellar, here)
            _rack_and_harvest(cellar, here)
            _clear_and_wash(cellar, here)
            _cold(cellar, here)
            _afterwards(cellar, here)
        yield here


def _pitch(cellar: Shed, here: Told) -> None:
    cellar.do("yeast", "packet", "ale-k", "--strain", "ale-k", "--grams", 12)
    for name, vessel in (("hedge-left", "left"), ("hedge-right", "right")):
        here.out[f"start {vessel}"] = cellar.do(
            "batch", "start", name, "--vessel", vessel, "--litres", 20, "--sugar", "sucrose=1.9",
            "--sugar", "malt-extract=1.0", "--recipe", "hedge", "--range", 16, 28, "--limit", 12, "--jar", "ale-k",
        )  # fmt: skip
        cellar.do("yeast", "use", "ale-k", 6, "--batch", name)
    cellar.until(3)
    cellar.do("batch", "note", "hedge-left", "smells of bread", "--when", cellar.now())
    here.out["typo"] = cellar.do("batch", "add", "hedge-left", "sugar", "300g")
    cellar.do("batch", "undo", "hedge-left")
    cellar.until(10, 11)
    here.stood["before racking"] = cellar.alerts()
    here.json["before racking"] = cellar.ask("batch", "show", "hedge-left")
    here.out["plan"] = cellar.do("batch", "plan", "hedge-left", "--to", "still-left", "--lees", "1.1L")


def _rack_and_harvest(cellar: Shed, here: Told) -> None:
    cellar.until(10, 11.5)
    here.out["harvest"] = cellar.do("yeast", "harvest", "hedge-left", "--ml", 600)
    cellar.do("yeast", "round", WASH, "--water", 1000, "--short")
    cellar.until(10, 12)
    cellar.do("yeast", "pour", WASH, "--kept", 900)
    cellar.do("batch", "rack", "hedge-left", "--to", "still-left", "--litres", 18.9, "--loss", 1.1)
    cellar.do("probe", "move", "float-left", "--to", "vessel:still-left")
    cellar.do("yeast", "round", WASH, "--water", 700)
    here.out["too soon to fine"] = cellar.do("batch", "fine", "hedge-left", 1, "--what", "silica sol", code=1)
    here.out["too soon to pour"] = cellar.do("yeast", "pour", WASH, code=1)


def _clear_and_wash(cellar: Shed, here: Told) -> None:
    cellar.until(10, 15)
    cellar.do("batch", "fine", "hedge-left", 1, "--what", "silica sol", "--per-litre", 1, "--degassed")
    cellar.until(10, 16.1)
    here.stood["an hour after the first part"] = cellar.alerts()
    here.out["second part"] = cellar.do("batch", "fine", "hedge-left", 2, "--what", "chitosan", "--per-litre", 5)
    cellar.until(10, 16.5)
    here.stood["four hours in the water"] = cellar.alerts()
    cellar.do("yeast", "pour", WASH, "--kept", 420)
    here.out["harvest after finings"] = cellar.do("yeast", "harvest", "hedge-left", "--ml", 300, code=2)
    cellar.do("yeast", "round", WASH, "--water", 700, "--powdery")
    cellar.until(11, 6)
    cellar.do("yeast", "pour", WASH, "--kept", 420)
    cellar.do("yeast", "jar", WASH, "ale-k-1=200/70", "ale-k-2=200/70", "--fridge", "larder")
    cellar.do("yeast", "count", "ale-k-1", "--cells", 180, "--squares", 5, "--dilution", 200, "--dead", 12)
    cellar.until(11, 12)
    cellar.do("batch", "rack", "hedge-right", "--to", "still-right", "--litres", 18.4, "--loss", 1.6)
    cellar.do("probe", "move", "float-right", "--to", "vessel:still-right")
    cellar.do("batch", "clarity", "hedge-left", "clear")
    cellar.until(11, 15)
    cellar.do("batch", "fine", "hedge-right", 1, "--what", "silica sol", "--per-litre", 1, "--degassed")
    cellar.until(11, 16.1)
    cellar.do("batch", "fine", "hedge-right", 2, "--what", "chitosan", "--per-litre", 5)
    cellar.until(13, 17)
    cellar.do("batch", "clarity", "hedge-right", "hazy")
    cellar.until(13, 18)
    here.stood["two days after the second part"] = cellar.alerts()
    cellar.do("batch", "clarity", "hedge-right", "clear")
    cellar.until(13, 19)
    here.stood["both clear"] = cellar.alerts()


def _cold(cellar: Shed, here: Told) -> None:
    cellar.until(14, 4)
    cellar.do("batch", "stage", "hedge-left", "cold")
    cellar.do("batch", "hold", "hedge-left", "--fridge", "larder", "--target", 4.5, "--hours", 48)
    cellar.until(14, 10)
    here.json["six hours in the fridge"] = cellar.ask("batch", "cold", "hedge-left")[0]
    cellar.until(18)
    here.json["three days in the fridge"] = cellar.ask("batch", "cold", "hedge-left")[0]
    here.stood["three days in the fridge"] = cellar.alerts()
    here.out["seal"] = cellar.do(
        "batch", "seal", "hedge-left", "--litres", 4, "--headspace", 0.3, "--stored-at", 25, code=1
    )


def _afterwards(cellar: Shed, here: Told) -> None:
    cellar.until(20)
    here.json["compared"] = cellar.ask("batch", "compare", "hedge-left", "hedge-right")
    cellar.do("batch", "note", "hedge-left", "apples, dry", "--tasting", "--score", 8)
    for path in ("/batch/hedge-left", "/shelf", "/jar/ale-k-1"):
        here.pages[path] = cellar.get(path)
    cellar.until(27.9)
    here.json["shelf"] = cellar.ask("yeast", "shelf")
    here.out["next pitch"] = cellar.do("yeast", "plan", "--litres", 20, "--og", 1.055)
    here.out["tree"] = cellar.do("yeast", "tree", "ale-k-1")
    cellar.do("batch", "close", "hedge-left")
    cellar.do("batch", "close", "hedge-right")
    for kind in ("html", "pdf"):
        cellar.do("report", "hedge-left", "--out", here.folder / f"left.{kind}")
    cellar.do("report", "--labels", "hedge-left", "ale-k-1", "--out", here.folder / "labels.pdf")
    cellar.do("export", "--out", here.folder / "whole.csv")
    here.json["events"] = [json.loads(line) for line in cellar.get("/api/events.jsonl?limit=10000").splitlines()]


# --- the story -----------------------------------------------------------------------------------------------------


def test_the_ingredients_forecast_beginning_and_end(told: Told) -> None:
    """Before a reading there is a forecast, and it is called one."""
    assert "original gravity 1.055 by what went in" in told.out["start left"]
    assert "that is a forecast, not a reading" in told.out["start left"]


def test_both_are_said_to_have_finished_before_they_are_racked(told: Told) -> None:
    """By the floats and the ingredients alone: nobody told where they should end."""
    assert {"ferment-finished batch:hedge-left", "ferment-finished batch:hedge-right"} <= told.stood["before racking"]
    assert not {each for each in told.stood["before racking"] if each.startswith("ferment-stalled")}


def test_what_was_taken_back_left_no_trace(told: Told) -> None:
    """Sugar that never went in moves neither strength nor volume; the report strikes it out or leaves it."""
    assert told.json["before racking"]["volume_l"] == 20.0
    assert told.json["before racking"]["strength"]["original"] == pytest.approx(1.0535, abs=0.0015)


def test_yeast_is_taken_before_finings_and_never_after(told: Told) -> None:
    """Lees after finings are refused, in words."""
    assert "generation 1" in told.out["harvest"]
    assert "fin" in told.out["harvest after finings"]


def test_nothing_is_fined_or_poured_too_soon(told: Told) -> None:
    """The first part waits until it is degassed; yeast under water until it has stood."""
    assert "degassed" in told.out["too soon to fine"]
    assert "pouring early throws yeast away" in told.out["too soon to pour"]


def test_the_clocks_speak_in_their_hour(told: Told) -> None:
    """Second part after an hour, yeast after four, and each is silent once it is done."""
    assert "clearing-due batch:hedge-left" in told.stood["an hour after the first part"]
    assert "clearing-due batch:hedge-left" not in told.stood["four hours in the water"]
    assert f"yeast-stand-done jar:{WASH}" in told.stood["four hours in the water"]
    assert f"yeast-stand-done jar:{WASH}" not in told.stood["two days after the second part"]
    assert "shellfish" in told.out["second part"]


def test_the_slower_sibling_is_told(told: Told) -> None:
    """Two days after its second part the right one is hazy; its sibling was clear within a day."""
    assert "clearing-slow batch:hedge-right" in told.stood["two days after the second part"]
    assert "clearing-slow batch:hedge-right" not in told.stood["both clear"]


def test_the_hold_counts_from_the_liquid(told: Told) -> None:
    """Six hours in the fridge nothing counts; three days later it is done."""
    assert told.json["six hours in the fridge"]["hours"] == 0.0
    assert told.json["three days in the fridge"]["hours"] >= 48.0
    assert "cold-hold-done batch:hedge-left" in told.stood["three days in the fridge"]


def test_glass_is_not_called_safe(told: Told) -> None:
    """Where a float alone told the end, and the wash holds its gas, the answer is no, with a pressure."""
    assert "NOT safe to close" in told.out["seal"]
    assert "not rated for pressure" in told.out["seal"]


def test_the_siblings_differ_in_pace_and_not_in_strength(told: Told) -> None:
    """As they were simulated: half the yeast and a longer lag, the same sugar."""
    rows = {row["what"]: row for row in told.json["compared"]["differences"]}

    assert rows["lag"]["beyond"]
    assert rows["half"]["beyond"]
    assert not rows["strength"]["beyond"]


def test_the_shelf_knows_age_generation_and_origin(told: Told) -> None:
    """Two jars, seventeen days old, of generation one, back to the packet."""
    jars = {jar["jar"]: jar for jar in told.json["shelf"]["jars"]}

    assert set(jars) == {"ale-k-1", "ale-k-2"}
    assert all(jar["generation"] == 1 for jar in jars.values())
    for word in ("ale-k-1", WASH, "hedge-left", "a packet"):
        assert word in told.out["tree"]
    assert "starter" in told.out["next pitch"]


def test_the_pages_show_it(told: Told) -> None:
    """Batch, shelf and jar each have a page that names what was done."""
    assert "chitosan" in told.pages["/batch/hedge-left"]
    assert "ale-k-2" in told.pages["/shelf"]
    assert WASH in told.pages["/jar/ale-k-1"]


def test_the_report_is_whole(told: Told) -> None:
    """One file that fetches nothing, with curve, allergen, sibling and tasting; and a PDF."""
    html = (told.folder / "left.html").read_text(encoding="utf-8")

    for word in ("<svg", "shellfish", "hedge-right", "apples, dry", "Racked to still-left"):
        assert word in html
    assert 'src="http' not in html
    assert (told.folder / "left.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.skipif(not (shutil.which("zbarimg") and shutil.which("pdftoppm")), reason="zbar-tools, poppler-utils")
def test_the_labels_are_read_back(told: Told) -> None:
    """An independent decoder reads from the printed page where each label leads."""
    subprocess.run(["pdftoppm", "-r", "300", "-png", told.folder / "labels.pdf", told.folder / "label"], check=True)
    pages = sorted(told.folder.glob("label-*.png"))
    read = subprocess.run(["zbarimg", "--quiet", "--raw", *pages], check=True, capture_output=True, text=True).stdout

    assert set(read.split()) == {f"{PUBLIC}/batch/hedge-left", f"{PUBLIC}/jar/ale-k-1"}


def test_the_replay_of_it_all_says_the_same(told: Told) -> None:
    """Deeds are in the journal: live equals replay, event for event."""
    out = told.folder / "again.jsonl"
    code = main(["replay", str(told.folder / "whole.csv"), "--config", str(told.folder / "shed.toml"),
                 "--events", str(out)])  # fmt: skip
    again = [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]

    assert code == 0
    assert len(again) > 100
    assert again == told.json["events"]
