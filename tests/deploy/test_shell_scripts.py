"""The shell scripts: parsed, checked, and the setup they share run for real, without network or root."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
SCRIPTS = sorted([*TOP.glob("deploy/*.sh"), TOP / "tests/run.sh", TOP / ".ci/run"])
SHELLS = [shell for shell in ("sh", "dash", "bash") if shutil.which(shell)]


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """A project folder with a space in its name, holding what the setup reads."""
    project = tmp_path / "two words"
    (project / "deploy").mkdir(parents=True)
    shutil.copy(TOP / "deploy/setup.sh", project / "deploy/setup.sh")
    shutil.copy(TOP / "pyproject.toml", project / "pyproject.toml")
    return project


def setup(project: Path, commands: str, path: str = os.environ["PATH"]) -> subprocess.CompletedProcess[str]:
    """Run commands of the shared setup in a strict shell; pip can reach no index."""
    return subprocess.run(
        ["/bin/sh", "-euc", f'top=$1; . "$top/deploy/setup.sh"; {commands}', "sh", str(project)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        stdin=subprocess.DEVNULL,
        env={"PATH": path, "HOME": str(project), "TMPDIR": str(project.parent), "PIP_NO_INDEX": "1"},
    )


@pytest.fixture(scope="module")
def fresh_environment(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A real virtual environment, made once and copied, since making one takes seconds."""
    folder = tmp_path_factory.mktemp("environment") / "venv"
    subprocess.run(["python3", "-m", "venv", str(folder)], check=True, capture_output=True)
    return folder


@pytest.fixture
def ready(project: Path, fresh_environment: Path) -> Path:
    """A project whose environment is set up for the demo."""
    shutil.copytree(fresh_environment, project / ".venv", symlinks=True)
    setup(project, 'key=$(stamp_key); printf "%s\\n" "$key" >"$venv/stamp.run"')
    return project


def bare_path(folder: Path) -> str:
    """A PATH with the few tools the setup needs, and neither apt-get nor sudo."""
    folder.mkdir()
    for tool in ("sh", "id", "rm", "mktemp", "tail", "env"):
        (folder / tool).symlink_to(shutil.which(tool) or pytest.fail(f"no {tool}"))
    return str(folder)


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
@pytest.mark.parametrize("shell", SHELLS)
def test_every_shell_can_read_the_scripts(script: Path, shell: str) -> None:
    """Each script parses in each shell that is here."""
    result = subprocess.run([shell, "-n", str(script)], capture_output=True, text=True, check=False)

    assert (result.returncode, result.stderr) == (0, "")


@pytest.mark.skipif(shutil.which("shellcheck") is None, reason="shellcheck is not installed")
def test_shellcheck_finds_nothing() -> None:
    """The linter for shell scripts has nothing to say, following what is sourced."""
    result = subprocess.run(
        ["shellcheck", "-x", *(str(script.relative_to(TOP)) for script in SCRIPTS)],
        cwd=TOP, capture_output=True, text=True, check=False,
    )  # fmt: skip

    assert (result.returncode, result.stdout) == (0, "")


def test_a_second_run_changes_nothing_and_needs_no_network(ready: Path) -> None:
    """With a valid stamp the environment is left as it is, without a word."""
    before = {path: path.lstat().st_mtime_ns for path in ready.rglob("*")}

    result = setup(ready, "need_venv run")

    assert (result.returncode, result.stdout, result.stderr) == (0, "", "")
    assert {path: path.lstat().st_mtime_ns for path in ready.rglob("*")} == before


def test_an_environment_for_the_demo_is_not_enough_for_the_tests(ready: Path) -> None:
    """The tests' libraries are fetched even where the demo's are there; without network it says so and exits 1."""

    result = setup(ready, "need_venv test")

    assert result.returncode == 1
    assert "Setting up Python libraries" in result.stderr
    assert "Put that right, then run this again" in result.stderr
    assert not (ready / ".venv/stamp.test").exists()


def test_a_change_of_the_project_file_renews_the_environment_in_place(ready: Path) -> None:
    """A stamp made from another pyproject.toml is not believed, and what is there is built upon."""
    with (ready / "pyproject.toml").open("a", encoding="utf-8") as file:
        file.write("\n# another\n")

    said = setup(ready, "need_venv run").stderr

    assert "Setting up Python libraries" in said
    assert "making it anew" not in said


@pytest.mark.parametrize(
    "damage",
    [
        'rm "$venv/stamp.run"',
        'rm "$venv/bin/python"',
        'echo "(3, 1)" >"$venv/stamp.run"; echo "$venv" >>"$venv/stamp.run"',
        'sed -i "2s/.*/elsewhere/" "$venv/stamp.run"',
        'rm -r "$venv"/lib/python*/site-packages/pip',
    ],
    ids=["broken-off", "python-gone", "another-python", "moved", "pip-gone"],
)
def test_an_environment_that_cannot_be_trusted_is_not_built_upon(ready: Path, damage: str) -> None:
    """What an interrupted run left, or is of another Python or place, is told from a whole environment."""
    asked = "key=$(stamp_key); if can_grow; then echo whole; else echo broken; fi"
    assert setup(ready, asked).stdout == "whole\n"

    assert setup(ready, f"{damage}; {asked}").stdout == "broken\n"


def test_an_interrupted_setup_is_made_anew(ready: Path) -> None:
    """An environment without a stamp is cleared away, and a failure leaves nothing in the temporary folder."""
    setup(ready, 'rm "$venv/stamp.run"; : >"$venv/left-over"')

    result = setup(ready, "need_venv run")

    assert "making it anew" in result.stderr
    assert not (ready / ".venv/left-over").exists()
    assert (ready / ".venv/bin/python").exists()
    assert [path.name for path in ready.parent.iterdir()] == ["two words"]


def test_without_root_and_apt_a_needed_package_stops_with_what_to_do(project: Path, tmp_path: Path) -> None:
    """One sentence names the reason and the command for root."""
    result = setup(project, "need_packages no-such-tool; echo reached", bare_path(tmp_path / "bin"))

    assert (result.returncode, result.stdout) == (1, "")
    assert "this machine has no apt-get" in result.stderr
    assert "`apt-get install no-such-tool`" in result.stderr


def test_without_root_and_apt_a_wanted_package_is_done_without(project: Path, tmp_path: Path) -> None:
    """It says what is lost, and goes on."""
    result = setup(project, "want_packages 'no bells' no-such-tool; echo reached", bare_path(tmp_path / "bin"))

    assert (result.returncode, result.stdout) == (0, "reached\n")
    assert "Going on without: no bells." in result.stderr


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ("OSError: [Errno 28] No space left on device", "the disk is full"),
        ("Temporary failure resolving 'mirror'", "the network or the package server cannot be reached"),
        ("E: Unable to locate package mosquitto", "this system does not have it"),
        ("something new", "see the lines above"),
    ],
)
def test_a_failure_is_named_in_plain_words(project: Path, words: str, reason: str) -> None:
    """What apt and pip say of disk, network and names is told as a reason."""
    (project / "log").write_text(words, encoding="utf-8")

    assert setup(project, 'reason "$top/log"').stdout == reason + "\n"


def test_servers_that_debian_starts_with_their_package_are_switched_off_again(project: Path, tmp_path: Path) -> None:
    """Each is named, but for those that are asked to stay; what is no server is left alone."""
    folder = tmp_path / "bin"
    path = bare_path(folder)
    for tool in ("systemctl", "service"):
        (folder / tool).write_text(f'#!/bin/sh\necho {tool} "$@" >>"{tmp_path}/asked"\n', encoding="utf-8")
        (folder / tool).chmod(0o755)

    result = setup(project, "root_by=; quiet_services shellcheck mosquitto victoria-metrics influxdb", path)

    assert (tmp_path / "asked").read_text("utf-8").splitlines() == [
        line
        for name in ("mosquitto", "victoria-metrics", "influxdb")
        for line in (f"systemctl disable --now {name}.service", f"service {name} stop")
    ]
    assert "victoria-metrics is installed; its system service is left switched off" in result.stderr
    (tmp_path / "asked").unlink()

    setup(project, "root_by=; keep_running=mosquitto; quiet_services mosquitto", path)

    assert not (tmp_path / "asked").exists()
