"""`leeswatch batch note` and `photo`: words and pictures about a batch."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from monitor.cli.common import (
    Commands,
    command,
    iso,
    local,
    named,
    say_done,
    settings_of,
    whole_state,
    with_when,
    write,
)
from monitor.model.deeds import Noted, Photo
from monitor.model.errors import UsageError
from monitor.settings import store_path

if TYPE_CHECKING:
    from monitor.model.config import Settings

CLEARNESS = ("opaque", "cloudy", "hazy", "clear", "bright")
MOST_TEXT, MOST_CAPTION = 4_000, 400


def add(verbs: Commands) -> None:
    """Add the verbs."""
    note = command(verbs, "note", "Keep words about a batch: a note, what it tasted like, that it smells off.",
                   'leeswatch batch note amber-1 "apples, still sweet" --tasting --score 7', _note)  # fmt: skip
    named(note)
    note.add_argument("text", help="the words")
    sort = note.add_mutually_exclusive_group()
    sort.add_argument("--tasting", action="store_true", help="it was tasted")
    sort.add_argument("--off-smell", action="store_true", help="it smells off: its yeast is not for keeping")
    note.add_argument("--score", type=int, metavar="1-10", help="of a tasting: 1 poured away, 10 could not be better")
    with_when(note)

    photo = command(verbs, "photo", "Keep a photo of a batch, in the photo folder beside the store.",
                    "leeswatch batch photo amber-1 jug.jpg --caption 'day 2' --clearness hazy", _photo)  # fmt: skip
    named(photo)
    photo.add_argument("file", type=Path, metavar="FILE", help="a JPEG, PNG, WebP or HEIC file, at most 20 MB")
    photo.add_argument("--caption", default="", metavar="TEXT", help="what it shows")
    photo.add_argument("--clearness", choices=CLEARNESS, help="how clear it is, judged by this photo")
    with_when(photo, "when it was taken")


def _when(args: argparse.Namespace, settings: Settings) -> int:
    from monitor.cli.batch_life import since_pitch  # noqa: PLC0415 - it registers these verbs
    from monitor.cli.common import batch_of  # noqa: PLC0415

    return since_pitch(batch_of(whole_state(settings), args.name), args.when, settings)


def _note(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    if not 0 < len(args.text.strip()) <= MOST_TEXT:
        raise UsageError(f"a note has 1 to {MOST_TEXT} characters", "write it shorter, or write something")
    if args.score is not None and not args.tasting:
        raise UsageError("only a tasting has a score", "add --tasting")
    if args.score is not None and not 1 <= args.score <= 10:
        raise UsageError(f"--score {args.score} cannot be", "give 1 to 10")
    at = _when(args, settings)
    sort = "tasting" if args.tasting else "off-smell" if args.off_smell else "note"
    entry = Noted(about=f"batch:{args.name}", text=args.text.strip(), sort=sort, score=args.score, at=at)
    received = write(settings, [entry])
    what = {"note": "noted", "tasting": "tasted", "off-smell": "smells off, noted"}[sort]
    return say_done(args, [f"{args.name}: {what}, {local(at, settings)}"], f"leeswatch batch undo {args.name}",
                    batch=args.name, received=iso(received))  # fmt: skip


def _photo(args: argparse.Namespace) -> int:
    from monitor.store import photos  # noqa: PLC0415 - only where there is a photo

    settings = settings_of(args)
    at = _when(args, settings)
    if len(args.caption) > MOST_CAPTION:
        raise UsageError(f"a caption has at most {MOST_CAPTION} characters", "write it shorter, or as a note")
    store = store_path(settings)
    content = photos.read(args.file)
    store.parent.mkdir(parents=True, exist_ok=True)
    name = photos.keep(store, content)
    entry = Photo(about=f"batch:{args.name}", file=name, caption=args.caption, clearness=args.clearness, at=at)
    received = write(settings, [entry])
    lines = [f"{args.name}: photo kept as {photos.folder_of(store) / name}, {local(at, settings)}"]
    return say_done(
        args, lines, f"leeswatch batch undo {args.name}", batch=args.name, file=name, received=iso(received)
    )
