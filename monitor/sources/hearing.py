"""Probes that share one topic or one port: each is given every message, and what none can read is said once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.intake.decode import KEPT_BYTES, Decoder
from monitor.intake.values import shown
from monitor.model.config import Probe
from monitor.model.inputs import Sample, Unreadable


@dataclass(frozen=True, slots=True)
class Heard:
    """What one probe said in one message; no probe where none could be made out."""

    probe: str | None
    samples: tuple[Sample, ...] = ()
    unreadable: tuple[Unreadable, ...] = ()


class Hearing:
    """Reads messages for the probes of one topic or port."""

    def __init__(self, source: str, probes: Sequence[Probe]) -> None:
        self._source = source
        self._decoders = [(probe.name, Decoder(probe)) for probe in probes]

    def read(self, payload: bytes, origin: str, *, torn: bool = False) -> list[Heard]:
        """What each probe said; nothing for an empty message. Never raises, so that no message is poison."""
        heard = [self._read(name, decoder, payload, origin, torn=torn) for name, decoder in self._decoders]
        spoke = [each for each in heard if each.samples]
        if spoke:
            return spoke  # a message is one probe's words: that the others cannot read it is no fault
        failed = [each for each in heard if each.unreadable]
        if len(failed) < 2:
            return failed
        reasons = "; ".join(f"{each.probe}: {each.unreadable[0].reason}" for each in failed)
        return [Heard(None, (), (Unreadable(self._source, origin, reasons[:1000], payload[:KEPT_BYTES]),))]

    def _read(self, name: str, decoder: Decoder, payload: bytes, origin: str, *, torn: bool) -> Heard:
        try:
            return Heard(name, *decoder.decode(payload, origin, torn=torn))
        except Exception as error:  # noqa: BLE001  a fault of ours must not stop the probe: it is kept and shown
            reason = f"the decoder failed, which is a fault in the program: {shown(repr(error))}"
            return Heard(name, (), (Unreadable(self._source, origin, reason, payload[:KEPT_BYTES]),))
