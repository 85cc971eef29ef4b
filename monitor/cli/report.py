"""`leeswatch report`: a batch on paper, and labels for jugs and jars."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from monitor.cli.common import Commands, command, now_ms, reader_of, settings_of, with_config
from monitor.cli.from_server import store_in, with_server
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.engine.state import State
    from monitor.model.config import Settings
    from monitor.report.words import Site
    from monitor.store.reader import Reader

KINDS = (".html", ".pdf")
LABEL_KINDS = (".html", ".pdf", ".svg")


def add(commands: Commands) -> None:
    """Add the command."""
    report = command(
        commands, "report", "A batch as a report (HTML or PDF), or labels for jugs and jars.",
        "leeswatch report amber-1 --out amber-1.pdf\n  leeswatch report --labels amber-1 amber-jar-2 --out labels.pdf\n"
        "  leeswatch report amber-1 --from-server 'North cellar' --out north.html",
        _report,
    )  # fmt: skip
    report.add_argument("name", metavar="NAME", nargs="?", help="the batch")
    report.add_argument("--out", type=Path, metavar="FILE", help=".html or .pdf (default: NAME.html here)")
    report.add_argument("--beside", metavar="OTHER", help="compare it with this batch (default: one of its recipe)")
    report.add_argument("--labels", nargs="+", metavar="NAME", help="labels for these batches and jars instead")
    report.add_argument("--size", metavar="WxH", default="62x38", help="of a label in mm (default: 62x38)")
    with_server(report)
    report.add_argument("--force", action="store_true", help="write over a file that is there")
    with_config(report)


def _report(args: argparse.Namespace) -> int:
    if bool(args.name) == bool(args.labels):
        given = args.from_server or "…"
        remedy = f"leeswatch report NAME --from-server {given!r}" if args.from_server and not args.labels else ""
        raise UsageError("name one batch, or --labels and what they are for",
                         remedy or "leeswatch report --help has examples")  # fmt: skip
    if args.labels and args.beside:
        raise UsageError("labels compare nothing", "leave --beside out")
    if args.labels and args.from_server is not None:
        raise UsageError("labels are for what stands here", "leave --from-server out")
    from monitor.report.gather import sibling_of, state_in  # noqa: PLC0415 - the engine's memory, for this command only
    from monitor.report.words import Site  # noqa: PLC0415

    kinds = LABEL_KINDS if args.labels else KINDS
    out = args.out if args.out is not None else Path("labels.html" if args.labels else f"{args.name}.html")
    _check_out(out, kinds, force=args.force)
    settings = settings_of(args)
    site = Site(ZoneInfo(settings.site.timezone))
    now = now_ms(settings)
    with (
        store_in(
            settings, args.from_server, [args.name, *filter(None, [args.beside])],
            lambda state: [*filter(None, [args.beside or sibling_of(state, args.name)])],
        ) as look,
        reader_of(look) as reader,
        reader.moment(),
    ):  # fmt: skip
        state = state_in(reader)
        if args.labels:
            content = _labels(args, settings, state, site, now, out)
        else:
            content = _one(args, settings, reader, state, site, now, out)
    _write(out, content)
    print(f"written: {out}")
    return 0


def _check_out(out: Path, kinds: tuple[str, ...], *, force: bool) -> None:
    if out.suffix.lower() not in kinds:
        raise UsageError(f"{out} says nothing of its kind that is known", f"end its name in {' or '.join(kinds)}")
    if not out.parent.is_dir():
        raise UsageError(f"there is no folder {out.parent}", "make it, or name a file in one that is there")
    if out.exists() and not force:
        raise UsageError(f"{out} is there already", "choose another name, or write over it with --force")


def _one(
    args: argparse.Namespace, settings: Settings, reader: Reader, state: State, site: Site, now: int, out: Path
) -> bytes:
    from monitor.report.gather import gather  # noqa: PLC0415
    from monitor.report.page import pdf, report_html  # noqa: PLC0415
    from monitor.settings import store_path  # noqa: PLC0415
    from monitor.store.photos import folder_of  # noqa: PLC0415

    for name in filter(None, (args.name, args.beside)):
        if name not in state.batches:
            known = ", ".join(state.batches) or "none yet"
            raise UsageError(f'there is no batch "{name}"', f"batches: {known}")
    if args.beside == args.name:
        raise UsageError("a batch differs in nothing from itself", "name another one with --beside")
    photos = folder_of(store_path(settings))
    html = report_html(gather(reader, state, args.name, now, site, photos, args.beside), site)
    return pdf(html) if out.suffix.lower() == ".pdf" else html.encode()


def _labels(args: argparse.Namespace, settings: Settings, state: State, site: Site, now: int, out: Path) -> bytes:
    from monitor.report.labels import draw, label_for, size_of  # noqa: PLC0415
    from monitor.report.page import pdf, render  # noqa: PLC0415

    width, height = size_of(args.size)
    url = settings.web.public_url
    found = [label for name in dict.fromkeys(args.labels) for label in label_for(state, name, now, site, url)]
    drawn = [draw(label, width, height) for label in found]
    if url is None:
        print(
            "the codes hold the names only: set public_url under [web] to how your phone reaches the page, and they "
            "open it",
            file=sys.stderr,
        )
    if out.suffix.lower() == ".svg":
        return render("labels.svg", labels=drawn).strip().encode()
    html = render("labels.html", labels=drawn, site=state.settings.site)
    return pdf(html) if out.suffix.lower() == ".pdf" else html.encode()


def _write(out: Path, content: bytes) -> None:
    """Whole or not at all."""
    part = out.with_name(f".{out.name}.part")
    part.write_bytes(content)
    part.replace(out)
