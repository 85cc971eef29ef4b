"""Real wires for the simulated probes: a pseudo-terminal, a broker, a tree of one-wire files."""

from simulators.wires.broker import Broker, BrokerLink, BrokerMissing, private_broker
from simulators.wires.line import PtyLine
from simulators.wires.onewire import OneWireTree

__all__ = ["Broker", "BrokerLink", "BrokerMissing", "OneWireTree", "PtyLine", "private_broker"]
