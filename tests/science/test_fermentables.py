"""Names and shares of sugars and grains."""

import pytest

from monitor.science import fermentables


def test_every_name_is_known_and_others_are_refused_with_them():
    """Each listed sugar and grain is found by its name; another is refused with the names there are."""
    for name, kind in fermentables.SUGARS.items():
        assert fermentables.sugar_named(name) is kind
    for name, grain in fermentables.GRAINS.items():
        assert fermentables.grain_named(name) is grain
    with pytest.raises(ValueError, match="sucrose, glucose"):
        fermentables.sugar_named("sand")
    with pytest.raises(ValueError, match="corn, flaked-corn"):
        fermentables.grain_named("straw")


def test_enzymes_turn_starch_into_extract():
    """Without enzymes only what is soluble dissolves; with malt most of the potential, with added ones more."""
    for grain in fermentables.GRAINS.values():
        raw, malt, added = (fermentables.conversion(grain, each)[0] for each in ("none", "malt", "added"))
        assert raw == grain.soluble
        assert raw[0] < malt[0] < added[0] <= grain.potential[0]
        assert fermentables.conversion(grain, "malt")[1][0] < fermentables.conversion(grain, "added")[1][0]
    with pytest.raises(ValueError, match="none, malt, added"):
        fermentables.conversion(fermentables.grain_named("corn"), "hope")
