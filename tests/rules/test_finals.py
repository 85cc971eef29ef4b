"""Where a batch should end: told, forced, by past batches, by its kind; agreeing or not."""

import math
import random

import pytest

from monitor.rules import finals
from monitor.rules.finals import KEPT, Past, expected_final, like, predict, remember


def past(batch: str, attenuation: float, **told: str) -> Past:
    """A batch of 1.060 that attenuated so far."""
    whole: dict[str, str | None] = {"recipe": "amber", "yeast": "ale-1", "fermentables": "grain"} | told
    return Past(
        batch=batch, original=1.060, final=1.060 - attenuation * 0.060, how="by hand", closed_ms=0,
        recipe=whole["recipe"], yeast=whole["yeast"], fermentables=whole["fermentables"],
    )  # fmt: skip


def test_a_forced_sample_tells_the_final_within_a_point_and_a_half() -> None:
    """Its own error and its reading's are both in it, and a person told it."""
    found = expected_final(1.062, None, (1.008, 0.001, 0), None, "grain")
    assert found is not None
    assert found.final == pytest.approx(1.008)
    assert found.sd == pytest.approx(math.hypot(0.001, 0.001))
    assert found.told
    assert "sample" in found.source


def test_what_was_told_and_what_was_forced_narrow_each_other_where_they_agree() -> None:
    """By precision: the better one pulls more."""
    found = expected_final(1.062, (1.012, 0.003), (1.008, 0.001, 0), None, None)
    assert found is not None
    assert 1.008 < found.final < 1.0095
    assert found.sd < 0.00142
    assert "as you set it" in found.source
    assert "sample" in found.source


def test_what_was_told_and_what_was_forced_widen_each_other_where_they_do_not() -> None:
    """Not knowing which is wrong, both lie inside what is expected, and the sentence says so."""
    found = expected_final(1.062, (1.020, 0.002), (1.004, 0.001, 0), None, None)
    assert found is not None
    assert found.sd > 0.008
    assert found.final - 1.645 * found.sd < 1.004
    assert found.final + 1.645 * found.sd > 1.020
    assert "do not agree" in found.source


def test_without_anything_told_the_kind_of_wash_rules_and_without_a_start_nothing_does() -> None:
    """A sugar wash is expected below water, a grain wash well above; nothing is made up without an original."""
    sugar = expected_final(1.090, None, None, None, "sugar")
    grain = expected_final(1.062, None, None, None, "grain")
    unsure = expected_final(1.062, None, None, None, None)
    assert sugar is not None
    assert grain is not None
    assert unsure is not None
    assert sugar.final == pytest.approx(0.991, abs=0.001)
    assert grain.final == pytest.approx(1.0155, abs=0.001)
    assert unsure.sd > grain.sd
    assert "wide guess" in unsure.source
    assert not grain.told
    assert expected_final(None, None, None, None, "grain") is None


def test_past_batches_of_the_same_recipe_and_yeast_are_believed_the_more_the_more_there_are() -> None:
    """One narrows little, five much; and never below a point."""
    sds = []
    for count in (1, 2, 5, 20):
        known = like([past(f"a-{i}", 0.80) for i in range(count)], "amber", "ale-1", "grain")
        assert known is not None
        found = expected_final(1.060, None, None, known, "grain")
        assert found is not None
        sds.append(found.sd)
        assert "same recipe and yeast" in found.source
    assert sds == sorted(sds, reverse=True)
    assert sds[0] < expected_final(1.060, None, None, None, "grain").sd  # type: ignore[union-attr]
    assert sds[-1] >= 0.0009


def test_the_more_alike_the_more_it_counts() -> None:
    """Same recipe and yeast first; another yeast, or only the yeast, or only the kind, count less, in this order."""
    seen = [past("a-1", 0.80), past("a-2", 0.80)]
    asked = [("amber", "ale-1", "grain"), ("amber", "lager-1", "grain"), ("stout", "ale-1", "grain"),
             ("stout", "ale-1", "mixed"), (None, None, "grain")]  # fmt: skip
    sds = [like(seen, *each)[1] for each in asked]  # type: ignore[index]
    assert sds == sorted(sds)
    assert sds[0] < sds[1] < sds[2] < sds[3]
    assert like(seen, "stout", "lager-1", "sugar") is None
    assert like(seen, None, None, None) is None


def test_past_batches_that_contradict_their_kind_are_believed_but_less() -> None:
    """Enzymes dry a grain wash out: its own past says so, and the answer gets wider, not pulled half way."""
    known = like([past(f"a-{i}", 1.02) for i in range(6)], "amber", "ale-1", "grain")
    assert known is not None
    found = expected_final(1.060, None, None, known, "grain")
    assert found is not None
    assert found.final == pytest.approx(0.9988, abs=0.0005)
    assert found.sd > 0.06 * known[1]
    assert "usually ends at" in found.source


@pytest.mark.parametrize("scatter", [0.01, 0.03])
@pytest.mark.parametrize("count", [1, 3, 8])
def test_nine_of_ten_next_batches_lie_in_the_range_of_the_past(count: int, scatter: float) -> None:
    """The small-sample range holds at least what it says, for batches that scatter as much as taken or less."""
    rng = random.Random(f"past:{count}:{scatter}")
    inside = 0
    for _ in range(2000):
        mean, sd = predict([rng.gauss(0.8, scatter) for _ in range(count)])
        inside += abs(rng.gauss(0.8, scatter) - mean) < 1.645 * sd
    assert inside / 2000 > 0.89


def test_the_list_is_bounded_and_holds_a_batch_once() -> None:
    """The oldest goes; the same batch closed again replaces its entry; impossible figures are not taken."""
    seen: list[Past] = []
    for i in range(KEPT + 5):
        seen = remember(seen, past(f"a-{i}", 0.8))
    seen = remember(seen, past(f"a-{KEPT + 4}", 0.7))
    assert len(seen) == KEPT
    assert seen[0].batch == "a-5"
    assert seen[-1].attenuation() == pytest.approx(0.7)
    assert remember(seen, past("odd", 1.9)) == seen
    assert remember(seen, past("odd", 0.01)) == seen


def test_students_t_beyond_its_table_is_the_textbooks() -> None:
    """1.796 for 11 degrees of freedom, 1.697 for 30."""
    assert finals.student95(10) == pytest.approx(1.812, abs=0.0005)
    assert finals.student95(11) == pytest.approx(1.796, abs=0.006)
    assert finals.student95(30) == pytest.approx(1.697, abs=0.003)


def test_ingredients_say_more_than_the_kind_of_wash() -> None:
    """A wash with malt extract in it ends higher than one of sugar alone, and its own forecast says so."""
    usual = expected_final(1.055, None, None, None, "sugar")
    by_mix = expected_final(1.055, None, None, None, "sugar", mix=(1.02, 0.04))

    assert usual is not None
    assert by_mix is not None
    assert by_mix.final == pytest.approx(1.055 - 1.02 * 0.055)
    assert by_mix.final > usual.final + 0.003
    assert by_mix.source == "what its ingredients should give"
    assert not by_mix.told


def test_a_narrow_forecast_is_not_believed_narrowly() -> None:
    """Batches of one mix scatter, however well it was weighed."""
    narrow = expected_final(1.090, None, None, None, None, mix=(1.1, 0.001))

    assert narrow is not None
    assert narrow.sd >= 0.002
