"""Numbers, temperatures and pairs as typed."""

from __future__ import annotations

import argparse
import math
import re
from typing import Any, Protocol


class Takes(Protocol):
    """A parser, or a group of options of which one is given."""

    def add_argument(self, *names: str, **settings: Any) -> Any:
        """Add one option."""
        ...


def number(text: str) -> float:
    """A finite number."""
    try:
        value = float(text)
    except ValueError:
        hint = f"; write {text.replace(',', '.')}" if re.fullmatch(r"-?\d+,\d+", text) else ""
        raise argparse.ArgumentTypeError(f"'{text}' is not a number{hint}") from None
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"'{text}' is not a finite number")
    return value


def whole(text: str) -> int:
    """A whole number."""
    value = number(text)
    if value != int(value):
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number")
    return int(value)


def celsius(text: str) -> float:
    """A temperature: °C, or °F with an F behind it."""
    match = re.fullmatch(r"(.*?)\s*°?\s*([CcFf])", text.strip())
    if match is None:
        return number(text)
    value = number(match[1])
    return (value - 32.0) / 1.8 if match[2] in "Ff" else value


def pair(text: str) -> tuple[str, float]:
    """`name=number`."""
    name, separator, value = text.partition("=")
    if not separator or not name.strip():
        raise argparse.ArgumentTypeError(f"'{text}' is not of the form name=number")
    return name.strip(), number(value)


def point(text: str) -> tuple[float, float]:
    """`reading=value`."""
    name, value = pair(text)
    return number(name), value


def at(parser: Takes, name: str, text: str, *, default: float | None = None, required: bool = False) -> None:
    """A temperature option."""
    told = f"{text}, °C (or °F, written 60F)"
    parser.add_argument(name, type=celsius, default=default, required=required, metavar="T", help=_help(told, default))


def value(
    parser: Takes,
    name: str,
    text: str,
    metavar: str = "X",
    *,
    default: float | None = None,
    required: bool = False,
) -> None:
    """A number option."""
    parser.add_argument(
        name, type=number, default=default, required=required, metavar=metavar, help=_help(text, default)
    )


def _help(text: str, default: float | None) -> str:
    """Argparse takes a per cent sign for its own."""
    return (text if default is None else f"{text} (default {default:g})").replace("%", "%%")
