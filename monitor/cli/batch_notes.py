"""`leeswatch batch note` and `photo`: words and pictures about a batch."""

from __future__ import annotations

import argparse
from pathlib import Path

from monitor.cli.batch_look import asked_of, deed, when_of
from monitor.cli.common import (
    Commands,
    command,
    iso,
    local,
    named,
    say_done,
    settings_of,
    with_when,
    write,
)
from monitor.model.deeds import Noted, Photo
from monitor.model.errors import UsageError
from monitor.settings import store_path

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


def _note(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - the engine, where a deed is told only

    settings = settings_of(args)
    if len(args.text.strip()) > MOST_TEXT:
        raise UsageError(f"a note has 1 to {MOST_TEXT} characters", "write it shorter")
    if args.score is not None and not 1 <= args.score <= 10:
        raise UsageError(f"--score {args.score} cannot be", "give 1 to 10")
    asked = asked_of(settings)
    sort = "tasting" if args.tasting else "off-smell" if args.off_smell else "note"
    told = deed(
        Noted, about=f"batch:{args.name}", text=args.text.strip() or " ", sort=sort, score=args.score,
        at=when_of(args, settings, asked),
    )  # fmt: skip
    entry = checks.noted(asked, told)
    received = write(settings, [entry])
    what = {"note": "noted", "tasting": "tasted", "off-smell": "smells off, noted"}[sort]
    return say_done(args, [f"{args.name}: {what}, {local(entry.at, settings)}"], f"leeswatch batch undo {args.name}",
                    batch=args.name, received=iso(received))  # fmt: skip


def _photo(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - as above
    from monitor.store import photos  # noqa: PLC0415 - only where there is a photo

    settings = settings_of(args)
    if len(args.caption) > MOST_CAPTION:
        raise UsageError(f"a caption has at most {MOST_CAPTION} characters", "write it shorter, or as a note")
    store = store_path(settings)
    content = photos.read(args.file)
    asked = asked_of(settings)
    told = deed(
        Photo, about=f"batch:{args.name}", file=photos.name_of(content), caption=args.caption, clearness=args.clearness,
        at=when_of(args, settings, asked),
    )  # fmt: skip
    entry = checks.photographed(asked, told)
    store.parent.mkdir(parents=True, exist_ok=True)
    name = photos.keep(store, content)
    received = write(settings, [entry])
    lines = [f"{args.name}: photo kept as {photos.folder_of(store) / name}, {local(entry.at, settings)}"]
    return say_done(
        args, lines, f"leeswatch batch undo {args.name}", batch=args.name, file=name, received=iso(received)
    )
