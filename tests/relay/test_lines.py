"""Rows as lines: names that can be said come back as they were, those that cannot are set aside with the reason."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import ConfigError
from monitor.relay.lines import digits, lines_of
from monitor.settings import parse_settings
from monitor.store.outbox import Row

from .receiver import Receiver
from .tower import Tower


def row(probe: str = "float-a", value: float = 1.0421) -> Row:
    return Row(
        7, "reading", 1_790_000_000_000, 1_790_000_000_250, "vessel:bucket-a", "amber-1", probe, "gravity", value
    )


@pytest.mark.parametrize("name", ["a\\", "a\\ b", "a\\,b", "a\\=b", "a\\\\b", "a\nb", "a\tb", "\x7f"])
def test_a_name_that_line_protocol_cannot_say_is_set_aside(name):
    """A server would take the line and file it elsewhere, or drop it and say yes."""
    with pytest.raises(ValueError, match="backslash or control character"):
        lines_of(row(name), "Cellar")


@pytest.mark.parametrize("name", ["a\\b", "one\ntwo", " "])
def test_a_site_is_not_named_so(name):
    """The configuration says it before anything is lost."""
    with pytest.raises(ConfigError, match="a name for people"):
        parse_settings(f"[site]\nname = {name!r}".replace("'", '"'))


def test_such_a_row_stops_no_other(tmp_path: Path):
    """It comes with an import; the rest goes out."""
    receiver = Receiver()
    tower = Tower(tmp_path / "store.db", receiver.url)
    tower.say()
    tower.say(probe="odd\\ probe")
    tower.say()
    tower.wait(10)
    assert sum(line.startswith("leeswatch_reading,") for line in receiver.kept) == 2
    assert tower.waiting()[2] == 1
    tower.close()
    receiver.close()


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_value_with_more_digits_brings_its_bits(value):
    """Ten digits are exact at every server that was tried; beyond them the 64 bits go along."""
    (line,) = lines_of(row(value=value), "Cellar")
    assert ("bits_high=" in line) == (digits(value) > 10)
