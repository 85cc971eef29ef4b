"""`leeswatch check`: is the configuration right, and does it agree with the journal."""

import subprocess
import sys
from pathlib import Path

import pytest

from monitor.ledger import Ledger
from monitor.model.inputs import ContentsChanged, ProbeMoved
from monitor.settings import load_settings, store_path
from monitor.store.store import Store

from .helpers import DAY_AGO, cellar, environment, parsed, run_here, with_history


def test_a_good_configuration_is_nought(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It exits 0, sums up what there is, and notes what is allowed but probably not meant."""
    config = cellar(tmp_path)

    code, out, err = run_here(capsys, "check", "--config", config)

    assert (code, err) == (0, "")
    assert out.splitlines() == [
        "note: probe larder-air: there is no /dev/serial/by-id/larder now; it will be opened when it appears",
        "note: no route: alerts go to the page, the log and the broker only; add [[alerts.routes]] to be told",
        f"{config}: good; 2 probes, 2 vessels, 1 fridge, 1 batch, 0 routes",
    ]
    assert not (tmp_path / "store.db").exists(), "a check writes nothing"


def test_errors_are_one_and_all_are_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It exits 1 and prints each problem as file:line: where: found; allowed."""
    config = cellar(tmp_path, more="[site.more]\n[[vessel]]\nname = 'X'\n[alerts]\nremind_evry = '1h'\n")

    code, out, _ = run_here(capsys, "check", "--config", config)

    assert code == 1
    assert len(out.splitlines()) == 4
    assert f"{config}:39: site.more: unknown key; allowed here: name, timezone" in out
    assert f'{config}:41: vessel[3].name: found "X"; a name is 1 to 63 of a-z' in out
    assert f"{config}:43: alerts.remind_evry: unknown key; did you mean remind_every?" in out
    assert out.endswith(f"{config}: 3 problems; nothing was started\n")


def test_problems_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--json` gives the same for programs, good or not, a file that is not there included."""
    good = cellar(tmp_path)
    code, out, _ = run_here(capsys, "check", "--config", good, "--json")
    assert code == 0
    assert parsed(out)["ok"] is True
    assert len(parsed(out)["notes"]) == 2

    bad = cellar(tmp_path, more="x = 1\n")
    code, out, _ = run_here(capsys, "check", "--config", bad, "--json")
    assert code == 1
    assert parsed(out) == {
        "file": str(bad), "ok": False, "notes": [],
        "errors": [{"line": 39, "where": "mqtt.x", "found": "unknown key",
                    "allowed": "allowed here: host, port, client_id, username, password_file, tls, keepalive"}],
    }  # fmt: skip

    code, out, _ = run_here(capsys, "check", "--config", tmp_path / "none.toml", "--json")
    assert code == 1
    assert parsed(out)["errors"][0]["found"] == "No such file or directory"


def test_without_a_file_it_says_where_it_looked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With no `--config`, the file in this folder is taken; with none anywhere the remedy is named, also as JSON."""
    monkeypatch.chdir(tmp_path)
    code, out, err = run_here(capsys, "check")
    assert code == 1
    assert "no leeswatch.toml or /etc/leeswatch/leeswatch.toml; name one with --config" in out + err
    assert parsed(run_here(capsys, "check", "--json")[1])["ok"] is False

    cellar(tmp_path).rename(tmp_path / "leeswatch.toml")
    assert run_here(capsys, "check")[0] == 0


def test_a_route_that_cannot_be_used_is_an_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """An address of an unknown kind is found before an alert has to go there."""
    config = cellar(tmp_path, more='[[alerts.routes]]\nname = "phone"\nurl = "nosuch://x"\n')

    code, out, _ = run_here(capsys, "check", "--config", config)

    assert code == 1
    assert "route phone: " in out
    assert "cannot be used" in out


def test_differences_from_the_journal_are_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Where a probe was moved, or a fridge's contents changed, the journal rules, and check says so."""
    config = cellar(tmp_path)
    with_history(config)
    move = ProbeMoved(probe="float-a", to="vessel:bucket-b", at=DAY_AGO + 10**7, received=DAY_AGO + 5 * 10**7)
    inside = ContentsChanged(fridge="larder", contents=["bucket-b"], received=DAY_AGO + 5 * 10**7 + 1)
    with Store.open(store_path(load_settings(config))) as store:
        ledger = Ledger(store)
        ledger.load()
        with ledger.commit():
            ledger.put(move)
            ledger.put(inside)

    code, out, _ = run_here(capsys, "check", "--config", config)

    assert code == 0
    assert "note: probe float-a is configured in vessel:bucket-a; by the journal it is in vessel:bucket-b" in out
    assert "note: fridge larder: by the journal it holds bucket-b, not what the configuration lists" in out


def remarks(config: Path, capsys: pytest.CaptureFixture[str]) -> list[tuple[int, str]]:
    """The notes that have a line of the file, which is good all the same: check exits 0."""
    code, out, _ = run_here(capsys, "check", "--config", config, "--json")
    assert code == 0
    mark = f"{config}:"
    lines = [note.removeprefix(mark).split(": ", 1) for note in parsed(out)["notes"] if note.startswith(mark)]
    return [(int(line), said) for line, said in lines]


def line_of(config: Path, text: str) -> int:
    """The last line of a file that holds a text, counted from 1."""
    lines = config.read_text(encoding="utf-8").splitlines()
    return max(number for number, line in enumerate(lines, start=1) if text in line)


PEAR = '[[batch]]\nname = "pear-1"\npitched = 2026-03-02T18:00:00Z\nexpected_final = 1.0\n'
GAUGE = '[[probe]]\nname = "gauge"\nsource = "mqtt"\n'


def test_a_range_in_fahrenheit_is_remarked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No yeast works at 64 °C: the note says what to write. A warm yeast's range gets none."""
    config = cellar(tmp_path, more=f'{PEAR}vessel = "bucket-b"\nyeast_range_c = [64, 79]\n')
    assert remarks(config, capsys) == [
        (
            line_of(config, "[64, 79]"),
            "batch pear-1: yeast_range_c = [64, 79] looks like Fahrenheit; in °C write [18, 26]",
        )
    ]

    assert remarks(cellar(tmp_path, more=f'{PEAR}vessel = "bucket-b"\nyeast_range_c = [30, 41]\n'), capsys) == []


def test_two_open_batches_in_one_vessel_are_remarked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """While both are open; once the journal has closed the first, nothing is said."""
    config = cellar(tmp_path, more=f'{PEAR}yeast_range_c = [18, 26]\nvessel = "bucket-a"\n')
    ((line, said),) = remarks(config, capsys)
    assert line == line_of(config, 'vessel = "bucket-a"')
    assert said.startswith("batches amber-1 and pear-1 are both open in vessel bucket-a")
    assert "`leeswatch batch close amber-1`, or give pear-1 a vessel of its own" in said

    with_history(config, fault=False)
    assert len(remarks(config, capsys)) == 1
    assert run_here(capsys, "batch", "close", "amber-1", "--config", config)[0] == 0
    assert remarks(config, capsys) == []


@pytest.mark.parametrize(
    ("more", "quantity"),
    [
        ('topic = "a"\nfields = { float_angle = "tilt", temperature = "t" }', "float_angle"),
        ('topic = "a"\npattern = "P=(?P<pressure>[0-9.]+)"', "pressure"),
        ('topic = "a"\nfields = { float_angle = "tilt", gravity = "sg" }', None),
        ('topic = "a"', None),
        (
            'topic = "a"\nfields = { float_angle = "tilt" }\n'
            "[probe.calibration.float_angle]\ngravity = [[25, 1.0], [50, 1.08]]",
            None,
        ),
    ],
    ids=["by its fields", "by its pattern", "with gravity of its own", "not known what it says", "calibrated"],
)
def test_a_raw_reading_without_calibration_is_remarked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: str, quantity: str | None
) -> None:
    """An angle or a pressure gives no gravity by itself; the note says which table is missing and how to fill it."""
    config = cellar(tmp_path, more=f"{GAUGE}{more}\n")
    found = remarks(config, capsys)
    if quantity is None:
        assert found == []
        return
    ((line, said),) = found
    assert line == line_of(config, "[[probe]]")
    assert said.startswith(f"probe gauge: it delivers {quantity}, of which no gravity comes")
    assert f"add [probe.calibration.{quantity}] with gravity = [[" in said


@pytest.mark.parametrize(
    ("more", "what"),
    [
        ("", "whatever is named"),
        ('fields = { temperature = "t" }', "whatever is named"),
    ],
    ids=["both as named", "one by fields"],
)
def test_two_probes_on_one_topic_are_remarked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: str, what: str
) -> None:
    """Where both would take the same of each message."""
    config = cellar(tmp_path, more=f'{GAUGE}topic = "cellar/float-a"\n{more}\n')
    ((line, said),) = remarks(config, capsys)
    assert line == line_of(config, 'topic = "cellar/float-a"')
    assert said.startswith(f"probes float-a and gauge share the topic cellar/float-a and take {what} from the same")
    assert "give gauge a topic of its own" in said


@pytest.mark.parametrize(("field", "count"), [("humidity", 0), ("temperature", 1)])
def test_probes_may_share_a_port_for_different_quantities(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], field: str, count: int
) -> None:
    """A board that writes two values on one line is two probes with a pattern each: only an overlap is remarked."""
    more = (
        '[[probe]]\nname = "second"\nsource = "serial"\nport = "/dev/serial/by-id/larder"\n'
        f'pattern = "H=(?P<{field}>[0-9.]+)"\n'
    )
    found = remarks(cellar(tmp_path, more=more), capsys)
    assert len(found) == count
    assert all("share the port /dev/serial/by-id/larder and take temperature from" in said for _, said in found)


@pytest.mark.parametrize(
    ("source", "own", "other", "meant"),
    [
        ("mqtt", 'topic = "a"', 'port = "/dev/ttyUSB0"', "serial"),
        ("serial", 'port = "/dev/ttyUSB0"', 'topic = "a"', "mqtt"),
    ],
)
def test_a_key_of_another_source_is_remarked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], source: str, own: str, other: str, meant: str
) -> None:
    """A port on an MQTT probe, or a topic on a serial one, is used by nothing."""
    key = other.partition(" ")[0]
    config = cellar(tmp_path, more=f'[[probe]]\nname = "p"\nsource = "{source}"\n{own}\n{other}\n')
    assert remarks(config, capsys) == [
        (
            line_of(config, other),
            f'probe p: {key} is not used with source = "{source}"; take it out, or write source = "{meant}"',
        )
    ]


def test_a_damaged_store_does_not_hide_a_good_configuration(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The configuration is what is checked: of a store that cannot be read only a note is made."""
    config = cellar(tmp_path)
    (tmp_path / "store.db").write_bytes(b"garbage" * 999)

    code, out, _ = run_here(capsys, "check", "--config", config)

    assert code == 0
    assert "note: whether the journal has moved things since is not known: the store" in out


def test_a_store_that_is_not_ours_to_see_is_a_note(tmp_path: Path) -> None:
    """An ordinary user may check the service's configuration although the service's state is closed to them."""
    config = cellar(tmp_path)
    text = config.read_text(encoding="utf-8").replace('path = "store.db"', 'path = "state/store.db"')
    config.write_text(text, encoding="utf-8")
    (tmp_path / "state").mkdir()
    tmp_path.chmod(0o755)
    code = (  # the first run loads all there is to load, which an ordinary user may not be able to see here
        "import os, sys; from monitor.cli.main import main; words = ['check', '--config', 'cellar.toml']\n"
        "main(words); print('-----', flush=True); os.chmod('state', 0)\n"
        "os.geteuid() or os.seteuid(65534)\n"
        "sys.exit(main(words))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=environment(), capture_output=True, text=True, check=False
    )

    assert (done.returncode, done.stderr) == (0, "")
    assert "is not known: [Errno 13] Permission denied" in done.stdout.partition("-----")[2]
