"""Text goes through whole numbers and comes back as it was, or is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import PayloadError
from monitor.relay.text import NAMES, PART, pack, unpack

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=2_000)
LONG = "".join(chr(0x100 + number * 7919 % 40_000) for number in range(1_000))


@given(TEXTS)
def test_what_is_packed_comes_back_as_it_was(text: str) -> None:
    assert unpack(pack(text)) == text


@given(TEXTS)
def test_every_number_is_whole_not_negative_and_below_two_to_the_48(text: str) -> None:
    for part in pack(text):
        assert set(part) <= {"bytes", "parts", *NAMES}
        assert all(type(value) is int and 0 <= value < 1 << 48 for value in part.values())


def test_a_long_text_takes_several_full_parts() -> None:
    parts = pack(LONG)
    assert len(parts) == parts[0]["parts"] == -(-parts[0]["bytes"] // PART) > 3
    assert all(set(part) == {"bytes", "parts", *NAMES} for part in parts[:-1])
    assert unpack(parts) == LONG


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda parts: [], "no part"),
        (lambda parts: parts[:-1], "of its"),
        (lambda parts: [parts[1], parts[0], *parts[2:]], "damaged"),
        (lambda parts: [*parts[:-1], {**parts[-1], "bytes": 5}], "same text"),
        (lambda parts: [{k: v for k, v in part.items() if k != "w3"} for part in parts], "bytes"),
        (lambda parts: [{**parts[0], "w9": 1 << 50}, *parts[1:]], "damaged"),
        (lambda parts: [{**parts[0], "w9": 7}, *parts[1:]], "damaged"),
    ],
)
def test_parts_that_do_not_make_the_text_are_refused(spoil, words) -> None:
    with pytest.raises(PayloadError, match=words):
        unpack(spoil(pack(LONG)))


def test_a_few_numbers_cannot_unfold_to_a_heap() -> None:
    with pytest.raises(PayloadError, match="too long"):
        unpack(pack("x" * ((16 << 20) + 1)))
