"""A play on real wires: a broker, pseudo-terminals and one-wire files, fed by a `Player`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Self

from simulators.configure import configuration
from simulators.play import Emission, Player
from simulators.wires import BrokerLink, OneWireTree, PtyLine

Hand = Callable[[Emission], None]


class Rig:
    """Holds the wires of a scenario's probes in `folder`.

    MQTT goes to the broker at `mqtt_port`; what a person reads by hand is given to `hand`, if there is one.
    """

    def __init__(self, player: Player, folder: Path, *, mqtt_port: int | None = None, hand: Hand | None = None) -> None:
        self.player = player
        self._mqtt_port = mqtt_port
        self._hand = hand
        self._link = BrokerLink(mqtt_port) if mqtt_port is not None else None
        self.lines = {
            probe.name: PtyLine(folder / "serial" / probe.name)
            for probe in player.scenario.probe
            if probe.wire == "serial"
        }
        self.onewire = OneWireTree(folder / "w1")

    def configuration(self, store: str | Path | None = None) -> str:
        """The watcher's configuration for these wires."""
        return configuration(
            self.player.scenario,
            mqtt_port=self._mqtt_port,
            serial_ports={name: line.path for name, line in self.lines.items()},
            store=store,
            start_ms=self.player.start_ms,
        )

    def deliver_until(self, to_ms: int) -> int:
        """Send all that is due by `to_ms`; returns how many messages that was."""
        due = self.player.emissions_until(to_ms)
        for emission in due:
            self.deliver(emission)
        return len(due)

    def deliver(self, emission: Emission) -> None:
        """Send one message over its wire."""
        if emission.wire == "mqtt" and self._link is not None:
            self._link.publish(emission.line, emission.payload, retained=emission.retained)
        elif emission.wire == "serial":
            self.lines[emission.line].write(emission.payload)
        elif emission.wire == "onewire":
            self.onewire.raw(emission.line, emission.payload)
        elif emission.wire == "hand" and self._hand is not None:
            self._hand(emission)

    def settle(self) -> None:
        """Wait until the broker has everything."""
        if self._link is not None:
            self._link.settle()

    def close(self) -> None:
        """Take the wires down."""
        if self._link is not None:
            self._link.close()
        for line in self.lines.values():
            line.unplug()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
