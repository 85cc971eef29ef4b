"""The containers: what the compose file says, held to the files and programs that it brings together.

No engine for containers runs in these tests: the file is checked by `docker-compose config`, and what it mounts by the
real broker and the real daemon.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
import yaml

from monitor.cli.main import main
from tests.deploy.test_broker_settings import MOSQUITTO, Broker, free_port

TOP = Path(__file__).parents[2]
FILE = TOP / "deploy/compose.yaml"
TEXT = FILE.read_text(encoding="utf-8")
COMPOSE: dict[str, Any] = yaml.safe_load(TEXT)
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
RECIPE = (TOP / "deploy/Containerfile").read_text(encoding="utf-8")
BROKER = (TOP / "deploy/compose/mosquitto.conf").read_text(encoding="utf-8")
SETTINGS = TOP / "deploy/compose/leeswatch.toml"
SETTINGS_TEXT = SETTINGS.read_text(encoding="utf-8")

with_broker = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")


# --- the file itself ---------------------------------------------------------------------------------------------


def checked(file: Path) -> subprocess.CompletedProcess[str]:
    """What docker-compose says of a file."""
    if shutil.which("docker-compose") is None:
        pytest.skip("docker-compose is not installed (as root: apt-get install docker-compose)")
    command = ["docker-compose", "--project-directory", str(FILE.parent), "-f", str(file), "config", "-q"]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_compose_finds_nothing_wrong_with_the_file() -> None:
    """Not a word of it is unknown or out of place."""
    result = checked(FILE)

    assert (result.returncode, result.stdout, result.stderr) == (0, "", "")


def test_a_misspelt_key_would_be_noticed(tmp_path: Path) -> None:
    """The check above sees a key that compose does not know."""
    wrong = tmp_path / "compose.yaml"
    wrong.write_text(TEXT.replace("read_only: true", "reed_only: true"), encoding="utf-8")

    result = checked(wrong)

    assert result.returncode != 0
    assert "reed_only" in result.stderr


def mounts(name: str) -> list[list[str]]:
    """Source, target and mode of what a service mounts."""
    return [each.split(":") for each in SERVICES[name].get("volumes", [])]


def test_everything_that_is_mounted_or_built_from_is_there() -> None:
    """Files of ours are mounted read-only; every volume and secret that a service names is declared."""
    for name, service in SERVICES.items():
        for source, _, *mode in mounts(name):
            if source.startswith("."):
                assert (FILE.parent / source).is_file(), source
                assert mode == ["ro"], source
            else:
                assert source in COMPOSE["volumes"], source
        assert set(service.get("secrets", [])) <= set(COMPOSE["secrets"])
    build = SERVICES["leeswatch"]["build"]
    assert (FILE.parent / build["context"]).resolve() == TOP
    assert (TOP / build["dockerfile"]).is_file()


def test_what_the_image_copies_exists_and_nothing_else_is_sent_to_the_builder() -> None:
    """The list of what a builder gets is the list of what the recipe copies."""
    copied = [word for line in re.findall(r"(?m)^COPY (?!--from)(.+) \S+$", RECIPE) for word in line.split()]
    rules = [line for line in (TOP / ".dockerignore").read_text(encoding="utf-8").splitlines() if line[:1] != "#"]

    assert all((TOP / name).exists() for name in copied)
    assert rules[0] == "*"
    assert sorted(rule[1:] for rule in rules if rule.startswith("!")) == sorted(copied)


def test_no_secret_stands_in_the_file_or_may_slip_into_git() -> None:
    """Names, passwords and tokens come from files in a folder that git passes over."""
    for service in SERVICES.values():
        for name, value in service.get("environment", {}).items():
            if re.search("USER|PASS|TOKEN|SECRET|KEY", name):
                assert name.endswith("_FILE")
                assert value.removeprefix("/run/secrets/") in service["secrets"]
    ignored = (TOP / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert "deploy/secrets/" in ignored
    assert {each["file"] for each in COMPOSE["secrets"].values()} == {
        f"./secrets/{name}" for name in COMPOSE["secrets"]
    }


def test_ports_are_open_to_this_machine_only() -> None:
    """Whoever wants more takes a comment away."""
    ports = [port for service in SERVICES.values() for port in service.get("ports", [])]

    assert len(ports) == 3
    assert all(port.startswith("127.0.0.1:") for port in ports)


def test_the_watcher_has_no_more_rights_than_it_needs() -> None:
    """Not root, no capability, nothing writable but its store and a folder in memory; a log that ends."""
    service = SERVICES["leeswatch"]
    writable = [target for _, target, *mode in mounts("leeswatch") if mode != ["ro"]]

    assert re.findall(r"(?m)^USER (\d+):(\d+)$", RECIPE) == [("8650", "8650")]
    assert "user" not in service
    assert (service["read_only"], service["cap_drop"]) == (True, ["ALL"])
    assert writable == ["/var/lib/leeswatch"]
    assert [each.partition(":")[0] for each in service["tmpfs"]] == ["/tmp"]
    for each in SERVICES.values():
        assert each["security_opt"] == ["no-new-privileges:true"]
        assert set(each["logging"]["options"]) == {"max-size", "max-file"}


# --- what it mounts ----------------------------------------------------------------------------------------------


def test_the_mounted_configuration_passes_the_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`leeswatch check` calls it good once the secrets lie where the container has them."""
    (tmp_path / "influxdb-token").write_text("word", encoding="utf-8")
    inside = tmp_path / "leeswatch.toml"
    inside.write_text(SETTINGS_TEXT.replace("/run/secrets", str(tmp_path)), encoding="utf-8")
    assert main(["check", "--config", str(inside)]) == 0
    assert "good; 1 probe, 1 vessel" in capsys.readouterr().out


def test_the_mounted_configuration_names_what_the_compose_file_has() -> None:
    """Machines, ports, bucket, files and the store's folder agree on both sides."""
    settings = tomllib.loads(SETTINGS_TEXT)
    relay, server = settings["relay"], SERVICES["influxdb"]["environment"]
    files = (settings["web"]["password_file"], relay["token_file"])

    assert settings["mqtt"]["host"] in SERVICES
    assert relay["url"] == "http://influxdb:8086"
    assert relay["bucket"] == server["DOCKER_INFLUXDB_INIT_BUCKET"]
    assert relay["org"] == server["DOCKER_INFLUXDB_INIT_ORG"]
    assert sorted(SERVICES["leeswatch"]["secrets"]) == sorted(file.removeprefix("/run/secrets/") for file in files)
    assert server["DOCKER_INFLUXDB_INIT_ADMIN_TOKEN_FILE"] == relay["token_file"]
    assert str(Path(settings["store"]["path"]).parent) in [target for _, target, *_ in mounts("leeswatch")]
    assert SERVICES["leeswatch"]["environment"]["TZ"] == settings["site"]["timezone"]


def rules(settings: str) -> list[str]:
    """A broker's settings before its first listener, but where it keeps and tells things."""
    before = settings.partition("\nlistener ")[0].splitlines()
    return [line for line in before if line and not re.match("#|persistence_location|log_dest", line)]


def test_the_broker_keeps_messages_as_outside_of_containers() -> None:
    """What decides whether an acknowledged message survives a crash is the same in both files."""
    shipped = (TOP / "deploy/mosquitto.conf").read_text(encoding="utf-8")

    assert sorted(rules(BROKER)) == sorted(rules(shipped))


def broker(folder: Path, settings: str) -> Broker:
    """A real broker with the mounted settings, on a free port of loopback and in a folder of its own."""
    settings = settings.replace("\nlistener 1883\n", "\nlistener 1883 127.0.0.1\n")
    return Broker(folder, settings.replace("persistence_location /mosquitto/data/\n", ""))


@with_broker
def test_a_broker_accepts_the_mounted_settings(tmp_path: Path) -> None:
    """It starts, finds no error, and takes a message."""
    run = broker(tmp_path, BROKER)

    with run.running(), run.client("probe") as probe:
        info = probe.publish("cellar/float-a", b"1", qos=1)
        info.wait_for_publish(10)
        assert info.is_published()
    assert "Error" not in run.log()


@with_broker
def test_the_listener_that_is_proposed_for_the_network_asks_for_a_password(tmp_path: Path) -> None:
    """With the # taken away the nameless are refused there, and the named let in."""
    port, passwords = free_port(), tmp_path / "passwords"
    passwords.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", passwords, "float", "grist"], check=True, capture_output=True)
    opened = re.sub(r"(?m)^#(?=listener|allow|password)", "", BROKER)
    opened = opened.replace("listener 1884", f"listener {port} 127.0.0.1")
    run = broker(tmp_path, opened.replace("/mosquitto/data/passwords", str(passwords)))

    with run.running():
        assert (_reason(port, None), _reason(port, "float")) == ("Not authorized", "Success")


def _reason(port: int, name: str | None) -> str:
    client, said = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2), []
    client.on_connect = lambda _client, _data, _flags, reason, _properties: said.append(str(reason))
    if name:
        client.username_pw_set(name, "grist")
    client.connect("127.0.0.1", port)
    deadline = time.monotonic() + 10
    while not said and time.monotonic() < deadline:
        client.loop(0.1)
    client.disconnect()
    return said[0]


# --- the health check --------------------------------------------------------------------------------------------


@contextmanager
def watching(folder: Path, broker_port: int, page: int) -> Iterator[subprocess.Popen[bytes]]:
    """The daemon with the mounted configuration, paths and ports put into a folder of its own."""
    text = SETTINGS_TEXT.replace("/run/secrets", str(folder)).replace("/var/lib/leeswatch", str(folder))
    text = text.replace('host = "mosquitto"', f'host = "127.0.0.1"\nport = {broker_port}')
    text = text.replace("[web]\n", f"[web]\nport = {page}\n").replace("0.0.0.0", "127.0.0.1")
    text = text.replace("http://influxdb:8086", f"http://127.0.0.1:{free_port()}")
    (folder / "leeswatch.toml").write_text(text, encoding="utf-8")
    (folder / "influxdb-token").write_text("hop\n", encoding="utf-8")
    command = [sys.executable, "-m", "monitor.cli.main", "run", "--config", str(folder / "leeswatch.toml")]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(command, cwd=TOP, stdout=log, stderr=log)
    try:
        yield process
    finally:
        process.kill()
        process.wait(10)


def healthy(folder: Path, page: int) -> bool:
    """The compose file's own check, as it stands, of that daemon."""
    head, python, option, words = SERVICES["leeswatch"]["healthcheck"]["test"]
    assert (head, python, option) == ("CMD", "python3", "-c")
    words = words.replace("/run/secrets", str(folder)).replace("127.0.0.1:8650", f"127.0.0.1:{page}")
    result = subprocess.run([sys.executable, "-c", words], capture_output=True, timeout=30, check=False)
    return result.returncode == 0


@with_broker
def test_the_health_check_tells_a_watcher_that_is_well_from_one_that_is_not(tmp_path: Path) -> None:
    """The check as it is written: good while the daemon runs, and not once it is gone."""
    page, run = free_port(), broker(tmp_path, BROKER)
    (tmp_path / "page-password").write_text("grist\n", encoding="utf-8")

    with run.running(), watching(tmp_path, run.port, page) as process:
        deadline = time.monotonic() + 60
        while not healthy(tmp_path, page):
            assert process.poll() is None, (tmp_path / "log").read_text(encoding="utf-8")
            assert time.monotonic() < deadline, (tmp_path / "log").read_text(encoding="utf-8")
            time.sleep(0.25)
        process.terminate()
        assert process.wait(30) == 0
        assert not healthy(tmp_path, page)
