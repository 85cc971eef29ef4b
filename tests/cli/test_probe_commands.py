"""`leeswatch probe`: what is heard, moving one, a trial alert."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.ledger import Ledger
from monitor.model.clock import HOUR, SystemClock, iso
from monitor.model.inputs import ProbeMoved, Unreadable
from monitor.store.reader import Reader
from monitor.store.store import Store
from simulators.wires import Broker, BrokerLink, private_broker
from tests.alerts.receivers import web_receiver

from .helpers import DAY_AGO, cellar, daemon, parsed, run_here, until, with_history


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with private_broker(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")


# --- list --------------------------------------------------------------------------------------------------------


def test_everything_heard_on_the_broker_is_listed(
    tmp_path: Path, broker: Broker, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Topics of probes and of strangers, how often, and the last message; a stranger's topic is marked."""
    wide(monkeypatch)
    config = cellar(tmp_path, port=broker.port)
    with BrokerLink(broker.port, name="two-probes") as link:
        for topic, payload in (
            ("cellar/float-a", b'{"n":"gravity","u":"1","v":1.04}'),
            ("attic/dryer", b"\xff on"),
            ("leeswatch/alerts", b"{}"),
        ):
            link.publish(topic, payload, retained=True)
        link.settle()
        code, out, err = run_here(capsys, "probe", "list", "--config", config, "--listen", "0.5")
        told = parsed(run_here(capsys, "probe", "list", "--config", config, "--listen", "0.5", "--json")[1])
        for topic in ("cellar/float-a", "attic/dryer", "leeswatch/alerts"):
            link.publish(topic, b"", retained=True)
        link.settle()

    assert (code, err) == (0, "")
    assert 'cellar/float-a: 1 messages, last {"n":"gravity","u":"1","v":1.04}\n' in out
    assert "attic/dryer: 1 messages" in out
    assert out.count("(no probe has this topic)") == 1
    assert "leeswatch/alerts: 1 messages, last {}  (our own)\n" in out
    assert told["topics"]["cellar/float-a"]["messages"] == 1
    assert told["topics"]["attic/dryer"]["last"] == "\ufffd on"


def test_never_heard_is_not_silent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A probe never heard says what it waits for; one that was heard and stopped is a failure since then."""
    wide(monkeypatch)
    config = cellar(tmp_path)
    with_history(config, fault=False)
    with Store.open(tmp_path / "store.db") as store:  # an hour is silence for a probe that speaks each five minutes
        ledger = Ledger(store)
        ledger.load()
        with ledger.commit():
            ledger.tick(DAY_AGO + 10 * HOUR)

    code, out, _ = run_here(capsys, "probe", "list", "--config", config, "--listen", "0")
    told = {
        each["probe"]: each
        for each in parsed(run_here(capsys, "probe", "list", "--config", config, "--listen", "0", "--json")[1])[
            "probes"
        ]
    }

    assert code == 0
    assert told["larder-air"]["status"] == "never heard"
    assert told["larder-air"]["why"] == "waiting for port /dev/serial/by-id/larder"
    assert told["larder-air"]["place"] == "fridge:larder"
    assert told["float-a"]["status"] == "failure"
    assert told["float-a"]["place"] == "vessel:bucket-a"
    assert {each["quantity"]: each["unit"] for each in told["float-a"]["last"]} == {
        "gravity": "1",
        "temperature": "Cel",
    }
    assert "never heard: waiting for port" in out


def test_what_came_and_could_not_be_read_is_not_never_heard(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A probe of which nothing was read yet, although it spoke, says why it could not be read."""
    config = cellar(tmp_path)
    with Store.open(tmp_path / "store.db") as store, store.transaction():
        store.add_unreadable(Unreadable("mqtt", "cellar/float-a", "it holds sg", b'{"sg":1.01}'), DAY_AGO)

    listed = parsed(run_here(capsys, "probe", "list", "--config", config, "--listen", "0", "--json")[1])["probes"]

    told = {each["probe"]: (each["status"], each["why"]) for each in listed}
    assert told["float-a"] == ("unreadable", f"what came at {iso(DAY_AGO)} could not be read: it holds sg")
    assert told["larder-air"][0] == "never heard"


def test_what_could_not_be_read_is_shown(
    tmp_path: Path, broker: Broker, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A message that made no sense to the daemon stands in the list with its reason and content."""
    wide(monkeypatch)
    config = cellar(tmp_path, port=broker.port)
    with daemon(config) as running, BrokerLink(broker.port, name="bad-probe") as link:
        running.wait_for("watching; the store is")
        until(lambda: _heard(config, link))
        code, out, _ = run_here(capsys, "probe", "list", "--config", config, "--listen", "0")
        told = parsed(run_here(capsys, "probe", "list", "--config", config, "--listen", "0", "--json")[1])

    assert code == 0
    assert "Could not be read, latest first:" in out
    assert "cellar/float-a: " in out
    assert told["unreadable"][0]["content"] == "T=warm"
    assert told["unreadable"][0]["source"] == "mqtt"
    assert told["unreadable"][0]["reason"]


def test_what_comes_from_elsewhere_cannot_play_with_the_terminal(
    tmp_path: Path, broker: Broker, capsys: pytest.CaptureFixture[str]
) -> None:
    """Escapes in a topic, in its last message and in what could not be read are shown as what they are: no text."""
    config = cellar(tmp_path, port=broker.port)
    with Store.open(tmp_path / "store.db") as store, store.transaction():
        store.add_unreadable(Unreadable("mqtt", "x\x1b[2J", "no\x9b2J", b"\x1b]0;owned\x07"), DAY_AGO)
    with BrokerLink(broker.port, name="evil") as link:
        link.publish("evil/\u202eback", b"\x1b[31mred", retained=True)
        link.settle()
        out = run_here(capsys, "probe", "list", "--config", config, "--listen", "0.5")[1]
        link.publish("evil/\u202eback", b"", retained=True)
        link.settle()

    assert "owned" in out
    assert "red" in out
    assert all(each.isprintable() or each == "\n" for each in out)


def _heard(config: Path, link: BrokerLink) -> bool:
    link.publish("cellar/float-a", b"T=warm")
    threading.Event().wait(0.3)
    with Reader(config.parent / "store.db") as reader:
        return bool(reader.unreadable(1))


def test_a_broker_that_is_away_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rest of the list comes all the same, and the sentence names the broker and the remedy."""
    wide(monkeypatch)
    config = cellar(tmp_path)

    code, out, err = run_here(capsys, "probe", "list", "--config", config, "--listen", "0.2")

    assert (code, err) == (0, "")
    assert "The broker could not be heard: the broker at 127.0.0.1:1 cannot be reached" in out
    assert "Serial ports: " in out


def test_with_nothing_configured_it_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A new configuration without probes is no error."""
    config = tmp_path / "leeswatch.toml"
    config.write_text('[store]\npath = "store.db"\n', encoding="utf-8")

    code, out, _ = run_here(capsys, "probe", "list", "--config", config)

    assert code == 0
    assert "No probe is configured and none was ever heard." in out


# --- move --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("to", "place", "said"),
    [
        ("bucket-b", "vessel:bucket-b", "in function check until three steady readings"),
        ("room:cellar", "room:cellar", "in function check"),
        ("out", None, "in no place since"),
    ],
)
def test_a_probe_is_moved(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], to: str, place: str | None, said: str
) -> None:
    """From the time named it sits there, or nowhere, and its old readings stay with the old place."""
    config = cellar(tmp_path)
    with_history(config, fault=False)
    when = iso(DAY_AGO + 8 * HOUR)

    code, out, err = run_here(capsys, "probe", "move", "float-a", "--to", to, "--when", when, "--config", config)

    assert (code, err) == (0, "")
    assert said in out
    with Reader(tmp_path / "store.db") as reader:
        (entry,) = (each for each in reader.inputs() if isinstance(each, ProbeMoved))
    assert (entry.probe, entry.to, iso(entry.at)) == ("float-a", place, when)
    listed = parsed(run_here(capsys, "probe", "list", "--listen", "0", "--config", config, "--json")[1])
    assert next(each["place"] for each in listed["probes"] if each["probe"] == "float-a") == place
    assert "by the journal" in run_here(capsys, "check", "--config", config)[1]


def test_a_probe_is_moved_under_a_running_daemon(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The daemon writes it, the command only asks."""
    config = cellar(tmp_path)
    with_history(config, fault=False)
    with daemon(config):
        code, out, _ = run_here(capsys, "probe", "move", "float-a", "--to", "bucket-b", "--config", config, "--json")

    assert code == 0
    assert parsed(out)["to"] == "vessel:bucket-b"
    with Reader(tmp_path / "store.db") as reader:
        assert sum(isinstance(each, ProbeMoved) for each in reader.inputs()) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("float-z", "--to", "bucket-b"), 'there is no probe "float-z"; probes: float-a, larder-air'),
        (("float-a", "--to", "attic"), 'no place is called "attic"; places: out, fridge:larder, room:cellar'),
        (("float-a", "--to", "bucket-b", "--when", "soon"), "'soon' is no time"),
        (("float-a", "--to", "bucket-b", "--when", iso(SystemClock().wall_ms() + HOUR)), "still to come"),
    ],
    ids=["probe", "place", "time", "future"],
)
def test_a_move_that_cannot_be_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    """Wrong use exits 2 and names what there is."""
    config = cellar(tmp_path)

    code, _, err = run_here(capsys, "probe", "move", *words, "--config", config)

    assert code == 2
    assert said in err


def test_a_name_of_two_places_must_be_told_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A room and a vessel of one name: which is meant has to be said."""
    config = cellar(tmp_path, more='[[room]]\nname = "bucket-b"\n')

    code, _, err = run_here(capsys, "probe", "move", "float-a", "--to", "bucket-b", "--config", config)
    assert code == 2
    assert "more than one place" in err

    assert run_here(capsys, "probe", "move", "float-a", "--to", "room:bucket-b", "--config", config)[0] == 0


# --- trial -------------------------------------------------------------------------------------------------------


def test_a_trial_alert_arrives(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A real receiver gets one letter that says that it is a test, and the command says which routes took it."""
    with web_receiver() as good, web_receiver(500) as bad:
        routes = "".join(
            f'[[alerts.routes]]\nname = "{name}"\nurl = "{receiver.address}"\n'
            for name, receiver in (("screen", good), ("phone", bad))
        )
        config = cellar(tmp_path, more=routes)
        code, out, _ = run_here(capsys, "probe", "test-alert", "--config", config)
        as_json = parsed(run_here(capsys, "probe", "test-alert", "--config", config, "--json")[1])

    assert code == 1, "one of them failed"
    assert "screen: sent\n" in out
    assert "phone: failed: " in out
    assert [(each["route"], each["ok"]) for each in as_json] == [("screen", True), ("phone", False)]
    assert "Nothing is wrong" in good.taken[0]["message"]
    assert "Cellar" in good.taken[0]["title"]


def test_a_trial_that_all_take_is_nought(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """With every route answering it exits 0."""
    with web_receiver() as good:
        config = cellar(tmp_path, more=f'[[alerts.routes]]\nname = "screen"\nurl = "{good.address}"\n')
        assert run_here(capsys, "probe", "test-alert", "--config", config) == (0, "screen: sent\n", "")


def test_a_trial_without_a_route_says_what_to_add(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """There is nobody to send to."""
    code, _, err = run_here(capsys, "probe", "test-alert", "--config", cellar(tmp_path))

    assert code == 2
    assert "no route is configured; add [[alerts.routes]] with a name and a url" in err
