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
