"""The command line: `leeswatch COMMAND`. Exit 0: done. 1: the answer is no. 2: wrong use."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from monitor import __version__
from monitor.cli import alert, batch, check, demo, export, probe, replay, run
from monitor.model.errors import LeeswatchError, UsageError


def build_parser() -> argparse.ArgumentParser:
    """All commands."""
    parser = argparse.ArgumentParser(
        prog="leeswatch",
        description="Watches fermenting vessels and a fridge, and says what is so, how sure, and what to do next.",
        epilog="example:\n  leeswatch demo",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"leeswatch {__version__}")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for module in (demo, run, check, replay, export, probe, batch, alert):
        module.add(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command."""
    try:
        args = build_parser().parse_args(argv)
        return int(args.run(args))
    except SystemExit as end:  # argparse: 0 after --help, 2 on wrong use
        return int(end.code or 0)
    except UsageError as error:
        print(f"leeswatch: {error}", file=sys.stderr)
        return 2
    except LeeswatchError as error:
        print(f"leeswatch: {error}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has seen enough.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


if __name__ == "__main__":
    sys.exit(main())
