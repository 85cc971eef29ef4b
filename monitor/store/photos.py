"""Photos, kept as files in a folder beside the store: named by what is in them, so that the same one is kept once."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Final

from monitor.model.errors import UsageError

MOST_BYTES: Final = 20_000_000
FOLDER: Final = "photos"
_HEIC: Final = (b"heic", b"heix", b"hevc", b"mif1", b"msf1")


def folder_of(store: Path) -> Path:
    """The photo folder of a store."""
    return store.parent / FOLDER


def kind_of(content: bytes) -> str | None:
    """jpg, png, webp or heic by the first bytes; None for what is no picture of these.

    Source: the formats' own signatures (JFIF/Exif FF D8 FF; ISO/IEC 15948; RIFF WEBP; ISO/IEC 23008-12 `ftyp`).
    """
    if content.startswith(b"\xff\xd8\xff"):
        return "jpg"
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "png"
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "webp"
    if content[4:8] == b"ftyp" and content[8:12] in _HEIC:
        return "heic"
    return None


def keep(store: Path, content: bytes) -> str:
    """Keep a photo beside the store; its file name. UsageError for what is no picture, or too large.

    It is on the disk whole, or not at all.
    """
    name = name_of(content)
    file = folder_of(store) / name
    if not file.exists():
        file.parent.mkdir(mode=0o750, exist_ok=True)
        part = file.with_suffix(f".{os.getpid()}.part")
        with part.open("wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        part.replace(file)
    return name


def name_of(content: bytes) -> str:
    """The file name of a photo, by what is in it. UsageError for what is no picture, or too large."""
    if len(content) > MOST_BYTES:
        raise UsageError(f"the photo has {len(content) / 1e6:.0f} MB", f"at most {MOST_BYTES // 1_000_000} MB are kept")
    kind = kind_of(content)
    if kind is None:
        raise UsageError("the file is no picture by its first bytes", "give a JPEG, PNG, WebP or HEIC file")
    return f"{hashlib.sha256(content).hexdigest()[:16]}.{kind}"


def read(path: Path) -> bytes:
    """A picture file as given, no more of it than can be kept; UsageError where it cannot be read."""
    try:
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}", "give the path of a picture") from error
