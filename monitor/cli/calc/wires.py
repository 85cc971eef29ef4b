"""Thermometers on a wire: platinum, thermistor, one-wire."""

from __future__ import annotations

import argparse
from typing import cast

from monitor.cli.calc.answer import Answer, Kind, Row, written
from monitor.cli.calc.options import at, number, point, value
from monitor.model.errors import UsageError
from monitor.science import onewire, resistance


def _one_of(args: argparse.Namespace) -> None:
    if (args.ohm is None) == (args.celsius is None):
        raise UsageError("give either --ohm or --celsius", "the other is the answer")


# --- pt100 -------------------------------------------------------------------------------------------------------


def _pt100_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--ohm", "its resistance, ohm", "R")
    at(parser, "--celsius", "its temperature, -200 to 850")
    value(parser, "--r0", "its resistance at 0 °C, ohm (1000 for a Pt1000)", "R", default=100.0)
    parser.add_argument("--class", dest="grade", choices=("AA", "A", "B", "C"), default="B", help="its class (B)")


def _pt100(args: argparse.Namespace) -> Answer:
    _one_of(args)
    t = args.celsius if args.ohm is None else resistance.platinum_celsius(args.ohm, args.r0)
    ohm = args.ohm if args.celsius is None else resistance.platinum_ohm(args.celsius, args.r0)
    rows = [Row("celsius", "temperature", t, "°C", ".2f"), Row("ohm", "resistance", ohm, "ohm", ".3f")]
    if -50.0 <= t <= 250.0:
        off = resistance.platinum_tolerance(t, args.grade)
        rows[0] = Row("celsius", "temperature", t, "°C", ".2f", (t - off, t + off))
    return Answer(
        f"{written(t, '.2f')} °C, {ohm:.3f} ohm.",
        rows,
        notes=[
            f"The range is what class {args.grade} allows. Two wires add their own resistance: 0.39 ohm read 1 K too "
            "warm (for a Pt100); three or four wires do not.",
        ],
    )


# --- thermistor --------------------------------------------------------------------------------------------------


def _thermistor_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--ohm", "its resistance, ohm", "R")
    at(parser, "--celsius", "its temperature, -55 to 150")
    parser.add_argument(
        "--coefficients", type=number, nargs=3, metavar=("A", "B", "C"),
        help="Steinhart–Hart coefficients (default: a common one of 10 kohm at 25 °C)",
    )  # fmt: skip
    parser.add_argument(
        "--point", type=point, action="append", metavar="T=OHM", help="three measured points instead: 25=10000"
    )
    value(parser, "--beta", "its beta instead, kelvin (2000 to 6000)", "B")
    value(parser, "--ohm-25", "its resistance at 25 °C, ohm, with --beta", "R", default=10_000.0)


def _thermistor(args: argparse.Namespace) -> Answer:
    _one_of(args)
    if args.beta is not None:
        told = "By beta: 0.3 to 0.7 K off between 0 and 50 °C, more beyond."
        t, ohm = args.celsius, args.ohm
        t = resistance.beta_celsius(ohm, args.ohm_25, args.beta) if t is None else t
        ohm = resistance.beta_ohm(t, args.ohm_25, args.beta) if ohm is None else ohm
        extra = {}
    else:
        coefficients = _coefficients(args)
        told = "By three coefficients: within 0.01 K of their own table; the part itself is often ±0.2 K or more."
        t = args.celsius if args.ohm is None else resistance.thermistor_celsius(args.ohm, coefficients)
        ohm = args.ohm if args.celsius is None else resistance.thermistor_ohm(args.celsius, coefficients)
        extra = {"coefficients": list(coefficients)}
    return Answer(
        f"{written(t, '.2f')} °C, {ohm:.1f} ohm.",
        [Row("celsius", "temperature", t, "°C", ".2f"), Row("ohm", "resistance", ohm, "ohm", ".1f")],
        notes=[told],
        extra=extra,
    )


def _coefficients(args: argparse.Namespace) -> resistance.Coefficients:
    if args.point:
        return resistance.thermistor_coefficients(args.point)
    if args.coefficients:
        return cast("resistance.Coefficients", tuple(args.coefficients))
    return resistance.COMMON_10K


# --- onewire -----------------------------------------------------------------------------------------------------


def _onewire_options(parser: argparse.ArgumentParser) -> None:
    given = parser.add_mutually_exclusive_group(required=True)
    given.add_argument("--scratchpad", type=_hex, metavar="HEX", help='all nine bytes: "50 05 4b 46 7f ff 0c 10 1c"')
    given.add_argument("--register", type=_hex, metavar="HEX", help="the 16-bit register, high byte first: 0191")
    given.add_argument("--crc", type=_hex, metavar="HEX", help="bytes whose check byte is wanted")


def _hex(text: str) -> bytes:
    try:
        return bytes.fromhex(text.removeprefix("0x"))
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not pairs of hexadecimal digits") from None


def _onewire(args: argparse.Namespace) -> Answer:
    if args.crc is not None:
        byte = onewire.crc8(args.crc)
        told = "0: the bytes end in their own right check byte." if byte == 0 else f"Check byte {byte:02x}."
        return Answer(told, [Row("crc", "check byte", f"{byte:02x}")])
    if args.register is not None and len(args.register) != 2:
        raise ValueError(f"the register must have 2 bytes; it has {len(args.register)}")
    t = (
        onewire.scratchpad_temperature(args.scratchpad)
        if args.register is None
        else onewire.temperature(int.from_bytes(args.register, "big"))
    )
    power_on = t == onewire.POWER_ON_C
    return Answer(
        f"{t:.4f} °C.",
        [Row("celsius", "temperature", t, "°C", ".4f")],
        cautions=["85.0000 is what it holds before its first conversion: on its own it is no reading."]
        if power_on
        else [],
        notes=["The check byte is right."] if args.register is None else ["A register alone has no check byte."],
    )


KINDS = (
    Kind(
        "pt100",
        "A platinum thermometer: ohms to °C and back.",
        "--ohm 107.79",
        "19.99 °C, 107.790 ohm.",
        ("resistance.platinum_celsius", "resistance.platinum_ohm", "resistance.platinum_tolerance"),
        _pt100_options,
        _pt100,
    ),
    Kind(
        "thermistor",
        "A thermistor: ohms to °C and back.",
        "--ohm 32650.9",
        "0.00 °C, 32650.9 ohm.",
        (
            "resistance.thermistor_celsius",
            "resistance.thermistor_ohm",
            "resistance.thermistor_coefficients",
            "resistance.beta_celsius",
            "resistance.beta_ohm",
        ),
        _thermistor_options,
        _thermistor,
    ),
    Kind(
        "onewire",
        "A one-wire thermometer's bytes: temperature and check byte.",
        '--scratchpad "91 01 4b 46 7f ff 0c 10 70"',
        "25.0625 °C.",
        ("onewire.scratchpad_temperature", "onewire.temperature", "onewire.crc8"),
        _onewire_options,
        _onewire,
    ),
)
