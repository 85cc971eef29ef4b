"""Text as whole numbers, for servers that keep nothing else: some turn strings into 0.

The text as UTF-8, compressed, in numbers of six bytes: below 2**48 they are exact in every server, also in one that
rounds large numbers. 32 of them make a part, so that a long entry is several points of the same time.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence

from monitor.model.errors import PayloadError

WORD = 6  # bytes in a number
WORDS = 32  # numbers in a part
PART = WORD * WORDS
LONGEST = 16 << 20  # bytes that a text may unfold to: what comes back is not ours until it is read
NAMES = tuple(f"w{number}" for number in range(WORDS))


def pack(text: str) -> list[dict[str, int]]:
    """The fields of each part, first part first."""
    whole = zlib.compress(text.encode(), 9)
    pieces = [whole[start : start + PART] for start in range(0, len(whole), PART)]
    return [{"bytes": len(whole), "parts": len(pieces), **_words(piece)} for piece in pieces]


def unpack(parts: Sequence[Mapping[str, int]]) -> str:
    """The text of parts in their order; PayloadError where they do not make one."""
    if not parts:
        raise PayloadError("there is no part of it")
    size, count = parts[0].get("bytes", 0), parts[0].get("parts", 0)
    if any((part.get("bytes"), part.get("parts")) != (size, count) for part in parts):
        raise PayloadError("its parts are not of the same text")
    if len(parts) != count:
        raise PayloadError(f"{len(parts)} of its {count} parts are there")
    try:
        whole = b"".join(_bytes(part) for part in parts)[:size]
        if len(whole) != size:
            raise PayloadError(f"{len(whole)} of its {size} bytes are there")
        unfolding = zlib.decompressobj()
        plain = unfolding.decompress(whole, LONGEST)
        if not unfolding.eof or unfolding.unused_data:
            raise PayloadError("it is cut off or too long")
        return plain.decode()
    except (zlib.error, OverflowError, UnicodeDecodeError) as error:
        raise PayloadError(f"it is damaged ({error})") from error


def _words(piece: bytes) -> dict[str, int]:
    starts = range(0, len(piece), WORD)
    return {NAMES[number]: int.from_bytes(piece[at : at + WORD].ljust(WORD, b"\0")) for number, at in enumerate(starts)}


def _bytes(part: Mapping[str, int]) -> bytes:
    return b"".join(part[name].to_bytes(WORD) for name in NAMES if name in part)
