"""The parser's own manners, and the options that several commands share."""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Callable
from functools import partial
from typing import Any, NoReturn

from durability.record.errors import complain, one_line

# Each of its words would be looked up in folders of translations, of which it has none.
argparse._ = lambda words: words  # type: ignore[attr-defined]

REPLACED = {
    "--decimal-comma": "--decimal comma",
    "--function": "--check-list FILE, one function a line",
    "--scatter-within-pct": "--scatter-pct",
}
"""Options of the last release and what is written today; each is refused for one release."""


_NEGATIVE = re.compile(r"-[.,]?\d")
_FEW = 12
"""Commands of a group, or choices, that are all named where one was mistyped."""


def _nearest(word: str, known: list[str]) -> str:
    """The known word that was probably meant."""
    from difflib import get_close_matches

    near = get_close_matches(word, known, n=1)
    return f"; nearest: {near[0]}" if near else ""


class _Formatter(argparse.HelpFormatter):
    """Wraps a paragraph and leaves lines that are set by hand, the examples, as they are."""

    def __init__(self, prog: str, **options: Any) -> None:
        # argparse would load shutil for the width.
        columns = os.environ.get("COLUMNS", "")
        if not columns.isdecimal() or not int(columns):
            try:
                columns = str(os.get_terminal_size(1).columns or 80)
            except OSError:
                columns = "80"
        super().__init__(prog, **{"width": int(columns) - 2, **options})

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        if "\n" in text:
            return "\n".join(indent + line for line in text.splitlines())
        return super()._fill_text(text, width, indent)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: not a number") from None


def _whole(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: not a whole number") from None


class Parser(argparse.ArgumentParser):
    """A parser whose errors are one line and whose help ends with examples."""

    def __init__(self, **options: Any) -> None:
        super().__init__(formatter_class=_Formatter, **options)
        self.register("type", int, _whole)
        self.register("type", float, _number)
        # By itself argparse takes "-5C" for an option.
        self._negative_number_matcher = _NEGATIVE

    def error(self, message: str) -> NoReturn:
        """Say what is wrong in one line."""
        complain(f"{self.prog}: {one_line(message)} (see {self.prog} --help)")
        raise SystemExit(2)

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As ever, but a word too many is refused by the command that it was given to."""
        found, unknown = super().parse_known_args(args, namespace)
        if unknown and "handler" in self._defaults:
            self.error(self._unknown(unknown))
        return found, unknown

    def _unknown(self, words: list[str]) -> str:
        """What is said of words that it doesn't take."""
        for word in (word.partition("=")[0] for word in words):
            if word in REPLACED:
                return f"{word}: no longer an option; write {REPLACED[word]}"
            if word.startswith("-"):
                known = [name for name in self._option_string_actions if name.startswith("--")]
                known.remove("--help")
                return f"{word}: no such option" + _nearest(word, known)
        return f"{words[0]}: one word too many"

    def _get_values(self, action: argparse.Action, arg_strings: list[str]) -> Any:
        """As ever, but a lone "--" given as a value by "=" is no empty list."""
        values = super()._get_values(action, arg_strings)
        if action.option_strings and action.nargs is None and values == []:
            raise argparse.ArgumentError(action, "expected one argument")
        return values

    def _check_value(self, action: argparse.Action, value: Any) -> None:
        """Of a mistyped command or choice, name the nearest; else all."""
        if action.choices is None or value in action.choices:
            return
        choices = [str(choice) for choice in action.choices]
        what = "command" if isinstance(action, argparse._SubParsersAction) else "choice"
        near = _nearest(str(value), choices)
        if len(choices) <= _FEW:
            near += f"; there are {', '.join(choices)}"
        raise argparse.ArgumentError(
            None if what == "command" else action, f"{value!r}: no such {what}{near}"
        )

    def examples(self, *calls: str) -> None:
        """End the help with these calls, written without the program's name."""
        self.epilog = "Examples:\n" + "\n".join(f"  durability {call}" for call in calls)

    def reads(self, handler: str, *calls: str) -> None:
        """Make it a command that reads the store; ``handler`` is "module:name" within ``cli``."""
        shown_units(self._does(handler, calls))

    def writes(self, handler: str, *calls: str) -> None:
        """Make it a command that writes to the store."""
        self._does(handler, calls).add_argument(
            "--by",
            dest="person",
            metavar="NAME",
            help="who enters this; else $DURABILITY_PERSON, your settings, the login name",
        )

    def _does(self, handler: str, calls: tuple[str, ...]) -> argparse._ArgumentGroup:
        self.set_defaults(handler=handler)
        self.examples(*calls)
        shared = self.add_argument_group("store and output")
        shared.add_argument(
            "--store",
            metavar="PATH",
            help="the store; else $DURABILITY_STORE, your settings, durability.duckdb here",
        )
        json_option(shared)
        return shared

    def family(self, *calls: str) -> Family:
        """Make it a family of commands."""
        self.examples(*calls)
        return Family(self.commands())

    def commands(self) -> argparse._SubParsersAction[Parser]:
        """Take a command; alone it shows what there is."""
        self.set_defaults(group=self)
        return self.add_subparsers(title="commands", metavar="COMMAND")


class Family:
    """The commands under one word."""

    def __init__(self, group: argparse._SubParsersAction[Parser]) -> None:
        self._group = group

    def reads(self, name: str, help_: str, handler: str, *calls: str) -> Parser:
        """Add a command that reads the store."""
        made = self._group.add_parser(name, help=help_, description=help_)
        made.reads(handler, *calls)
        return made

    def writes(self, name: str, help_: str, handler: str, *calls: str) -> Parser:
        """Add a command that writes to the store."""
        made = self._group.add_parser(name, help=help_, description=help_)
        made.writes(handler, *calls)
        return made


def json_option(made: Any) -> None:
    """Take ``--json``."""
    made.add_argument("--json", action="store_true", help="one JSON object on standard output")


def shown_units(made: Any) -> None:
    """Take the units in which quantities are shown."""
    from durability.record import units

    made.add_argument(
        "--units",
        dest="shown_in",
        choices=units.SYSTEMS,
        help="units of heights, velocities, temperatures and masses as shown (default si); g stays"
        " g, JSON, CSV and the store stay SI",
    )


def as_of(made: Any) -> None:
    """Take the instant as of which the record is read."""
    made.add_argument(
        "--as-of",
        metavar="DATE",
        help="what the record said then: only what was entered by the end of this date, or by an"
        " instant with its offset",
    )


def specimen_code(made: Any, name: str, help_: str, **more: Any) -> None:
    """Take a code that names a specimen, maybe by a second code that the same thing has."""
    made.add_argument(name, help=help_, **more)
    made.set_defaults(specimen_codes=(*(made.get_default("specimen_codes") or ()), name))


def amendment(made: Any) -> None:
    """Take what is corrected and why."""
    made.add_argument(
        "--set",
        dest="changes",
        action="append",
        required=True,
        metavar="COLUMN=VALUE",
        help="the column and its right value, blank for not recorded; repeatable",
    )
    made.add_argument("--reason", required=True, metavar="WHY", help="why it is corrected")


def despite_quarantine(made: Any) -> None:
    """Take the reason for recording a drop of a device in quarantine."""
    made.add_argument(
        "--despite-quarantine",
        metavar="WHY",
        help="record a drop that was made while the device was in quarantine, and how it came to"
        " be made: it counts as a shock of the device",
    )


def despite_failed(made: Any) -> None:
    """Take the reason for using a case that has failed, or what is not in use."""
    made.add_argument(
        "--despite-failed",
        metavar="WHY",
        help="use a failed case (the device is bare in effect), or a case or device that is not in"
        " use, anyway, and why",
    )


def filters(made: Any) -> None:
    """Take the series, case models and conditions that are answered for."""
    made.add_argument(
        "names",
        nargs="*",
        metavar="NAME",
        help="series, case or case model, where the name fits only one of these",
    )
    named(made)
    under(made)


def named(made: Any) -> None:
    """Take series and case models."""
    made.add_argument("--series", action="append", metavar="S", help="only this; repeatable")
    made.add_argument(
        "--case-model", action="append", metavar="M", help="only this model; repeatable"
    )


def under(made: Any) -> None:
    """Take the conditions that are answered for."""
    group = made.add_argument_group('conditions answered for (repeatable; "" for not recorded)')
    for name, kind, help_ in (
        ("drop-height-mm", _height, "only this drop height, mm or like 48in"),
        ("surface", _recorded, "only this surface"),
        ("orientation", _recorded, "only this orientation: face 3, edge 1-2, corner 1-2-5 …"),
        ("device-kind", _recorded, "only device, or only dummy"),
    ):
        group.add_argument(
            f"--{name}", action="append", type=kind, metavar=name[0].upper(), help=help_
        )


def _recorded(text: str) -> str | None:
    return text.strip() or None


def _height(text: str) -> float | None:
    return length(text) if text.strip() else None


def _typed(read: Callable[[str], float], right: str) -> Callable[[str], float]:
    """What reads the text of an option, as its type."""

    def typed(text: str) -> float:
        try:
            return read(text)
        except ValueError as fault:
            raise argparse.ArgumentTypeError(f"{text!r}: {str(fault) or right}") from None

    return typed


def _taken(name: str) -> Callable[[str], float]:
    """What takes a quantity, a name of ``record.units``, with or without its unit."""

    def typed(text: str) -> float:
        from durability.record import units

        quantity: units.Quantity = getattr(units, name)
        unit = f", in {quantity.unit} or with its unit" if quantity.unit else ""
        read = partial(units.read, quantity=quantity)
        return _typed(read, f"not a number{unit}, like {quantity.like}")(text)

    return typed


def _read_plain(text: str) -> float:
    from durability.record import units

    return units.read(text, None)


def _read_rise(text: str) -> float:
    from durability.record import units

    return units.read_rise(text)


length, acceleration = _taken("LENGTH"), _taken("ACCELERATION")
rest_time, frequency = _taken("REST_TIME"), _taken("FREQUENCY")
sensitivity = _taken("SENSITIVITY")
plain_number = _typed(_read_plain, "not a number, like 10")
percentage, share = _taken("PERCENTAGE"), _taken("SHARE")
rise = _typed(_read_rise, "not a fraction, like 0.5, or 50%")


def pool(made: Any) -> None:
    """Take the wish to pool conditions."""
    made.add_argument(
        "--pool",
        action="store_true",
        help="one model of all conditions, condition as a factor; else each separately",
    )


def after_drops(made: Any) -> None:
    """Take the state of wear at which two sides are compared."""
    made.add_argument(
        "--after-drops",
        type=int,
        metavar="N",
        help="as worn at the Nth drop of each case; else the mean over the drops both sides made",
    )


def why(made: Any) -> None:
    """Take the wish to see what an answer rests on."""
    made.add_argument("--why", action="store_true", help="the reasons too: the whole answer")


def quiet(made: Any) -> None:
    """Take the wish to see no progress."""
    made.add_argument(
        "-q", "--quiet", action="store_true", help="show no progress; none is shown in a pipe"
    )


def level(made: Any) -> None:
    """Take the probability of the interval."""
    made.add_argument(
        "--level",
        type=share,
        metavar="P",
        help="of the interval, like 0.8 or 80%% (default 0.9)",
    )


def limits(made: Any) -> None:
    """Take level, limit and horizon of a forecast."""
    level(made)
    limit(made)
    horizon(made)


def horizon(made: Any) -> None:
    """Take the last drop number of a prediction."""
    made.add_argument(
        "--horizon",
        type=int,
        default=400,
        metavar="N",
        help="last drop number considered (default 400)",
    )


def limit(made: Any) -> None:
    """Take the level at which a case no longer protects."""
    either = made.add_mutually_exclusive_group()
    either.add_argument(
        "--limit-g",
        type=acceleration,
        metavar="G",
        help="level at which the case no longer protects, g",
    )
    either.add_argument(
        "--limit-rise",
        type=rise,
        metavar="R",
        help="the same as a fraction above the level of the fresh case, like 0.5 or 50%%"
        " (default 0.5)",
    )


def rig_corrected(made: Any) -> None:
    """Take whether the rig's drift is divided out."""
    made.add_argument(
        "--rig-corrected",
        action="store_true",
        help="divide out the rig's drift as the reference drops show it, with its uncertainty",
    )


def false_discovery(made: Any, does: str) -> None:
    """Take the share of false ones among the series that are called."""
    made.add_argument(
        "--false-discovery",
        type=share,
        metavar="RATE",
        help=f"{does} discovery rate, like 0.1 or 10%%",
    )


def backtest(made: Any) -> None:
    """Take whether past forecasts are checked against what happened."""
    made.add_argument(
        "--backtest",
        action="store_true",
        help="check past forecasts, as of 30, 50, 70 and 90 %% of each life, against what happened"
        " (four forecasts a series: takes a while)",
    )


def recorder_file(made: Any) -> None:
    """Take a recorder by name, and what its files, its sensor or the pulse leave open."""
    made.add_argument(
        "--recorder",
        metavar="NAME",
        help="read as recorder add describes it; other options given here go first",
    )
    described_file(made)


def described_file(made: Any) -> None:
    """Take what a recorder's file, its sensor or its pulse leaves open."""
    made.add_argument(
        "--channel",
        metavar="NAME",
        help="channel to read, by name or column number, where several could be meant",
    )
    made.add_argument(
        "--cross-channel",
        dest="cross_channels",
        action="append",
        default=[],
        metavar="NAME[=K]",
        help="a channel across the axis of the impact, with its own mV/g if in volts; repeatable",
    )
    made.add_argument(
        "--units", choices=("g", "m/s2", "V", "mV"), help="unit of the channel's values"
    )
    made.add_argument(
        "--mv-per-g", type=sensitivity, metavar="K", help="sensitivity, instead of the sensor's"
    )
    made.add_argument(
        "--gain",
        type=plain_number,
        metavar="K",
        help="the volts were multiplied by K: divide it out",
    )
    made.add_argument(
        "--full-scale-g", type=acceleration, metavar="G", help="full scale, instead of the sensor's"
    )
    made.add_argument(
        "--sample-rate-hz", type=frequency, metavar="HZ", help="instead of the file's"
    )
    made.add_argument(
        "--time-unit", choices=("s", "ms", "us", "ns"), help="unit of the time column"
    )
    made.add_argument(
        "--delimiter",
        choices=("comma", "semicolon", "tab", "blanks"),
        help="what separates the columns",
    )
    made.add_argument("--decimal", choices=("point", "comma"), help="decimal mark of the numbers")
    made.add_argument(
        "--encoding", metavar="NAME", help="encoding of the text, like utf-16 or cp1252"
    )
    made.add_argument(
        "--first-line", type=int, metavar="N", help="line on which the data begin, from 1"
    )
    low_pass(made)


def low_pass(made: Any) -> None:
    """Take the low-pass filter of a pulse."""
    chosen = made.add_mutually_exclusive_group()
    chosen.add_argument(
        "--low-pass-hz",
        type=frequency,
        metavar="F",
        help="cut-off of the zero-phase filter; by default one that leaves the pulse unchanged",
    )
    chosen.add_argument(
        "--channel-class",
        type=float,
        metavar="N",
        help="channel frequency class instead, like 1000",
    )
    made.add_argument(
        "--class-standard",
        choices=("sae", "iso"),
        default="sae",
        help="whose equation the class follows: SAE J211-1 (default) or ISO 6487",
    )


def amplification(made: Any) -> None:
    """Take the amplification of a shock response spectrum."""
    made.add_argument(
        "--q",
        type=float,
        default=10.0,
        metavar="Q",
        help="amplification at resonance (default 10)",
    )
