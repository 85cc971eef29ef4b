"""`leeswatch alert`: what stands, and what to do with it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.model.clock import DAY, HOUR, SystemClock
from monitor.model.inputs import Acknowledged, Shelved, Ticked
from monitor.store.reader import Reader

from .helpers import cellar, daemon, parsed, run_here, with_history


@pytest.fixture(params=["alone", "beside the daemon"])
def config(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A cellar in which a probe says what cannot be."""
    config = cellar(tmp_path)
    with_history(config)
    if request.param == "alone":
        yield config
        return
    with daemon(config):
        yield config


def standing(config: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, dict[str, object]]:
    code, out, _ = run_here(capsys, "alert", "list", "--config", config, "--json")
    assert code == 0
    return {str(each["alert"]): each for each in parsed(out)}


def test_what_stands_is_listed(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each with its id, since when, its state and its sentence."""
    (alert,) = (each for name, each in standing(config, capsys).items() if name == "probe-suspect")

    code, out, _ = run_here(capsys, "alert", "list", "--config", config)

    assert code == 0
    line = next(line for line in out.splitlines() if "float-a" in line)
    assert line.startswith(f"{alert['id']}  ")
    assert "unacknowledged  Probe float-a says temperature 122 Cel: that cannot be right." in line


def test_an_alert_is_acknowledged_by_the_first_characters_of_its_id(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It then stands acknowledged, and the journal holds who said so."""
    number = str(standing(config, capsys)["probe-suspect"]["id"])

    code, out, _ = run_here(capsys, "alert", "acknowledge", number[:6], "--config", config)

    assert (code, out) == (0, f"{number}: acknowledged\n")
    assert standing(config, capsys)["probe-suspect"]["state"] == "acknowledged"
    with Reader(config.parent / "store.db") as reader:
        (entry,) = (each for each in reader.inputs() if isinstance(each, Acknowledged))
    assert (entry.id, entry.by) == (number, "command line")


@pytest.mark.parametrize(("span", "length"), [("90min", 90 * 60_000), ("12h", 12 * HOUR), ("2d", 2 * DAY)])
def test_an_alert_is_shelved_for_a_span(
    config: Path, capsys: pytest.CaptureFixture[str], span: str, length: int
) -> None:
    """It is set aside until then, and the list says until when."""
    number = str(standing(config, capsys)["probe-suspect"]["id"])

    code, out, _ = run_here(capsys, "alert", "shelve", number, "--for", span, "--config", config, "--json")

    assert (code, parsed(out)) == (0, {"id": number, "done": "shelved"})
    with Reader(config.parent / "store.db") as reader:
        (entry,) = (each for each in reader.inputs() if isinstance(each, Shelved))
    assert abs(entry.until - SystemClock().wall_ms() - length) < 60_000
    assert "shelved until" in run_here(capsys, "alert", "list", "--config", config)[1]


def test_what_is_done_is_ticked(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The journal holds that the person did what was asked."""
    number = str(standing(config, capsys)["probe-suspect"]["id"])

    code, out, _ = run_here(capsys, "alert", "done", number, "--config", config)

    assert (code, out) == (0, f"{number}: done\n")
    with Reader(config.parent / "store.db") as reader:
        assert [each.id for each in reader.inputs() if isinstance(each, Ticked)] == [number]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("acknowledge", "ffffff"), 'no alert that stands has an id that starts with "ffffff"'),
        (("shelve", "", "--for", "soon"), "'soon' is no time"),
        (("shelve", "", "--for", "0h"), "--for 0h cannot be"),
        (("shelve", "", "--for", "9999d"), "give a span up to a year"),
        (("shelve", "", "--for", "2020-01-01T00:00:00Z"), "cannot be"),
    ],
    ids=" ".join,
)  # fmt: skip
def test_what_cannot_be_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    """Wrong use exits 2 with a sentence."""
    config = cellar(tmp_path)
    with_history(config)

    code, _, err = run_here(capsys, "alert", *words, "--config", config)

    assert code == 2
    assert said in err


def test_an_id_that_fits_several_is_asked_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An empty beginning fits every alert: with more than one it is refused."""
    config = cellar(tmp_path)
    with_history(config)
    with daemon(config):  # it was away for a day, which is an alert too
        assert len(standing(config, capsys)) > 1
        code, _, err = run_here(capsys, "alert", "acknowledge", "", "--config", config)

    assert code == 2
    assert "more than one alert" in err


def test_with_no_store_nothing_stands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Before the first start the list is empty, and says so."""
    config = cellar(tmp_path)

    assert run_here(capsys, "alert", "list", "--config", config) == (0, "nothing stands\n", "")
    assert run_here(capsys, "alert", "list", "--config", config, "--json")[1] == "[]\n"
