"""The same wrong deed by command and by API: one refusal, in the same words, and nothing is noted."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor.cli.main import main
from monitor.model.clock import DAY, HOUR, MINUTE, SystemClock, iso
from monitor.model.deeds import Fined, Harvested, Jarred, Noted, PouredOff
from monitor.model.inputs import BatchStarted, JournalEntry
from monitor.settings import load_settings
from monitor.store.reader import Reader
from tests.cli.helpers import cellar
from tests.web.cellar import House, SmallDesk
from tests.web.conftest import client_of, may_change

NOW = SystemClock().wall_ms() // MINUTE * MINUTE
JUGS = "".join(f'[[vessel]]\nname = "{name}"\nvolume_l = {litres}\n' for name, litres in (("jug-a", 5), ("jug-b", 5)))


def ago(ms: int) -> str:
    return iso(NOW - ms)


SETTING_UP = (
    f"batch start pale-2 --vessel jug-a --litres 4 --og 1.060 --pitched {ago(15 * DAY)}",
    f"batch start done-3 --vessel jug-b --litres 2 --og 1.050 --pitched {ago(15 * DAY)}",
    "batch close done-3",
    f"batch reading pale-2 1.010 --at 20 --when {ago(12 * DAY)}",
    f"batch note pale-2 bread --when {ago(14 * DAY)}",
    f"batch note pale-2 apples --when {ago(13 * DAY)}",
    "batch undo pale-2",
    f"yeast packet first --strain ale --grams 11 --when {ago(14 * DAY)}",
    f"yeast harvest amber-1 --ml 600 --strain ale --generation 1 --name w-1 --when {ago(2 * DAY)}",
    f"yeast round w-1 --water 500 --when {ago(2 * HOUR)}",
    f"yeast harvest amber-1 --ml 400 --strain ale --generation 1 --name w-2 --when {ago(3 * DAY)}",
    f"yeast jar w-2 ale-1=200/60 ale-2=100 --when {ago(3 * DAY - HOUR)}",
    f"yeast discard ale-2 --why old --when {ago(HOUR)}",
    f"yeast harvest amber-1 --ml 100 --strain ale --generation 1 --name w-3 --when {ago(3 * DAY)}",
    f"yeast discard w-3 --why mould --when {ago(HOUR)}",
    f"batch fine amber-1 1 --what silica --anyway --when {ago(30 * MINUTE)}",
)


def typed(config: Path, line: str) -> tuple[int, str]:
    """A command as a person types it: its exit code, and what it said on the error output."""
    code, _, err = run(config, line)
    return code, err


def printed(config: Path, line: str) -> tuple[int, str]:
    """Its exit code, and what it printed."""
    code, out, _ = run(config, line)
    return code, out


def run(config: Path, line: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([*(word.replace("_", " ") for word in line.split()), "--config", str(config)])
    return code, out.getvalue(), err.getvalue()


def journal(store: Path) -> list[JournalEntry]:
    with Reader(store) as reader:
        return list(reader.journal())


@dataclass
class Both:
    """One store, a command line and a page over it."""

    config: Path
    store: Path
    person: httpx.Client

    def received(self, kind: type[JournalEntry], **has: Any) -> str:
        """When an entry was received that has these fields."""
        (found,) = [
            each for each in journal(self.store)
            if isinstance(each, kind) and all(getattr(each, name) == value for name, value in has.items())
        ]  # fmt: skip
        return iso(found.received)


def filled(folder: Path) -> Path:
    config = cellar(folder, more=JUGS)
    for line in SETTING_UP:
        code, err = typed(config, line)
        assert (code, err) == (0, ""), line
    return config


@contextlib.contextmanager
def both_over(config: Path) -> Iterator[Both]:
    store, settings = config.parent / "store.db", load_settings(config)
    settings = settings.model_copy(update={"web": settings.web.model_copy(update={"port": 0})})
    house = House(SmallDesk(store, settings, NOW + MINUTE))
    try:
        with client_of(house) as client:
            yield Both(config, store, may_change(client))
    finally:
        house.close()


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cellar in which much was done."""
    return filled(tmp_path_factory.mktemp("alike"))


@pytest.fixture(scope="module")
def both(ready: Path) -> Iterator[Both]:
    """A command line and a page over it, that only ever refuse."""
    with both_over(ready) as found:
        yield found


P, D = "pale-2", "done-3"
FUTURE, LONG_AGO, T = "2099-01-01T00:00:00.000Z", "2020-01-01T00:00:00.000Z", ago(0)
RACK = {"kind": "racked", "batch": P, "to": "bucket-b"}
LEES = {"kind": "harvest", "batch": "amber-1", "strain": "ale", "generation": 1, "volume_ml": 5.0}
FILLED = {"kind": "jar", "origin": "wash", "strain": "ale", "generation": 1}
HELD = {"kind": "hold", "target_c": 4, "hours": 48}

WRONG: dict[str, tuple[str, dict[str, Any]]] = {
    "rack: no such vessel": (f"batch rack {P} --to tun", {**RACK, "to": "tun"}),
    "rack: where it is": (f"batch rack {P} --to jug-a", {**RACK, "to": "jug-a"}),
    "rack: taken": (f"batch rack {P} --to bucket-a", {**RACK, "to": "bucket-a"}),
    "rack: too much arrives": (f"batch rack {P} --to bucket-b --litres 9", {**RACK, "volume_l": 9}),
    "rack: too much stays": (f"batch rack {P} --to bucket-b --loss 9", {**RACK, "loss_l": 9}),
    "rack: nobody": ("batch rack nobody --to bucket-b", {**RACK, "batch": "nobody"}),
    "rack: over": (f"batch rack {D} --to bucket-b", {**RACK, "batch": D}),
    "rack: to come": (f"batch rack {P} --to bucket-b --when {FUTURE}", {**RACK, "at": FUTURE}),
    "rack: before the pitch": (f"batch rack {P} --to bucket-b --when {LONG_AGO}", {**RACK, "at": LONG_AGO}),
    "split: a name that is": (f"batch split {P} amber-1 --vessel jug-b --litres 1",
                              {"kind": "split", "batch": P, "name": "amber-1", "vessel": "jug-b", "volume_l": 1}),
    "split: all of it": (f"batch split {P} part --vessel jug-b --litres 4",
                         {"kind": "split", "batch": P, "name": "part", "vessel": "jug-b", "volume_l": 4}),
    "merge: into itself": (f"batch merge {P} --into {P}", {"kind": "merged", "batch": P, "into": P}),
    "merge: into one that is over": (f"batch merge {P} --into {D}", {"kind": "merged", "batch": P, "into": D}),
    "reopen: open": (f"batch reopen {P}", {"kind": "batch-reopened", "batch": P}),
    "note: nothing": (f"batch note {P} _", {"kind": "note", "about": f"batch:{P}", "text": " "}),
    "note: a score of no tasting": (f"batch note {P} good --score 7",
                                    {"kind": "note", "about": f"batch:{P}", "text": "good", "score": 7}),
    "note: no such wash": ("yeast note nothing words", {"kind": "note", "about": "wash:nothing", "text": "words"}),
    "note: before it was put up": (f"yeast note ale-1 words --when {ago(9 * DAY)}",
                                   {"kind": "note", "about": "jar:ale-1", "text": "words", "at": ago(9 * DAY)}),
    "clarity: nothing": (f"batch clarity {P}", {"kind": "clarity", "batch": P}),
    "clarity: over": (f"batch clarity {D} clear", {"kind": "clarity", "batch": D, "clearness": "clear"}),
    "fine: not ready": (f"batch fine {P} 1 --what silica",
                        {"kind": "fining", "batch": P, "part": 1, "what": "silica"}),
    "fine: a round runs": ("batch fine amber-1 1 --what silica",
                           {"kind": "fining", "batch": "amber-1", "part": 1, "what": "silica"}),
    "fine: a round runs, anyway": ("batch fine amber-1 1 --what silica --anyway",
                                   {"kind": "fining", "batch": "amber-1", "part": 1, "what": "silica", "anyway": True}),
    "fine: the second too soon": ("batch fine amber-1 2 --what chitosan",
                                  {"kind": "fining", "batch": "amber-1", "part": 2, "what": "chitosan"}),
    "fine: no first": (f"batch fine {P} 2 --what chitosan",
                       {"kind": "fining", "batch": P, "part": 2, "what": "chitosan"}),
    "fine: before the first": (f"batch fine amber-1 2 --what chitosan --when {ago(HOUR)}",
                               {"kind": "fining", "batch": "amber-1", "part": 2, "what": "chitosan", "at": ago(HOUR)}),
    "hold: no such fridge": (f"batch hold {P} --fridge nope", {**HELD, "about": f"batch:{P}", "fridge": "nope"}),
    "hold: no fridge and no probe": (f"batch hold {P}", {**HELD, "about": f"batch:{P}"}),
    "hold: a jar of no size": ("batch hold --jar a1 --fridge larder",
                               {**HELD, "about": "jar:a1", "fridge": "larder"}),
    "hold: over": (f"batch hold {D} --fridge larder", {**HELD, "about": f"batch:{D}", "fridge": "larder"}),
    "unhold: not held": (f"batch unhold {P}", {"kind": "hold-ended", "about": f"batch:{P}"}),
    "seal: never closed": (f"batch seal {P} --opened", {"kind": "unsealed", "batch": P}),
    "seal: in ice": (f"batch seal {P} --litres 4 --headspace 0.3 --sealed-at -5 --closed",
                       {"kind": "sealed", "batch": P, "litres": 4, "headspace_l": 0.3, "sealed_at_c": -5,
                        "stored_at_c": 25}),
    "harvest: fined": ("yeast harvest amber-1 --ml 5 --strain ale --generation 1 --name w-9", {**LEES, "wash": "w-9"}),
    "harvest: a name that is": (f"yeast harvest {P} --ml 5 --strain ale --generation 1 --name w-1",
                                {**LEES, "batch": P, "wash": "w-1"}),
    "harvest: nobody": ("yeast harvest nobody --ml 5 --strain ale --generation 1 --name w-9",
                        {**LEES, "batch": "nobody", "wash": "w-9"}),
    "round: no such wash": ("yeast round nothing --water 5", {"kind": "wash-round", "wash": "nothing", "water_ml": 5}),
    "round: gone": ("yeast round w-3 --water 5", {"kind": "wash-round", "wash": "w-3", "water_ml": 5}),
    "round: before the last": (f"yeast round w-1 --water 5 --when {ago(DAY)}",
                               {"kind": "wash-round", "wash": "w-1", "water_ml": 5, "at": ago(DAY)}),
    "pour: nothing stands": ("yeast pour w-2", {"kind": "poured-off", "wash": "w-2"}),
    "pour: more than there was": ("yeast pour w-1 --kept 9000", {"kind": "poured-off", "wash": "w-1", "kept_ml": 9000}),
    "pour: too soon": ("yeast pour w-1", {"kind": "poured-off", "wash": "w-1"}),
    "jar: too soon": ("yeast jar w-1 new=100", {**FILLED, "jar": "new", "wash": "w-1", "volume_ml": 100}),
    "jar: more than there is": ("yeast jar w-2 new=900", {**FILLED, "jar": "new", "wash": "w-2", "volume_ml": 900}),
    "jar: a name that is": ("yeast jar w-2 ale-1=9", {**FILLED, "jar": "ale-1", "wash": "w-2", "volume_ml": 9}),
    "jar: a layer above its top": ("yeast jar w-2 new=10/20",
                                   {**FILLED, "jar": "new", "wash": "w-2", "volume_ml": 10, "layer_ml": 20}),
    "jar: no such fridge": ("yeast jar w-2 new=10 --fridge nope",
                            {**FILLED, "jar": "new", "wash": "w-2", "volume_ml": 10, "fridge": "nope"}),
    "packet: used once": ("yeast packet p --strain ale --grams 5 --generation 2",
                          {**FILLED, "jar": "p", "origin": "packet", "volume_ml": 5, "grams": 5, "generation": 2}),
    "packet: a name that is": ("yeast packet w-1 --strain ale --grams 5",
                               {**FILLED, "jar": "w-1", "origin": "packet", "volume_ml": 5, "grams": 5,
                                "generation": 0}),
    "starter: more than there is": ("yeast starter ale-1 900 --litres 1 --name s",
                                    {**FILLED, "jar": "s", "origin": "starter", "parents": ["ale-1"], "taken_ml": 900,
                                     "volume_ml": 1000}),
    "starter: gone": ("yeast starter ale-2 9 --litres 1 --name s",
                      {**FILLED, "jar": "s", "origin": "starter", "parents": ["ale-2"], "taken_ml": 9,
                       "volume_ml": 1000}),
    "use: more than there is": ("yeast use ale-1 900", {"kind": "jar-used", "jar": "ale-1", "ml": 900}),
    "use: more than the packet": ("yeast use first 12", {"kind": "jar-used", "jar": "first", "ml": 12}),
    "use: no such jar": ("yeast use nothing 5", {"kind": "jar-used", "jar": "nothing", "ml": 5}),
    "use: gone": ("yeast use ale-2 5", {"kind": "jar-used", "jar": "ale-2", "ml": 5}),
    "use: for nobody": ("yeast use ale-1 5 --batch nobody",
                        {"kind": "jar-used", "jar": "ale-1", "ml": 5, "batch": "nobody"}),
    "use: before it was put up": (f"yeast use ale-1 5 --when {ago(9 * DAY)}",
                                  {"kind": "jar-used", "jar": "ale-1", "ml": 5, "at": ago(9 * DAY)}),
    "layer: above its top": ("yeast layer ale-1 900", {"kind": "jar-layer", "jar": "ale-1", "layer_ml": 900}),
    "discard: gone": ("yeast discard ale-2", {"kind": "jar-discarded", "jar": "ale-2"}),
    "discard: a wash that is gone": ("yeast discard w-3", {"kind": "wash-discarded", "wash": "w-3"}),
    "count: gone": ("yeast count ale-2 --cells 250 --squares 5",
                    {"kind": "jar-count", "jar": "ale-2", "cells_per_ml": 1e9}),
}  # fmt: skip

ELSEWHERE: dict[str, tuple[str, str, dict[str, Any]]] = {
    "start: a name that is": (f"batch start {P} --vessel jug-b", "", {"name": P, "vessel": "jug-b"}),
    "start: taken": ("batch start new --vessel bucket-a", "", {"name": "new", "vessel": "bucket-a"}),
    "start: no such vessel": ("batch start new --vessel tun", "", {"name": "new", "vessel": "tun"}),
    "start: to come": (f"batch start new --vessel jug-b --pitched {FUTURE}", "",
                       {"name": "new", "vessel": "jug-b", "pitched": FUTURE}),
    "start: ends above its beginning": ("batch start new --vessel jug-b --og 1.01 --final 1.05", "",
                                        {"name": "new", "vessel": "jug-b", "original_gravity": 1.01,
                                         "expected_final": 1.05}),
    "stage: there already": (f"batch stage {P} fermenting", f"/{P}/stage", {"stage": "fermenting"}),
    "stage: over": (f"batch stage {D} cold", f"/{D}/stage", {"stage": "cold"}),
    "add: over": (f"batch add {D} water 1L", f"/{D}/addition", {"what": "water"}),
    "add: no name": (f"batch add {P} _", f"/{P}/addition", {"what": " "}),
    "add: before the pitch": (f"batch add {P} water 1L --when {LONG_AGO}", f"/{P}/addition",
                              {"what": "water", "at": LONG_AGO}),
    "close: over": (f"batch close {D}", f"/{D}/close", {"sure": "yes"}),
    "close: nobody": ("batch close nobody", "/nobody/close", {"sure": "yes"}),
}  # fmt: skip

TOO_SOON = {name for name in WRONG if name.endswith("too soon") or name == "fine: not ready"}


def alike(both: Both, line: str, path: str, body: dict[str, Any]) -> int:
    """Both refuse, in the same words, and nothing is noted; the command's exit code."""
    before = journal(both.store)
    code, said = typed(both.config, line)
    answer = both.person.post(path, json=body)
    assert answer.status_code in (400, 404, 409), answer.text
    told = answer.json()
    assert said == f"leeswatch: {told['what']}; {told['remedy']}\n"
    assert code in (1, 2)
    assert journal(both.store) == before
    return code


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_deed_is_refused_alike_by_command_and_api(both: Both, name: str):
    """The same sentence and the same remedy; what practice alone advises against exits 1, and can be noted anyway."""
    line, body = WRONG[name]
    line = line if "--when" in line else f"{line} --when {T}"
    code = alike(both, line, "/api/deeds", {"at": T, **body})
    assert code == (1 if name in TOO_SOON else 2)


@pytest.mark.parametrize("name", ELSEWHERE)
def test_what_has_a_way_of_its_own_is_refused_alike(both: Both, name: str):
    """Starts, stages, additions and ends."""
    line, path, body = ELSEWHERE[name]
    assert alike(both, line, f"/api/batches{path}", body) == 2


def test_taking_back_is_refused_alike(both: Both):
    """What other deeds hang on, and what was taken back already."""
    start = next(iso(each.received) for each in journal(both.store) if isinstance(each, BatchStarted)
                 and each.batch["name"] == P)  # fmt: skip
    for line, of in (
        (f"batch undo {P}", start),
        (f"batch undo {P}", both.received(Noted, text="apples")),
        ("yeast undo w-1", both.received(Harvested, wash="w-1")),
    ):
        assert alike(both, f"{line} --of {of}", "/api/deeds/undo", {"of": of}) == 2


@pytest.mark.parametrize(
    ("words", "query"),
    [
        ("--batch pale-2", {"batch": "pale-2"}),
        ("--batch pale-2 --litres 9 --strain ale", {"batch": "pale-2", "litres": "9", "strain": "ale"}),
        ("--litres 4 --og 1.050 --kind lager", {"litres": "4", "og": "1,050", "kind": "lager"}),
        ("--litres 4 --og 1.050 --strain cider", {"litres": "4", "og": "1.050", "strain": "cider"}),
    ],
)
def test_a_pitch_is_planned_alike(both: Both, words: str, query: dict[str, str]):
    """The same plan as the command prints."""
    code, out = printed(both.config, f"yeast plan {words} --json")
    assert code == 0
    ours, theirs = json.loads(out), both.person.get("/api/pitch", params=query).json()
    for plan in (ours, theirs):
        for part in (plan.pop("starter"), plan.pop("together"), *plan["offers"]):
            for drifting in ("take", "slurry_ml", "start_cells", "cells", "jars"):  # a minute lies between them
                (part or {}).pop(drifting, None)
    assert ours == theirs


@pytest.mark.parametrize(
    ("words", "query"),
    [
        ("--litres 4", {"litres": "4"}),
        ("--litres 4 --og 0.9", {"litres": "4", "og": "0.9"}),
        ("--batch nobody", {"batch": "nobody"}),
    ],
)
def test_a_plan_that_cannot_be_is_refused_alike(both: Both, words: str, query: dict[str, str]):
    """Nothing is known of the batch, or its figures cannot be."""
    code, said = typed(both.config, f"yeast plan {words}")
    told = both.person.get("/api/pitch", params=query).json()
    assert (code, said) == (2, f"leeswatch: {told['what']}; {told['remedy']}\n")


@pytest.mark.parametrize("query", [{"litres": "much", "og": "1.05"}, {"litres": "4", "og": "1.05", "kind": "wild"}])
def test_a_question_that_cannot_be_read_is_refused(both: Both, query: dict[str, str]):
    """With what it was."""
    assert both.person.get("/api/pitch", params=query).status_code == 400


@pytest.mark.parametrize("name", sorted(TOO_SOON))
def test_what_was_done_anyway_is_noted_alike(ready: Path, tmp_path: Path, name: str):
    """Said so, it is noted by both, as the same deed."""
    line, body = WRONG[name]
    noted = []
    for which in ("command", "api"):
        folder = tmp_path / which
        folder.mkdir()
        with Reader(ready.parent / "store.db"):  # so that what lies in its log is whole
            for file in ready.parent.glob("store.db*"):
                shutil.copy(file, folder)
        config = Path(shutil.copy(ready, folder))
        if which == "command":
            code, err = typed(config, f"{line} --anyway --when {T}")
            assert (code, err) == (0, "")
        else:
            with both_over(config) as other:
                answer = other.person.post("/api/deeds", params={"anyway": "yes"}, json={"at": T, **body})
                assert answer.status_code == 200, answer.text
        last = [each for each in journal(folder / "store.db") if isinstance(each, Fined | PouredOff | Jarred)][-1]
        noted.append(last.model_dump(exclude={"received"}))
    assert noted[0] == noted[1]
