"""A sweep's key and values: how they are written, what they do to a journal, and what is refused."""

from typing import Any

import pytest

from monitor.model.config import Batch, Fridge, RuleProbe, RuleSettings, Vessel
from monitor.model.errors import UsageError
from monitor.model.inputs import BatchStarted, Configured, JournalEntry, StageChanged
from monitor.replay.keys import check_changes, parse_sweep, sweepable, values_of

from .events import SETTINGS, at

OTHER = {"name": "plain", "vessel": "jar", "pitched": "2026-03-03T18:00:00Z"}
CONFIGURED = Configured(
    settings=SETTINGS | {"vessel": [{"name": "bucket"}, {"name": "jar"}], "batch": [*SETTINGS["batch"], OTHER]},
    received=at(0),
)
STARTED = BatchStarted(batch=OTHER | {"name": "late", "expected_final": 1.0}, received=at(1))
JOURNAL: list[JournalEntry] = [CONFIGURED, STARTED, StageChanged(batch="late", stage="cold", received=at(2))]


def batches(text: str, entries: list[JournalEntry] = JOURNAL) -> list[dict[str, Any]]:
    """Each value's batches by name, as the engine would read them out of the changed journal."""
    return [values_of(change.key, [change(entry) for entry in entries]) for change in parse_sweep(text)]


def test_a_value_is_put_into_every_batch() -> None:
    """Of the configuration and of those that people started; other entries stay as they are."""
    found = batches("batch.expected_final=1.004,1.01")

    assert found == [dict.fromkeys(("amber", "plain", "late"), value) for value in (1.004, 1.01)]
    (change,) = parse_sweep("batch.expected_final=1.004")
    assert change(JOURNAL[2]) is JOURNAL[2]
    assert CONFIGURED.settings["batch"][0]["expected_final"] == 1.008, "what was read stays as it was read"


def test_one_batch_alone() -> None:
    """A name in brackets."""
    assert batches("batch[late].expected_final=1.004") == [{"late": 1.004}]
    (change,) = parse_sweep("batch[late].expected_final=1.004")
    assert change(CONFIGURED) == CONFIGURED


def test_a_sign_changes_what_is_set() -> None:
    """By so much, of a pair both numbers; a batch where nothing is set stays so."""
    found = batches("batch.expected_final=+0.002,-0.002")
    assert found == [
        {"amber": 1.01, "plain": None, "late": 1.002},
        {"amber": 1.006, "plain": None, "late": 0.998},
    ]
    (ranged,) = batches("batch.yeast_range_c=[16,24]")
    assert ranged["amber"] == (16.0, 24.0)
    changed = [change(CONFIGURED) for change in parse_sweep("batch.yeast_range_c=[16,24]")]
    assert batches("batch.yeast_range_c=-1.5", changed) == [{"amber": (14.5, 22.5), "plain": (14.5, 22.5)}]


def test_spans_are_written_with_their_unit() -> None:
    """Set or changed; what is not in the journal is at its usual value."""
    assert [found["amber"] for found in batches("batch.start_within=24h,+12h,-90min,2d")] == [
        86_400.0, 172_800.0, 124_200.0, 172_800.0,
    ]  # fmt: skip
    assert batches("alerts.remind_every=6h,+1h") == [
        {"alerts.remind_every": 21_600.0},
        {"alerts.remind_every": 46_800.0},
    ]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("batch.fermentables=sugar", "sugar"),
        ('batch.fermentables="sugar"', "sugar"),
        ("batch.fermentables=none", None),
        ("batch.expected_final=none", None),
        ("batch.alcohol_limit_abv=14", 14.0),
        ("fridge.target_c==-1", -1.0),
        ("fridge.target_c=-1", 2.0),
        ("fridge.band_k=1.5", 1.5),
        ("vessel.material=glass", "glass"),
        ("probe.measures=air", "air"),
    ],
)
def test_each_kind_of_value(text: str, value: object) -> None:
    """With or without quotation marks; `none` takes it away, and after a second equals sign a sign is just a sign."""
    settings = {
        "fridge": [{"name": "thing", "target_c": 3.0}], "vessel": [{"name": "thing"}], "probe": [{"name": "thing"}],
        "batch": [OTHER | {"name": "thing", "expected_final": 1.0}],
    }  # fmt: skip
    assert batches(text, [Configured(settings=settings)]) == [{"thing": value}]


def test_everything_the_rules_see_of_a_thing_can_be_swept() -> None:
    """Every key of a batch, fridge, vessel or probe but what says which it is and where it is; and the reminders."""
    known = set(sweepable())
    fixed = {"name", "vessel", "pitched", "probes", "contents", "calibration", "room"}
    for section, model in (("batch", Batch), ("fridge", Fridge), ("vessel", Vessel), ("probe", RuleProbe)):
        assert {f"{section}.{key}" for key in model.model_fields if key not in fixed} <= known
    assert "alerts.remind_every" in known
    # Practice moves the clocks of what people do, never a verdict: there is nothing to compare over past batches.
    assert set(RuleSettings.model_fields) == {
        "site", "probe", "vessel", "room", "fridge", "batch", "remind_every", "practice",
    }, "a new part that the rules see: can it be swept?"  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("batch.expected_finl=1", "did you mean batch.expected_final? these can: batch.original_gravity, "),
        ("jobs.digest=none", "jobs.digest cannot be swept; these can: "),
        ("batch.pitched=2026-03-03T18:00:00Z", "batch.pitched cannot be swept"),
        ("alerts[x].remind_every=1h", "alerts[x].remind_every cannot be swept"),
        ("batch[].expected_final=1", "batch[].expected_final cannot be swept"),
        ("=1", "an empty key cannot be swept"),
        ("batch.expected_final", "holds no values"),
        ("batch.expected_final=", "holds no values, or an empty one; write batch.expected_final=V1,V2"),
        ("batch.expected_final=1.0,,1.1", "holds no values, or an empty one"),
        ("batch.expected_final=1.0,1.0", "batch.expected_final=1.0 is there twice; name each value once"),
        ("batch.expected_final=1.3", "found 1.3; it should be less than or equal to 1.2"),
        ("batch.expected_final=high", 'found "high"; it should be a number'),
        ("batch.expected_final=+high", 'found "+high"; it should be a number'),
        ("batch.expected_final=+1.0.0", "after its sign stands a number, such as +0.002"),
        ("batch.start_within=12", "a span of time is a number with s, min, h or d"),
        ("batch.start_within=none", "found None; it should be a number"),
        ("batch.start_within=+3", "after its sign stands a span of time, such as +6h"),
        ("batch.fermentables=oats", "it should be 'sugar', 'grain' or 'mixed'"),
        ("batch.fermentables=+1", "a sign changes what is set by so much, and fermentables is no number"),
        ("batch.yeast_range_c=16", "it should be a list of two, such as [18, 26]"),
    ],
)
def test_what_is_no_key_or_value_is_said(text: str, words: str) -> None:
    """With what is allowed."""
    with pytest.raises(UsageError) as error:
        parse_sweep(text)

    assert words in str(error.value)


def test_every_wrong_value_is_said_at_once() -> None:
    """Not one after the other."""
    with pytest.raises(UsageError) as error:
        parse_sweep("batch.expected_final=1.3,1.0,high")

    assert [line.split(":")[0] for line in str(error.value).splitlines()] == [
        "batch.expected_final=1.3", "batch.expected_final=high",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("batch[nobody].expected_final=1", "no recording has a batch nobody; there are: amber, late, plain"),
        ("fridge.band_k=1", "no recording has a fridge"),
        ("batch.alcohol_limit_abv=+1", "batch.alcohol_limit_abv is set nowhere, so nothing can be added to it"),
        ("batch.start_within=-36h", "batch.start_within=-36h does not fit batch amber of a.csv: found 0.0; "),
        ("batch[late].start_within=-2d", "batch.start_within=-2d does not fit batch late of a.csv"),
        ("alerts.remind_every=-12h", "alerts.remind_every=-12h does not fit the reminders of a.csv: found 0.0; "),
        ("batch.yeast_range_c=[24,16]", "does not fit batch amber of a.csv"),
    ],
)
def test_what_does_not_fit_the_recordings_is_said(text: str, words: str) -> None:
    """Before anything runs: which value, of which batch, in which recording, and why."""
    with pytest.raises(UsageError) as error:
        check_changes(parse_sweep(text), [("a.csv", JOURNAL)])

    assert words in str(error.value).replace("batch[late]", "batch")


def test_what_fits_is_let_through() -> None:
    """One recording may lack what another has, and an entry edited by hand that the engine passes over is no hurdle."""
    broken = BatchStarted(batch={"name": "broken"}, received=at(3))
    recorded = [("a.csv", [*JOURNAL, broken]), ("b.csv", [Configured(settings={})])]

    check_changes(parse_sweep("batch.expected_final=1.004,+0.001,none"), recorded)
    (change,) = parse_sweep("batch.expected_final=1.004")
    assert change(broken) == broken
