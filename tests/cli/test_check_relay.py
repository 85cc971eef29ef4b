"""`leeswatch check` of `[relay]`: what would keep the relay from its server is said before the daemon is started."""

import os
from pathlib import Path

import pytest

from .helpers import cellar, run_here


def check(folder: Path, capsys: pytest.CaptureFixture[str], relay: str) -> tuple[int, str]:
    code, out, err = run_here(capsys, "check", "--config", cellar(folder, more=f"[relay]\n{relay}"))
    assert err == ""
    return code, out


@pytest.mark.parametrize("key", ["token_file", "ca_file"])
@pytest.mark.parametrize("content", [b"\xff\xfe", b""], ids=["garbage", "empty"])
def test_a_file_that_cannot_be_used_is_an_error(tmp_path, capsys, key, content):
    """With its key and its path, and never with what stands in it."""
    file = tmp_path / "secret"
    file.write_bytes(content)
    code, out = check(tmp_path, capsys, f'url = "https://tower.local:8428"\n{key} = "{file}"\n')
    assert code == 1
    assert f"[relay].{key}" in out
    assert str(file) in out
    assert "cannot be used; " in out


@pytest.mark.parametrize("key", ["token_file", "ca_file"])
def test_a_file_that_is_not_there_is_noted(tmp_path, capsys, key):
    """It may come: a container brings its secrets along when it starts, and the daemon looks again and again."""
    code, out = check(tmp_path, capsys, f'url = "https://tower.local:8428"\n{key} = "{tmp_path}/secret"\n')
    assert code == 0
    assert f"note: [relay].{key}: {tmp_path}/secret cannot be read: No such file or directory" in out


def test_a_good_relay_is_good(tmp_path, capsys):
    """A token of one word; on this machine it needs no encryption."""
    (tmp_path / "token").write_text("a-token\n", encoding="ascii")
    for host in ("https://tower.local", "http://127.0.0.1:8428", "http://localhost:8428", "http://[::1]:8428"):
        code, out = check(tmp_path, capsys, f'url = "{host}"\ntoken_file = "{tmp_path}/token"\n')
        assert code == 0
        assert "[relay]" not in out


def test_a_token_in_the_clear_is_noted(tmp_path, capsys):
    """Whoever listens on the way may write to the server, too."""
    (tmp_path / "token").write_text("a-token\n", encoding="ascii")
    code, out = check(tmp_path, capsys, f'url = "http://tower.local:8428"\ntoken_file = "{tmp_path}/token"\n')
    assert code == 0
    assert "note: [relay].url: the token goes over the network unencrypted" in out


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is closed to root")
def test_a_file_that_is_closed_to_us_may_be_open_to_the_daemon(tmp_path, capsys):
    """It is its file, not ours: no error."""
    file = tmp_path / "token"
    file.write_text("a-token\n", encoding="ascii")
    file.chmod(0)
    code, out = check(tmp_path, capsys, f'url = "https://tower.local:8428"\ntoken_file = "{file}"\n')
    assert code == 0
    assert "note: [relay].token_file" in out


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ('url = "http://tower.local:port"', "relay.url"),
        ('url = "http://tower.local:99999"', "relay.url"),
        ('url = "tower.local:8428"', "relay.url"),
        ('url = "http://tower.local"\nbucket = ""', "relay.bucket"),
    ],
)
def test_what_can_be_no_address_is_an_error_of_the_configuration(tmp_path, capsys, wrong, said):
    """It would be a server that is away for ever."""
    code, out = check(tmp_path, capsys, f"{wrong}\n")
    assert code == 1
    assert said in out
