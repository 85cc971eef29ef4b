"""The service unit, as systemd itself judges it."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
UNIT = TOP / "deploy/leeswatch.service"
PROGRAM = "/opt/leeswatch/.venv/bin/leeswatch"

pytestmark = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed")


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=60, check=False)


def verify(folder: Path, text: str) -> subprocess.CompletedProcess[str]:
    """systemd's check of the unit, with a program that exists here in place of the installed one."""
    unit = folder / "leeswatch.service"
    unit.write_text(text.replace(PROGRAM, sys.executable), encoding="utf-8")
    return analyze("verify", "--man=no", str(unit))


def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    """The unit verifies without a word, since systemd passes over unknown keys with a warning only."""
    result = verify(tmp_path, UNIT.read_text(encoding="utf-8"))

    assert (result.returncode, result.stderr) == (0, "")


def test_a_misspelt_key_would_be_noticed(tmp_path: Path) -> None:
    """The check above sees a key that systemd does not know."""
    text = UNIT.read_text(encoding="utf-8").replace("ProtectSystem=", "ProtectSistem=")

    assert "ProtectSistem" in verify(tmp_path, text).stderr


def test_the_service_is_closed_but_for_what_it_needs() -> None:
    """systemd's own measure of exposure stays at or below 2.0 of 10."""
    result = analyze("security", "--offline=true", "--no-pager", "--threshold=20", str(UNIT))

    assert result.returncode == 0, result.stdout[-200:] + result.stderr


def directives(key: str) -> list[str]:
    return re.findall(rf"(?m)^{key}=(.*)$", UNIT.read_text(encoding="utf-8"))


def test_the_clock_may_be_asked_but_not_set() -> None:
    """`adjtimex` passes the filter, /proc stays whole, and no capability could set the clock."""
    filters = directives("SystemCallFilter")

    assert "adjtimex" in filters[-1].split()
    assert directives("ProtectClock") in ([], ["no"])
    assert directives("ProcSubset") in ([], ["all"])
    assert directives("CapabilityBoundingSet") == [""]


def test_serial_ports_may_be_plugged_in_after_the_start() -> None:
    """Devices are allowed by number: a name is looked up at the start, when the driver may not be loaded yet."""
    allowed = {entry.split()[0] for entry in directives("DeviceAllow")}

    assert {"char-166", "char-188"} <= allowed
    assert all(re.fullmatch(r"char-\d+", entry) for entry in allowed)
    assert directives("SupplementaryGroups") == ["dialout"]


def test_a_server_on_the_network_may_be_reached_and_is_not_waited_for() -> None:
    """The relay opens connections outward: no filter stands in its way, and without a network the service starts."""
    calls = analyze("syscall-filter", "@system-service").stdout.split()
    text = UNIT.read_text(encoding="utf-8")

    assert {"AF_INET", "AF_INET6"} <= set(directives("RestrictAddressFamilies")[0].split())
    assert "@network-io" in calls
    assert directives("SystemCallFilter")[0] == "@system-service"
    assert directives("IPAddressDeny") == directives("PrivateNetwork") == directives("SocketBindDeny") == []
    assert "network-online.target" not in text
