"""Probes that share a topic or a port."""

import pytest

from monitor.intake.decode import Decoder
from monitor.model.config import Probe
from monitor.sources.hearing import Hearing


def test_a_fault_in_the_decoder_is_no_poison(monkeypatch: pytest.MonkeyPatch) -> None:
    """Should our own code fail on a message, the message is kept with the reason, and nothing is raised."""

    def broken(*_: object, **__: object) -> object:
        raise ZeroDivisionError("oops")

    hearing = Hearing("mqtt", [Probe(name="a", source="mqtt", topic="t")])
    monkeypatch.setattr(Decoder, "decode", broken)
    (heard,) = hearing.read(b"x" * 1000, "t")
    assert (heard.probe, heard.samples) == ("a", ())
    assert "fault in the program" in heard.unreadable[0].reason
    assert "oops" in heard.unreadable[0].reason
    assert len(heard.unreadable[0].content) == 512


def test_good_and_bad_values_of_one_probe_stay_together() -> None:
    """A probe that is read in part keeps the reasons for the rest; the others, which it was not for, say nothing."""
    probes = [Probe(name="a", source="mqtt", topic="t"), Probe(name="b", source="mqtt", topic="t", pattern="(?P<ph>x)")]
    (heard,) = Hearing("mqtt", probes).read(b'[{"n":"ph","v":4},{"n":"ph","v":99}]', "t")
    assert (heard.probe, len(heard.samples), len(heard.unreadable)) == ("a", 1, 1)


def test_an_empty_message_says_nothing() -> None:
    """Nothing is heard in nothing."""
    assert Hearing("mqtt", [Probe(name="a", source="mqtt", topic="t")]).read(b" ", "t") == []
