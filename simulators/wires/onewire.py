"""A tree of files as the kernel's one-wire driver shows it, for thermometers that are not there."""

from __future__ import annotations

import shutil
from pathlib import Path

from simulators.says import w1_slave


class OneWireTree:
    """`root` stands for /sys/bus/w1: thermometers are folders in `root/devices`."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.devices = root / "devices"
        self.devices.mkdir(parents=True, exist_ok=True)

    def put(self, device: str, celsius: float) -> None:
        """Let a thermometer (such as `28-0316a2795b1c`) show `celsius`, to 1/16 K; it appears if new."""
        self.raw(device, w1_slave(celsius))
        millis = round(celsius * 16) * 1000 // 16
        _write(self.devices / device / "temperature", f"{millis}\n".encode())

    def raw(self, device: str, text: bytes) -> None:
        """Let its `w1_slave` hold exactly `text`."""
        folder = self.devices / device
        if not folder.exists():
            folder.mkdir()
            _write(folder / "name", f"{device}\n".encode())
        _write(folder / "w1_slave", text)

    def spoil(self, device: str, celsius: float) -> None:
        """A reading whose check byte fails; the driver then gives no `temperature`."""
        self.raw(device, w1_slave(celsius, good=False))
        _write(self.devices / device / "temperature", b"")

    def remove(self, device: str) -> None:
        """The thermometer falls off the bus."""
        shutil.rmtree(self.devices / device)


def _write(path: Path, content: bytes) -> None:
    """Replace a file so that no reader sees half of it."""
    fresh = path.with_name(path.name + ".new")
    fresh.write_bytes(content)
    fresh.replace(path)
