"""Where yeast comes from: through washes, batches and starters, whatever the records hold."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.batches import lineage
from monitor.batches.record import Record, subjects
from monitor.model.deeds import Harvested, Jarred, JarUsed, Merged, Split, Undone, WashRound
from monitor.model.inputs import BatchStarted

START = 1_780_000_000_000


class Cellar:
    """Records as the engine keeps them."""

    def __init__(self) -> None:
        self.records: dict[str, Record] = {}
        self.at = START

    def tell(self, kind: type, **words: object) -> int:
        self.at += 1000
        timed = {} if kind is BatchStarted else {"at": self.at}
        entry = kind(**timed, received=self.at, **words)
        for subject in subjects(entry):
            self.records.setdefault(subject, []).append(entry)
        return self.at

    def packet(self, name: str = "first") -> None:
        self.tell(Jarred, jar=name, strain="ale", origin="packet", volume_ml=11, grams=11)

    def batch(self, name: str, *jars: str) -> None:
        self.tell(BatchStarted, batch={"name": name, "vessel": "v", "jars": list(jars)})

    def wash(self, wash: str, batch: str, *jars: str, generation: int = 1, parents: tuple[str, ...] = ()) -> None:
        self.tell(
            Harvested, wash=wash, batch=batch, strain="ale", generation=generation, volume_ml=500, parents=list(parents)
        )
        self.tell(WashRound, wash=wash, water_ml=500)
        for jar in jars:
            self.tell(Jarred, jar=jar, strain="ale", origin="wash", wash=wash, generation=generation, volume_ml=200)


@pytest.fixture
def cellar() -> Cellar:
    """A packet, two batches one after the other, and their jars."""
    cellar = Cellar()
    cellar.packet()
    cellar.batch("amber-1", "first")
    cellar.wash("w1", "amber-1", "ale-1", "ale-2")
    cellar.batch("amber-2", "ale-1", "ale-2")
    cellar.wash("w2", "amber-2", "ale-3", generation=2)
    return cellar


def test_a_jar_is_traced_to_its_first_packet(cellar):
    """Through each wash, batch and jar between; both parents of a batch, each thing once."""
    found = lineage.trace(cellar.records, "ale-3")
    assert [each.about for each in found.nodes] == [
        "jar:ale-3", "wash:w2", "batch:amber-2", "jar:ale-1", "jar:ale-2", "wash:w1", "batch:amber-1", "jar:first",
    ]  # fmt: skip
    assert [each.row for each in found.nodes] == [0, 1, 2, 3, 3, 4, 5, 6]
    assert (found.rings, found.complete) == ((), True)


def test_it_is_drawn_with_box_characters_or_without(cellar):
    """What was drawn already is not drawn again."""
    assert lineage.as_text(lineage.trace(cellar.records, "ale-3")) == [
        "jar ale-3: ale, generation 2, washed",
        "└── wash w2: 1 round",
        "    └── batch amber-2: fermented",
        "        ├── jar ale-1: ale, generation 1, washed",
        "        │   └── wash w1: 1 round",
        "        │       └── batch amber-1: fermented",
        "        │           └── jar first: ale, generation 0, a packet",
        "        └── jar ale-2: ale, generation 1, washed",
        "            └── wash w1: 1 round (as above)",
    ]
    plain = "\n".join(lineage.as_text(lineage.trace(cellar.records, "ale-3"), plain=True))
    assert plain.isascii()
    assert "`-- wash w2" in plain


def test_an_undone_use_is_no_parent(cellar):
    """What does not count leads nowhere."""
    cellar.packet("second")
    at = cellar.tell(JarUsed, jar="second", batch="amber-2", ml=5)
    assert "second" in lineage.pitched_from(cellar.records, "amber-2")
    cellar.records["batch:amber-2"].append(Undone(of=at, received=at + 1))
    assert lineage.pitched_from(cellar.records, "amber-2") == ("ale-1", "ale-2")


def test_splits_merges_and_starters_are_followed(cellar):
    """A part has its whole's yeast, a batch that another was poured into has both, a starter its jar's."""
    cellar.tell(Split, batch="amber-2", name="amber-2b", vessel="u", volume_l=4)
    cellar.packet("lager")
    cellar.batch("pale-1", "lager")
    cellar.tell(Merged, batch="pale-1", into="amber-2b")
    assert set(lineage.pitched_from(cellar.records, "amber-2b")) == {"ale-1", "ale-2", "lager"}
    cellar.tell(Jarred, jar="boost", strain="ale", origin="starter", parents=["ale-3"], volume_ml=1000, taken_ml=50)
    assert lineage.trace(cellar.records, "boost").before("jar:boost") == ("jar:ale-3",)


def test_the_configuration_tells_of_jars_too(cellar):
    """For a batch that no entry started; an entry of its start rules."""
    cellar.wash("w9", "told-1", "ale-9")
    assert lineage.pitched_from(cellar.records, "told-1", {"told-1": ["first"]}) == ("first",)
    assert lineage.pitched_from(cellar.records, "amber-1", {"amber-1": ["else"]}) == ("first",)


def test_what_is_missing_is_shown_as_missing():
    """A jar that nobody told of, a wash without a harvest."""
    cellar = Cellar()
    cellar.batch("amber-1", "ghost")
    cellar.wash("w1", "amber-1", "ale-1")
    found = lineage.trace(cellar.records, "ale-1")
    assert found.node("jar:ghost").known is False
    assert lineage.as_text(found)[-1].endswith("jar ghost: nothing on record")
    assert "stroke-dasharray" in lineage.svg(found)


def test_a_harvest_from_an_unknown_batch_keeps_its_own_parents():
    """Where the batch's record says nothing of its yeast, the harvest's own word counts."""
    cellar = Cellar()
    cellar.packet()
    cellar.wash("w1", "old", "ale-1", parents=("first",))
    assert "jar:first" in [each.about for each in lineage.trace(cellar.records, "ale-1").nodes]


def test_a_ring_is_cut_and_told():
    """Two jars that are each other's parents: the drawing ends, and says so."""
    cellar = Cellar()
    for jar, parent in (("a", "b"), ("b", "a")):
        cellar.tell(Jarred, jar=jar, strain="ale", origin="starter", parents=[parent], volume_ml=100)
    found = lineage.trace(cellar.records, "a")
    assert found.rings == (("jar:a", "jar:b"),)
    assert "runs in a ring" in lineage.as_text(found)[-1]
    assert lineage.as_json(found)["rings"] == [{"from": "jar:a", "to": "jar:b"}]


def test_the_picture_is_well_formed_and_says_what_it_shows(cellar):
    """Title and description first, referred to by the drawing; as many boxes and lines as there are; text escaped."""
    cellar.tell(Jarred, jar="odd", strain='<b>&"', origin="starter", parents=["ale-3"], volume_ml=1)
    found = lineage.trace(cellar.records, "odd")
    root = ET.fromstring(lineage.svg(found, "tree-odd"))
    space = "{http://www.w3.org/2000/svg}"
    title, described = root[0], root[1]
    assert (title.tag, described.tag) == (f"{space}title", f"{space}desc")
    assert root.get("aria-labelledby") == f"{title.get('id')} {described.get('id')}"
    assert root.get("role") == "img"
    assert "jar first" in (described.text or "")
    assert len(root.findall(f"{space}g")) == len(found.nodes)
    assert len(root.findall(f"{space}path")) == len(found.edges)
    assert any('<b>&"' in (each.text or "") for each in root.iter(f"{space}text"))


names = st.sampled_from(["a", "b", "c", "d"])
told = st.one_of(
    st.builds(lambda jar, parents: (Jarred, {"jar": jar, "strain": "s", "origin": "starter", "parents": parents,
                                             "volume_ml": 1}), names, st.lists(names, max_size=3)),
    st.builds(lambda jar, wash: (Jarred, {"jar": jar, "strain": "s", "origin": "wash", "wash": wash, "volume_ml": 1}),
              names, names),
    st.builds(lambda wash, batch, parents: (Harvested, {"wash": wash, "batch": batch, "strain": "s", "generation": 1,
                                                        "volume_ml": 1, "parents": parents}),
              names, names, st.lists(names, max_size=2)),
    st.builds(lambda jar, batch: (JarUsed, {"jar": jar, "batch": batch, "ml": 1}), names, names),
    st.builds(lambda batch, name: (Split, {"batch": batch, "name": name, "vessel": "v", "volume_l": 1}), names, names),
    st.builds(lambda batch, into: (Merged, {"batch": batch, "into": into}), names, names),
)  # fmt: skip


@settings(deadline=None)
@given(st.lists(told, max_size=14))
def test_no_record_makes_it_hang_or_fail(deeds):
    """Whatever parents are told, rings and all: rows fall along every edge, and text, JSON and picture come out."""
    cellar = Cellar()
    for kind, words in deeds:
        cellar.tell(kind, **words)
    found = lineage.trace(cellar.records, "a")
    rows = {each.about: each.row for each in found.nodes}
    assert all(rows[parent] > rows[child] for parent, child in found.edges)
    assert len(rows) == len(found.nodes)
    drawn = {line.split(":")[0].lstrip("│├└─ ") for line in lineage.as_text(found)}
    assert {f"{each.kind} {each.name}" for each in found.nodes} <= drawn
    ET.fromstring(lineage.svg(found))
    assert lineage.as_json(found)["root"] == "jar:a"


def test_a_very_long_past_is_followed_so_far_and_told():
    """Beyond the limit it stops, and says that it did."""
    cellar = Cellar()
    for number in range(lineage.MOST + 50):
        cellar.tell(
            Jarred, jar=f"j{number}", strain="s", origin="starter", parents=[f"j{number + 1}"], volume_ml=1
        )  # fmt: skip
    found = lineage.trace(cellar.records, "j0")
    assert (len(found.nodes), found.complete) == (lineage.MOST, False)
    assert lineage.as_text(found)[-1] == f"only {lineage.MOST} things are followed"
