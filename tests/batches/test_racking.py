"""The racking plan: lees, siphon, what arrives, headspace, cautions."""

import math
from typing import Any

import pytest

from monitor.batches import picture
from monitor.batches.life import Facts, fold
from monitor.batches.racking import Plan, plan
from monitor.model.config import Batch, RackingPractice, Vessel

BUCKET = Vessel(name="bucket", volume_l=23.0)
JUG = Vessel(name="jug", volume_l=20.0, material="glass")
START = Batch(name="amber-1", vessel="bucket", pitched=1_772_474_400_000, volume_l=19.0, original_gravity=1.060)


def planned(
    to: Vessel | None = JUG,
    verdict: str | None = "finished",
    start: Batch = START,
    rest: str | None = None,
    **more: Any,
) -> Plan:
    facts = Facts(
        now_ms=1_773_424_800_000, vessel="bucket", original=1.060, original_how="told", gravity=1.010,
        verdict=verdict, rest=rest,
        vessels_l={"bucket": 23.0, "jug": 20.0},
    )  # fmt: skip
    return plan(fold("amber-1", start, [], facts), RackingPractice(), BUCKET, to, **more)


def test_lees_and_siphon_are_taken_off_what_is_there() -> None:
    """By the share of practice, and the tip's height over the floor of a cylinder as tall as it is wide."""
    found = planned()
    floor = math.pi / 4.0 * found.diameter_mm**2
    assert floor * found.diameter_mm / 1e6 == pytest.approx(23.0)  # as tall as wide, it holds the vessel's litres
    assert found.lees_l == pytest.approx(0.05 * 19.0)
    assert "common practice, no source" in found.lees_how
    assert found.tip_l == pytest.approx(15.0 * floor / 1e6)
    assert found.arrives_l == pytest.approx(19.0 - found.lees_l - found.tip_l)
    assert found.stays_l + found.arrives_l == pytest.approx(19.0)
    assert found.headspace_l == pytest.approx(20.0 - found.arrives_l)
    assert found.strength is not None
    assert found.checklist == tuple(RackingPractice().checklist)


def test_measured_lees_and_a_measured_vessel_come_first() -> None:
    """20 mm of lees in a bucket 280 mm wide are 1.23 L; litres may be told as well."""
    found = planned(lees_mm=20.0, diameter_mm=280.0)
    assert found.lees_l == pytest.approx(1.2315, abs=0.001)
    assert (found.lees_how, found.diameter_how) == ("as measured", "as told")
    assert planned(lees_l=2.0).lees_l == 2.0
    assert planned(lees_l=0.0).lees_l == 0.0


def test_a_finished_batch_into_a_fitting_vessel_needs_no_caution_but_for_the_glass() -> None:
    """Nothing is cried where nothing is wrong."""
    plastic = Vessel(name="carboy", volume_l=18.0)
    assert planned(plastic).cautions == ()
    assert list(planned(Vessel(name="jug", volume_l=18.0, material="glass")).cautions) == [
        "jug is glass: never fill it hot, and never close it tight while gas may come."
    ]


def test_what_was_called_finished_is_finished_still_where_no_probe_can_say_so_again() -> None:
    """Racked once into a vessel without a probe its verdict is unknown; it needs no caution the second time."""
    assert planned(Vessel(name="carboy", volume_l=18.0), verdict="unknown", rest="finished").cautions == ()
    again = planned(Vessel(name="carboy", volume_l=18.0), verdict="working", rest="finished").cautions
    assert "Not finished: it is working" in again[0]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"verdict": "working"}, "Not finished: it is working"),
        ({"verdict": None}, "whether it has finished is not known"),
        ({"verdict": "unknown"}, "whether it has finished is not known"),
        ({"to": Vessel(name="jar", volume_l=5.0)}, "jar is too small: 11.9 L do not fit"),
        ({"to": Vessel(name="snug", volume_l=17.2)}, "of headspace: what warms up"),
        ({"to": Vessel(name="tun", volume_l=60.0)}, "much air over it"),
        ({"to": BUCKET}, "It is in bucket already"),
        ({"to": None}, "Name the vessel"),
    ],
    ids=["working", "no verdict", "unknown", "too small", "snug", "too large", "the same", "none"],
)  # fmt: skip
def test_what_should_make_one_stop_is_said(more: dict[str, Any], said: str) -> None:
    """Each in a sentence of its own."""
    found = planned(**more)
    assert any(said in caution for caution in found.cautions), found.cautions


@pytest.mark.parametrize("more", [{"lees_l": 25.0}, {"lees_mm": 900.0}, {"diameter_mm": 3.0}, {"lees_l": -1.0}])
def test_figures_that_cannot_be_are_refused(more: dict[str, Any]) -> None:
    """More lees than batch, or a vessel as wide as a pencil."""
    with pytest.raises(ValueError, match=r"lees|wide"):
        planned(**more)


def test_shallow_leavings_never_arrive_as_less_than_nothing() -> None:
    """All lees but a cup: the tip reaches nothing, and nothing arrives."""
    found = planned(lees_l=18.9)
    assert found.arrives_l == pytest.approx(0.0)
    assert picture.plan(found)["arrives_l"] == 0.0


def test_a_volume_nobody_told_is_said_to_be_the_vessels() -> None:
    """The plan reckons with it, and says so."""
    found = planned(start=START.model_copy(update={"volume_l": None}))
    assert found.volume_l == 23.0
    assert "nobody said" in found.volume_how
