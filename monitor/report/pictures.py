"""Photos for a file that is handed on: inside it, and without what a phone writes into them of where and by whom."""

from __future__ import annotations

import base64
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from monitor.model.deeds import Photo
from monitor.report.words import Site, sentence

MOST_BYTES = 40_000_000  # of all photos of a report
TYPES = {".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}
_ORIENTATION = 0x0112
_STRIPPED_PNG = (b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME")


@dataclass(frozen=True, slots=True)
class Shown:
    """A photo: its data URI, or why there is none."""

    uri: str
    why: str
    caption: str
    when: str


def pictures(photos: Sequence[Photo], folder: Path, site: Site) -> list[Shown]:
    """The photos of a batch as data URIs, as long as there is room for them."""
    told: list[Shown] = []
    room = MOST_BYTES
    for photo in photos:
        how = f" (judged {photo.clearness})" if photo.clearness else ""
        caption = sentence(f"{photo.caption or 'photo'}{how}")
        kind = TYPES.get(Path(photo.file).suffix)
        uri, why = "", ""
        try:
            content = (folder / photo.file).read_bytes()
        except OSError as error:
            content, why = b"", f"{photo.file} cannot be read: {error.strerror}"
        if not why and kind is None:
            why = f"{photo.file} is of a kind that most programs do not show; it lies in the photo folder"
        elif not why and len(content) > room:
            why = f"{photo.file} was left out: the photos would make this file too large"
        if not why:
            room -= len(content)
            uri = f"data:{kind};base64,{base64.b64encode(bare(content)).decode('ascii')}"
        told.append(Shown(uri, why, caption, site.when(photo.at)))
    return told


def bare(content: bytes) -> bytes:
    """A JPEG or PNG without its comments and what a camera noted, but for which way up it is.

    Source: ITU-T T.81 annex B (markers), Exif 2.3 (orientation, tag 0x0112), ISO/IEC 15948 (chunks).
    What does not follow them is given back as it is.
    """
    try:
        if content.startswith(b"\xff\xd8"):
            return _bare_jpeg(content)
        if content.startswith(b"\x89PNG\r\n\x1a\n"):
            return _bare_png(content)
    except (struct.error, IndexError):
        pass
    return content


def _bare_jpeg(content: bytes) -> bytes:
    kept = [content[:2]]
    at = 2
    turned = 1
    while content[at] == 0xFF and content[at + 1] != 0xDA:  # up to the scan
        marker = content[at + 1]
        (size,) = struct.unpack_from(">H", content, at + 2)
        body = content[at + 4 : at + 2 + size]
        if marker == 0xE1 and body.startswith(b"Exif\0\0"):
            turned = _orientation(body[6:])
        elif marker in (0xE0, 0xE2, 0xEE) or marker < 0xE0:
            kept.append(content[at : at + 2 + size])
        at += 2 + size
    if turned != 1:
        tiff = b"MM\0*\0\0\0\x08" + struct.pack(">HHHIHHI", 1, _ORIENTATION, 3, 1, turned, 0, 0)
        body = b"Exif\0\0" + tiff
        kept.insert(1, b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body)
    return b"".join([*kept, content[at : _end_of(content, at)]])


def _end_of(content: bytes, at: int) -> int:
    """Behind the end of the picture whose first scan starts at `at`: some cameras hang whole files on after it."""
    while True:
        (size,) = struct.unpack_from(">H", content, at + 2)
        at += 2 + size  # behind a segment's head: in what follows it, FF comes with 00 or a restart marker
        if content[at - 2 - size + 1] == 0xDA:
            while content[at] != 0xFF or content[at + 1] == 0x00 or 0xD0 <= content[at + 1] <= 0xD7:
                at += 1
        if content[at + 1] == 0xD9:
            return at + 2


def _orientation(tiff: bytes) -> int:
    order = "<" if tiff.startswith(b"II") else ">"
    (at,) = struct.unpack_from(f"{order}I", tiff, 4)
    (count,) = struct.unpack_from(f"{order}H", tiff, at)
    for index in range(count):
        tag, _, _, value = struct.unpack_from(f"{order}HHIH", tiff, at + 2 + 12 * index)
        if tag == _ORIENTATION:
            return int(value) if 1 <= value <= 8 else 1
    return 1


def _bare_png(content: bytes) -> bytes:
    kept = [content[:8]]
    at = 8
    while at < len(content):
        (size,) = struct.unpack_from(">I", content, at)
        if content[at + 4 : at + 8] not in _STRIPPED_PNG:
            kept.append(content[at : at + 12 + size])
        at += 12 + size
    return b"".join(kept)
