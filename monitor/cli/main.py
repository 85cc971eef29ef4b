"""The command line: `leeswatch COMMAND`. Exit 0: done. 1: the answer is no. 2: wrong use."""

from __future__ import annotations

import argparse
import errno
import importlib
import os
import sqlite3
import sys
from collections.abc import Sequence

from monitor import __version__
from monitor.model.errors import Discouraged, LeeswatchError, Refused, UsageError

# Each command with its summary. Its module, of the same name (`import` is a word of the language, and its module
# `import_`), is loaded only when it is the one asked for: the
# libraries behind some take half a second on a small machine's processor, several on its card.
COMMANDS = {
    "demo": "Play ten days of two sibling buckets and a fridge in a minute and a half.",
    "run": "Watch until told to stop (SIGTERM or Ctrl-C).",
    "check": "Check a configuration: every problem at once, with its line.",
    "replay": "Run a recording through the engine, as fast as it goes.",
    "export": "Write every stored reading as a recording, and the journal beside it.",
    "import": "File a recording, its journal and its photos into the store.",
    "probe": "Probes: what is heard, moving one, a trial alert.",
    "calc": "The trade's numbers: gravity, strength, freezing, gas, yeast, cold, probes.",
    "batch": "Batches: their whole life, readings by hand, racking plan, history.",
    "yeast": "Yeast: washing, the shelf, what to pitch, where it comes from.",
    "report": "A batch as a report (HTML or PDF), or labels for jugs and jars.",
    "alert": "Alerts: list, acknowledge, shelve, done.",
    "relay": "A time-series server: what goes there, and reading back what it keeps.",
    "fleet": "Every site on one broker: who has gone quiet, what stands, what the batches do.",
}
MODULES = {"import": "import_"}


def build_parser(wanted: str | None = None) -> argparse.ArgumentParser:
    """All commands by name and summary, and the one that is `wanted` with its options (None: every one)."""
    parser = argparse.ArgumentParser(
        prog="leeswatch",
        description="Watches fermenting vessels and a fridge, and says what is so, how sure, and what to do next.",
        epilog="example:\n  leeswatch demo",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"leeswatch {__version__}")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for name, summary in COMMANDS.items():
        if wanted in (name, None):
            importlib.import_module(f"monitor.cli.{MODULES.get(name, name)}").add(commands)
        else:
            commands.add_parser(name, help=summary)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command."""
    words = sys.argv[1:] if argv is None else argv
    try:
        args = build_parser(next((word for word in words if not word.startswith("-")), "")).parse_args(words)
        return int(args.run(args))
    except SystemExit as end:  # argparse: 0 after --help, 2 on wrong use
        return int(end.code or 0)
    except (UsageError, Refused) as error:
        print(f"leeswatch: {error}", file=sys.stderr)
        return 1 if isinstance(error, Discouraged) else 2
    except LeeswatchError as error:
        print(f"leeswatch: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has seen enough.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        print(f"leeswatch: {_of_the_system(error)}", file=sys.stderr)
        return 1
    except sqlite3.DatabaseError as error:
        remedy = "`leeswatch run` mends what is damaged when it starts"
        print(f"leeswatch: the store cannot be read: {error}; {remedy}", file=sys.stderr)
        return 1


def _of_the_system(error: OSError) -> str:
    where = f"{error.filename}: " if error.filename is not None else ""
    hint = {
        errno.EACCES: "run the command as a user who may, for instance with sudo -u leeswatch",
        errno.ENOENT: "name a file or folder that is there",
        errno.ENOSPC: "free space on that disk",
        errno.EROFS: "name a place that can be written to",
    }.get(error.errno or 0)
    return f"{where}{error.strerror or error}{f'; {hint}' if hint else ''}"


if __name__ == "__main__":
    sys.exit(main())
