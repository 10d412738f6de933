"""Every command and option, in words; light, since each start builds it."""

from __future__ import annotations

import argparse
import sys
from typing import Any, NoReturn

from durability.vocabulary import DAMAGE_MODES

_EPILOG = """\
exit status: 0 all well, 1 something was refused or found wrong, 2 the call can't be used.
Relative comparison of cases under one set of conditions; not a promise of life in the field.
"""


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line."""

    def error(self, message: str) -> NoReturn:
        print(f"{self.prog}: {message} (see {self.prog} --help)", file=sys.stderr)
        raise SystemExit(2)


def make_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The command line.

    Parameters
    ----------
    only : str, optional
        First word of the call: the commands of other families are named but not built, which
        halves the start-up time. By default everything is built.

    Returns
    -------
    ArgumentParser
        Its results carry ``handler``, the function that does the work, as "module:name".
    """
    common = _Parser(add_help=False)
    common.add_argument(
        "--store",
        metavar="PATH",
        help="the store; else $DURABILITY_STORE, else durability.duckdb in this folder",
    )
    common.add_argument("--json", action="store_true", help="one JSON object on standard output")
    writer = _Parser(add_help=False, parents=[common])
    writer.add_argument(
        "--by", metavar="NAME", help="who enters this; else $DURABILITY_PERSON, else the login name"
    )
    top = _Parser(
        prog="durability",
        description="The record and the judgement for the durability of protective cases and of"
        " the devices inside them.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    top.add_argument("--version", action=_Version, nargs=0, help="print the version")
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(group: Any, name: str, help_: str, handler: str, parent: _Parser | None) -> Any:
        parents = [parent] if parent else []
        made = group.add_parser(name, help=help_, description=help_, parents=parents)
        made.set_defaults(handler=handler)
        return made

    command(commands, "init", "make the store", "logbook:init", writer)
    for name, help_, fill in _FAMILIES:
        made = commands.add_parser(name, help=help_, description=help_)
        if only in (None, name):
            group = made.add_subparsers(title="commands", metavar="COMMAND", required=True)
            fill(group, command, writer, common)
    _waveforms(commands, command, writer)
    _answers(commands, command, writer, common)
    return top


class _Version(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> NoReturn:
        from durability.version import PROGRAM_VERSION

        print(f"durability {PROGRAM_VERSION}")
        parser.exit()


def _specimens(group: Any, command: Any, writer: Any, common: Any) -> None:
    add = command(group, "add", "add a case, device or dummy", "logbook:add_specimen", writer)
    add.add_argument("code")
    add.add_argument("--kind", required=True, choices=("case", "device", "dummy"))
    add.add_argument("--model")
    add.add_argument("--lot", help="production lot")
    add.add_argument("--mass-g", metavar="GRAMS")
    add.add_argument("--received-on", metavar="DATE")
    add.add_argument("--note")
    listed = command(group, "list", "list specimens", "logbook:list_specimens", common)
    listed.add_argument("--kind", choices=("case", "device", "dummy"))
    show = command(group, "show", "show one specimen", "logbook:show_specimen", common)
    show.add_argument("code")
    retire = command(
        group, "retire", "mark a specimen as no longer in use", "logbook:retire_specimen", writer
    )
    retire.add_argument("code")
    retire.add_argument("--reason", required=True)
    retire.add_argument(
        "--state",
        choices=("retired", "retained", "lost", "sold", "destroyed", "refused"),
        default="retired",
        help="what became of it (default retired); retained: kept back to be tested again; refused:"
        " its owner lets no one look any more",
    )
    retire.add_argument(
        "--retest-on",
        action="append",
        default=[],
        metavar="DATE",
        help="when a retained one is to be tested again; repeatable",
    )
    back = command(
        group,
        "return",
        "take a specimen back into use: a lost one has turned up",
        "logbook:return_specimen",
        writer,
    )
    back.add_argument("code")
    back.add_argument("--reason", required=True, help="how it came back")
    clear = command(
        group,
        "clear",
        "end the quarantine of a device; needs the name of a person",
        "logbook:clear_specimen",
        writer,
    )
    clear.add_argument("code")
    clear.add_argument("--reason", required=True, help="what was found")
    clear.add_argument(
        "--check",
        dest="checks",
        action="append",
        default=[],
        metavar="FUNCTION=OUTCOME",
        help="the look at its battery that this rests on, unless one since then is in the record;"
        " words after a comma are a note; repeatable",
    )
    _amend(command(group, "amend", "mend a specimen's record", "logbook:amend_specimen", writer))


def _sensors(group: Any, command: Any, writer: Any, common: Any) -> None:
    add = command(group, "add", "add a sensor", "logbook:add_sensor", writer)
    add.add_argument("code")
    add.add_argument("--sensitivity-mv-per-g", metavar="MV_PER_G")
    add.add_argument("--full-scale-g", metavar="G")
    add.add_argument("--natural-frequency-hz", metavar="HZ")
    add.add_argument("--calibrated-on", metavar="DATE")
    add.add_argument("--calibration-due", metavar="DATE")
    add.add_argument("--note")
    command(group, "list", "list sensors", "logbook:list_sensors", common)
    made = command(
        group,
        "calibrate",
        "record a calibration, and which drops it puts in doubt",
        "calibration:calibrate",
        writer,
    )
    made.add_argument("code")
    made.add_argument("--calibrated-on", required=True, metavar="DATE")
    made.add_argument("--calibration-due", required=True, metavar="DATE", help="of the next")
    made.add_argument("--as-found-mv-per-g", metavar="K", help="sensitivity before any adjustment")
    made.add_argument(
        "--as-left-mv-per-g", metavar="K", help="after it; without: not adjusted, left as found"
    )
    made.add_argument("--certificate", metavar="NUMBER")
    made.add_argument("--laboratory", metavar="NAME", help="who calibrated")
    made.add_argument(
        "--interval-reason",
        metavar="WHY",
        help="needed when the interval is not that of the calibration before",
    )
    made.add_argument(
        "--drift-tolerance-pct",
        metavar="PCT",
        help="drift that puts the drops since the calibration before in doubt (default 5)",
    )
    made.add_argument("--note")
    made = command(
        group,
        "void",
        "void a calibration entered in error: kept, holds no longer",
        "calibration:void",
        writer,
    )
    made.add_argument("code")
    made.add_argument("calibrated_on", metavar="DATE", help="day of the calibration")
    made.add_argument("--reason", required=True)
    made = command(
        group,
        "show",
        "one sensor: calibrations, drift, changes of interval, drops in doubt",
        "calibration:show",
        common,
    )
    made.add_argument("code")


def _amend(made: Any) -> None:
    made.add_argument("code")
    _amend_options(made)


def _amend_options(made: Any) -> None:
    made.add_argument(
        "--set",
        dest="changes",
        action="append",
        required=True,
        metavar="COLUMN=VALUE",
        help="the column and its right value, blank for not recorded; repeatable",
    )
    made.add_argument("--reason", required=True)


def _series(group: Any, command: Any, writer: Any, common: Any) -> None:
    opened = command(group, "open", "open a drop series", "logbook:open_series", writer)
    opened.add_argument("code")
    opened.add_argument("--device", required=True, metavar="CODE", help="device or dummy dropped")
    opened.add_argument("--case", metavar="CODE", help="the case around it; bare without")
    opened.add_argument(
        "--device-kind", choices=("device", "dummy"), help="of a device new in the record"
    )
    opened.add_argument("--device-model", metavar="M", help="of a device new in the record")
    opened.add_argument("--case-model", metavar="M", help="of a case new in the record")
    opened.add_argument("--drop-height-mm", metavar="MM")
    opened.add_argument("--surface", help="what it lands on, like steel on concrete")
    opened.add_argument("--orientation", help="what strikes first, like corner 2-3-5")
    opened.add_argument("--sensor", metavar="CODE")
    opened.add_argument("--purpose", choices=("test", "reference"), default="test")
    opened.add_argument(
        "--method",
        help="standard, edition and clause followed; a transport shock test stands for no drop: UN"
        " 38.3 T.4 is 150 g for 6 ms, 5.6 m/s, and a fall from 1.22 m with a rebound of 0.3 is 6.4"
        " m/s",
    )
    opened.add_argument("--fixture", help="how it is held and released")
    opened.add_argument("--conditioning", help="atmosphere and time before the drops")
    opened.add_argument("--note")
    close = command(group, "close", "close a series to drops", "logbook:close_series", writer)
    close.add_argument("code")
    close.add_argument("--reason", required=True)
    _filters(command(group, "list", "list series", "logbook:list_series", common))
    show = command(group, "show", "show one series and its drops", "logbook:show_series", common)
    show.add_argument("code")
    _amend(command(group, "amend", "mend a series' conditions", "logbook:amend_series", writer))


def _drops(group: Any, command: Any, writer: Any, common: Any) -> None:
    add = command(group, "add", "store the next drop of a series", "logbook:add_drop", writer)
    add.add_argument("series")
    add.add_argument("--peak-g", metavar="G")
    add.add_argument("--pulse-duration-ms", metavar="MS")
    add.add_argument("--velocity-change-m-s", metavar="M_S")
    add.add_argument("--achieved-height-mm", metavar="MM", help="height measured at this drop")
    add.add_argument("--temperature-c", metavar="C")
    add.add_argument("--dropped-at", metavar="TIME", help="ISO 8601; else now")
    add.add_argument("--damage-severity", metavar="N", help="0 to 4, seen on the case")
    add.add_argument("--damage-mode", metavar="WORD", help="as --mode of damage add")
    add.add_argument("--damage-location", metavar="WHERE")
    add.add_argument("--damage-note", metavar="WORDS")
    add.add_argument("--note", metavar="WORDS")
    add.add_argument(
        "--void-reason", metavar="WHY", help="store it void: it happened, but does not count"
    )
    _despite_quarantine(add)
    for name, help_ in (
        ("void", "void a drop: kept and shown, left out of estimates"),
        ("restore", "make a voided drop count again"),
    ):
        made = command(group, name, help_, f"logbook:{name}_drop", writer)
        made.add_argument("series")
        made.add_argument("drop_number", type=int)
        made.add_argument("--reason", required=True)
    amend = command(
        group, "amend", "mend a drop; the first value stays", "logbook:amend_drop", writer
    )
    amend.add_argument("series")
    amend.add_argument("drop_number", type=int)
    _amend_options(amend)
    listed = command(group, "list", "list drops, voided ones too", "logbook:list_drops", common)
    listed.add_argument("--series", action="append", metavar="S", help="repeatable")


def _despite_quarantine(made: Any) -> None:
    made.add_argument(
        "--despite-quarantine",
        metavar="WHY",
        help="record what was dropped while its device was in quarantine, and how that came: it"
        " lived through it",
    )


def _damage(group: Any, command: Any, writer: Any, _: Any) -> None:
    add = command(
        group, "add", "note damage, by default after the latest drop", "logbook:add_damage", writer
    )
    add.add_argument("specimen")
    add.add_argument(
        "--severity",
        required=True,
        metavar="N",
        help="0 none, 1 cosmetic, 2 minor, 3 major, 4 failed",
    )
    add.add_argument("--mode", metavar="WORD", help=", ".join(DAMAGE_MODES))
    add.add_argument("--location", metavar="WHERE")
    add.add_argument("--note", metavar="WORDS")
    add.add_argument(
        "--photo",
        dest="photos",
        action="append",
        default=[],
        metavar="FILE",
        help="a picture of it; its name and SHA-256 are kept, not the picture; repeatable",
    )
    add.add_argument("--inspector", metavar="NAME", help="who looked; else who enters it")
    add.add_argument("--series", metavar="S")
    add.add_argument("--drop", type=int, metavar="NUMBER", dest="drop_number")


def _imports(group: Any, command: Any, writer: Any, _: Any) -> None:
    for kind, columns in (
        ("drops", "series, drop_number, peak_g and more"),
        ("damage", "specimen, severity; series, drop_number, mode, location, note, inspector"),
        (
            "inspections",
            "device, inspected_at, function, outcome; measured, unit, note, inspector, blind,"
            " check_list",
        ),
        ("specimens", "code, kind; model, lot, mass_g, received_on, note"),
    ):
        made = command(group, kind, f"take {kind}: {columns}", "imports:import_files", writer)
        made.set_defaults(kind=kind)
        made.add_argument("files", nargs="+", metavar="FILE")
        made.add_argument(
            "--keep-good",
            action="store_true",
            help="store the good rows; the others land in a rejects CSV beside the file",
        )
        made.add_argument(
            "--map",
            dest="rename",
            action="append",
            default=[],
            metavar="NAME=COLUMN",
            help="read the sheet's NAME as COLUMN; NAME= leaves it out; repeatable",
        )
        made.add_argument(
            "--set",
            dest="constants",
            action="append",
            default=[],
            metavar="COLUMN=VALUE",
            help="a value that every row gets; repeatable",
        )
        made.add_argument(
            "--ignore-other-columns",
            action="store_true",
            help="leave out every column that is neither known nor mapped",
        )
        made.add_argument(
            "--skip-where-blank",
            metavar="NAME",
            help="rows in which this column of the sheet is blank are no records",
        )
        made.add_argument("--decimal-comma", action="store_true", help="numbers are written 118,4")
        _quiet(made)
        if kind == "drops":
            made.add_argument(
                "--number-drops",
                action="store_true",
                help="number the drops of each series 1, 2, 3 … in the order of the rows",
            )
            made.add_argument(
                "--void-blank-peaks",
                metavar="REASON",
                help="rows without a peak come in void with this reason",
            )
            made.add_argument(
                "--allow-gaps", action="store_true", help="take drop numbers with holes"
            )
            _despite_quarantine(made)
            made.add_argument(
                "--split-conditions",
                action="store_true",
                help="make each change of height, surface, orientation, device or case within a"
                " series a series of its own",
            )
    _waveform_import(group, command, writer)
    whole = command(
        group,
        "record",
        "make a new store from an exported record, every row as it was",
        "archive:import_record",
        writer,
    )
    whole.add_argument("folder", help="what export wrote; --store names the store to make")
    _quiet(whole)


def _waveform_import(group: Any, command: Any, writer: Any) -> None:
    made = command(
        group,
        "waveforms",
        "take recorders' files as the next drops of a series: one file, one drop",
        "waveforms:import_waveforms",
        writer,
    )
    made.add_argument(
        "files",
        nargs="+",
        metavar="FILE",
        help="in the order of the drops; a folder stands for its files by number in their names",
    )
    made.add_argument("--series", metavar="S", help="an open series; its sensor scales the record")
    _record_options(made)
    made.add_argument(
        "--date-by-file-time",
        action="store_true",
        help="date a drop by its file's last change when the file itself tells no date",
    )
    made.add_argument(
        "--keep-good",
        action="store_true",
        help="store the readable files; the others land in a rejects file",
    )
    _despite_quarantine(made)
    made.add_argument(
        "--explain",
        action="store_true",
        help="show what was worked out of each file and store nothing",
    )
    _quiet(made)


def _record_options(made: Any) -> None:
    """What a file, a sensor or a pulse tells by itself, when it has to be told otherwise."""
    made.add_argument(
        "--channel", metavar="NAME", help="when more than one could be meant; or its column number"
    )
    made.add_argument(
        "--cross-channel",
        dest="cross_channels",
        action="append",
        default=[],
        metavar="NAME[=K]",
        help="a channel across the axis of the impact, with its own mV/g in volts; repeatable",
    )
    made.add_argument("--units", choices=("g", "m/s2", "V", "mV"), help="of the channel's values")
    made.add_argument(
        "--mv-per-g", type=float, metavar="K", help="sensitivity, instead of the sensor's"
    )
    made.add_argument(
        "--full-scale-g", type=float, metavar="G", help="range, instead of the sensor's"
    )
    made.add_argument("--sample-rate-hz", type=float, metavar="HZ", help="instead of the file's")
    made.add_argument("--time-unit", choices=("s", "ms", "us", "ns"), help="of the time column")
    made.add_argument("--delimiter", choices=("comma", "semicolon", "tab", "blanks"))
    made.add_argument("--decimal", choices=("point", "comma"), help="decimal mark")
    made.add_argument("--encoding", metavar="NAME", help="of the text, like utf-16 or cp1252")
    made.add_argument(
        "--first-line", type=int, metavar="N", help="line on which the data begin, from 1"
    )
    _filter_options(made)


def _filter_options(made: Any) -> None:
    chosen = made.add_mutually_exclusive_group()
    chosen.add_argument(
        "--low-pass-hz",
        type=float,
        metavar="F",
        help="cut-off of the zero-phase filter; by default one that leaves the pulse alone",
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


def _waveforms(commands: Any, command: Any, writer: Any) -> None:
    again = command(
        commands,
        "remeasure",
        "measure kept waveforms again through another filter; the former measures stay",
        "waveforms:remeasure",
        writer,
    )
    again.add_argument("--series", action="append", metavar="S", help="only this; repeatable")
    _filter_options(again)
    again.add_argument(
        "--dry-run", action="store_true", help="show what would change, store nothing"
    )
    _quiet(again)
    watch = command(
        commands,
        "watch",
        "take each finished file of a folder as the next drop, until Ctrl-C",
        "waveforms:watch",
        writer,
    )
    watch.add_argument("folder", help="where the recorder writes")
    watch.add_argument("--series", required=True, metavar="S", help="an open series")
    _record_options(watch)


def _shows(group: Any, command: Any, _: Any, common: Any) -> None:
    drop = command(group, "drop", "every input of one drop", "waveforms:show_drop", common)
    pulse = command(
        group,
        "pulse",
        "trace and measures of a drop; of several on one time axis",
        "waveforms:show_pulse",
        common,
    )
    spectrum = command(
        group,
        "spectrum",
        "shock response spectrum of a drop: maximax, 12 frequencies an octave",
        "waveforms:show_spectrum",
        common,
    )
    for made in (drop, pulse, spectrum):
        made.add_argument("series")
    for made in (drop, spectrum):
        made.add_argument("drop_number", type=int)
    pulse.add_argument("drop_numbers", type=int, nargs="+", metavar="DROP")
    for made in (pulse, spectrum):
        made.add_argument("--png", metavar="FILE", help="draw it properly")
    spectrum.add_argument(
        "--q", type=float, default=10.0, help="amplification at resonance (default 10)"
    )


def _inspections(group: Any, command: Any, writer: Any, common: Any) -> None:
    schedule = command(
        group, "schedule", "show, make or assign a follow-up plan", "follow_up:schedule", writer
    )
    schedule.add_argument("plan", nargs="?", help="name of the plan; without it: list the plans")
    schedule.add_argument("--device", metavar="CODE", help="this device follows the plan")
    schedule.add_argument(
        "--device-model", metavar="M", help="every device of this model follows the plan"
    )
    schedule.add_argument(
        "--stage",
        action="append",
        default=[],
        metavar="NAME=DAYS",
        help="makes a new plan: a stage so many days after the anchor; repeatable",
    )
    schedule.add_argument(
        "--check-list",
        metavar="LIST",
        help="what is checked: a ready list by name, or a file of your own; for a plan that is"
        " there, its new version from now on",
    )
    schedule.add_argument(
        "--function",
        action="append",
        default=[],
        metavar="F",
        help="to be checked, instead of a list; repeatable",
    )
    schedule.add_argument(
        "--anchor", choices=("last drop", "first drop", "received"), default="last drop"
    )
    listing = command(
        group,
        "check-list",
        "list the check lists and their versions; print one, or write it out to be edited",
        "follow_up:check_list",
        common,
    )
    listing.add_argument("name", nargs="?", help="name of a list, or the beginning of its version")
    listing.add_argument("-o", "--output", metavar="FILE", help="write it there")
    declare = command(
        group,
        "declare",
        "declare, before the first follow-up look, which shock dose is held against failures",
        "follow_up:declare",
        writer,
    )
    declare.add_argument(
        "exponent", metavar="EXPONENT", help="b of the dose, a number; or: averaged, over its range"
    )
    declare.add_argument(
        "--without-reading",
        choices=("likely", "no shock", "largest"),
        default="likely",
        help="what a drop without a trusted reading counts as: the middle of its like (default),"
        " no shock, or the largest of its like",
    )
    declare.add_argument("--reason", required=True)
    record = command(
        group,
        "record",
        "record one inspection; broken off, the same command goes on with it",
        "follow_up:record",
        writer,
    )
    record.add_argument("device")
    record.add_argument(
        "--check",
        dest="checks",
        action="append",
        metavar="FUNCTION=OUTCOME",
        help="outcome: pass, degraded, fail or not_tested; words after a comma are a note;"
        " repeatable; without any, the functions of its plan are asked one by one, one key or"
        " line each",
    )
    record.add_argument(
        "--blind",
        action="store_true",
        help="keep the device's shocks and last results from the inspector; stored with the look",
    )
    record.add_argument("--inspected-at", metavar="TIME", help="ISO 8601; else now")
    record.add_argument("--inspector", metavar="NAME", help="who looked; else who enters it")
    amend = command(
        group, "amend", "mend one functional check; the first stays", "follow_up:amend", writer
    )
    amend.add_argument("device")
    amend.add_argument("function")
    amend.add_argument(
        "--inspected-at", required=True, metavar="TIME", help="of the look; its day may do"
    )
    _amend_options(amend)
    listed = command(
        group,
        "list",
        "list inspections; of one device, how its plan was kept too",
        "follow_up:list_inspections",
        common,
    )
    listed.add_argument("device", nargs="?")
    listed.add_argument("--on", metavar="DATE", help="judge the plan on this day; else today")


def _plans(group: Any, command: Any, _: Any, common: Any) -> None:
    def chances(made: Any) -> None:
        made.add_argument("--power", type=float, default=0.8, help="probability (default 0.8)")
        made.add_argument(
            "--alpha", type=float, default=0.05, help="size of the test (default 0.05)"
        )

    rise = command(group, "rise", "how many drops to see a rise", "plans:rise", common)
    rise.add_argument(
        "--rise-pct", type=float, required=True, metavar="X", help="rise to be seen, % per drop"
    )
    chances(rise)
    rise.add_argument(
        "--cases", type=int, action="append", metavar="N", help="plan for so many; repeatable"
    )
    rise.add_argument(
        "--scatter-pct", type=float, metavar="S", help="from drop to drop; else this lab's own"
    )
    rise.add_argument(
        "--rise-sd-pct",
        type=float,
        metavar="S",
        help="how the rise differs between cases, % per drop",
    )
    apart = command(
        group, "tell-apart", "how many cases to tell two models apart", "plans:tell_apart", common
    )
    apart.add_argument(
        "--difference-pct", type=float, required=True, metavar="Y", help="in percent of peak g"
    )
    chances(apart)
    apart.add_argument(
        "--drops", type=int, action="append", metavar="N", help="drops per case; repeatable"
    )
    apart.add_argument(
        "--scatter-within-pct", type=float, metavar="S", help="from drop to drop; else this lab's"
    )
    apart.add_argument(
        "--scatter-between-pct", type=float, metavar="S", help="from case to case; else this lab's"
    )
    survive = command(
        group,
        "survive",
        "how many cases must survive so many drops, and what has been shown",
        "plans:survive",
        common,
    )
    survive.add_argument("--drops", type=int, required=True, metavar="N")
    survive.add_argument("--reliability", type=float, default=0.9, help="(default 0.9)")
    survive.add_argument("--confidence", type=float, default=0.9, help="(default 0.9)")
    survive.add_argument("--failures-allowed", type=int, default=0, metavar="N", help="(default 0)")
    survive.add_argument(
        "--shape", type=float, metavar="B", help="Weibull shape taken as known (Weibayes)"
    )
    survive.add_argument(
        "--drops-each", type=int, metavar="N", help="drops each case will see, with --shape"
    )
    survive.add_argument(
        "--case-model", action="append", metavar="M", help="only this model; repeatable"
    )
    _limit(survive)
    sheet = command(group, "sheet", "a drop sheet in balanced random order", "plans:sheet", common)
    for name, help_ in (
        ("case-model", "every case of this model in use; repeatable"),
        ("case", "this case; repeatable"),
        ("bare", "this device or dummy without a case; repeatable"),
        ("orientation", "face 3, edge 1-2, corner 1-2-5 …; repeatable; else all 26"),
    ):
        sheet.add_argument(
            f"--{name}", action="append", default=[], metavar=name[0].upper(), help=help_
        )
    sheet.add_argument("--seed", type=int, default=1, help="of the random order (default 1)")
    sheet.add_argument(
        "--repeats", type=int, default=1, metavar="N", help="each orientation so often (default 1)"
    )
    sheet.add_argument(
        "--rest-s", type=float, default=0.0, metavar="S", help="least rest of an item (default 0)"
    )
    sheet.add_argument("-o", "--output", metavar="FILE.csv", help="the sheet, for record --plan")
    sheet.add_argument("--page", metavar="FILE.html", help="the sheet as a page to print")


def _filters(made: Any) -> None:
    made.add_argument("--series", action="append", metavar="S", help="only this; repeatable")
    made.add_argument(
        "--case-model", action="append", metavar="M", help="only this model; repeatable"
    )


def _rig_corrected(made: Any) -> None:
    made.add_argument(
        "--rig-corrected",
        action="store_true",
        help="divide out the rig's drift as the reference drops show it, with its uncertainty",
    )


def _quiet(made: Any) -> None:
    made.add_argument(
        "-q", "--quiet", action="store_true", help="show no progress; none is shown in a pipe"
    )


def _limits(made: Any) -> None:
    made.add_argument("--level", type=float, default=0.9, help="of the interval (default 0.9)")
    _limit(made)
    made.add_argument(
        "--horizon", type=int, default=400, metavar="N", help="last drop looked at (default 400)"
    )


def _limit(made: Any) -> None:
    limit = made.add_mutually_exclusive_group()
    limit.add_argument(
        "--limit-g", type=float, metavar="G", help="the level that no longer protects"
    )
    limit.add_argument(
        "--limit-rise",
        type=float,
        default=0.5,
        metavar="R",
        help="the same as a fraction above the level at the first drop (default 0.5)",
    )


def _answers(commands: Any, command: Any, writer: Any, common: Any) -> None:
    trend = command(commands, "trend", "is peak g climbing, and how fast", "answers:trend", common)
    _filters(trend)
    _rig_corrected(trend)
    _quiet(trend)
    forecast = command(
        commands, "forecast", "how many drops until the case fails", "answers:forecast", common
    )
    _filters(forecast)
    _limits(forecast)
    _rig_corrected(forecast)
    _quiet(forecast)
    conditions = command(
        commands,
        "conditions",
        "what if: how peak g goes with temperature and with rest",
        "answers:conditions",
        common,
    )
    _filters(conditions)
    _quiet(conditions)
    rank = command(commands, "rank", "which wear out fastest", "answers:rank", common)
    _filters(rank)
    rank.add_argument("--by", choices=("case_model", "case"), default="case_model")
    _quiet(rank)
    compare = command(
        commands,
        "compare",
        "how many times the peak g of A is that of B",
        "answers:compare",
        common,
    )
    compare.add_argument("a", metavar="A", help="a case model, or bare")
    compare.add_argument("b", metavar="B", help="a case model, or bare")
    _quiet(compare)
    claim = command(
        commands,
        "claim",
        'is "B reduces peak g against A by at least so many percent" shown',
        "claims:claim",
        common,
    )
    claim.add_argument("a", metavar="A", help="a case model, or bare")
    claim.add_argument("b", metavar="B", help="the case model that the claim is for")
    claim.add_argument("--at-least", type=float, required=True, metavar="PCT")
    claim.add_argument(
        "--after-drops", type=int, metavar="N", help="as worn by the Nth drop of each case's life"
    )
    claim.add_argument("--level", type=float, default=0.9, help="of the interval (default 0.9)")
    _quiet(claim)
    rig = command(commands, "rig", "has the rig itself drifted", "rig:rig", common)
    rig.add_argument(
        "--series", action="append", metavar="S", help="only this reference series; repeatable"
    )
    rig.add_argument(
        "--gauge", action="store_true", help="repeatability and reproducibility instead"
    )
    rig.add_argument(
        "--factor",
        action="append",
        choices=("operator", "sensor", "day"),
        help="of the gauge study; repeatable; else each that is recorded throughout",
    )
    rig.add_argument(
        "--part-sd-pct",
        type=float,
        metavar="S",
        help="how specimens differ, with one reference series; else as this lab's cases do",
    )
    due = command(commands, "due", "which inspections are due", "follow_up:due", common)
    due.add_argument("--on", metavar="DATE", help="else today")
    due.add_argument(
        "--within",
        type=int,
        metavar="DAYS",
        help="and those due in so many days (default 0; with --calendar 366)",
    )
    due.add_argument(
        "--calendar", metavar="FILE.ics", help="write them to a calendar file too (iCalendar)"
    )
    due.add_argument(
        "--form",
        metavar="FILE.csv",
        help="write them as a form to be filled in on a tablet, for import inspections",
    )
    latent = command(
        commands, "latent", "do later failures go with the shocks", "answers:latent", common
    )
    latent.add_argument(
        "--devices",
        action="store_true",
        help="each device, those most likely to have failed unseen first",
    )
    latent.add_argument(
        "--on", metavar="DATE", help="day by which unseen failures are asked for; else today"
    )
    _quiet(latent)
    history = command(
        commands, "history", "all that one specimen lived through", "logbook:history", common
    )
    history.add_argument("specimen")
    query = command(
        commands, "query", "ask a saved question; alone: list them", "questions:query", common
    )
    query.add_argument("name", nargs="?")
    query.add_argument(
        "--set", dest="values", action="append", default=[], metavar="NAME=VALUE", help="repeatable"
    )
    query.add_argument(
        "--folder", action="append", default=[], metavar="PATH", help="your own questions too"
    )
    query.add_argument("--sql", metavar="SELECT", help="ask this instead, read-only")
    query.add_argument(
        "--format",
        choices=("table", "csv", "json", "markdown", "parquet"),
        help="by default what FILE ends in, else a table",
    )
    query.add_argument("-o", "--output", metavar="FILE", help="write the answer there")
    _quiet(query)
    export = command(
        commands, "export", "write the whole record as open files", "archive:export", writer
    )
    export.add_argument("folder", help="a new folder, or an empty one")
    export.add_argument("--licence", metavar="WORDS", help="under which others may use the record")
    _quiet(export)
    record = command(
        commands, "record", "keyboard session: one line a drop", "session:record", writer
    )
    record.add_argument("series")
    record.add_argument(
        "--plan", metavar="FILE", help="follow a drop sheet made by: durability plan sheet"
    )
    record.add_argument(
        "--rest-s", type=float, metavar="S", help="least rest between drops; a shorter one is noted"
    )
    _limit(record)
    _record_options(record)
    page = command(
        commands, "report", "write one page that settles an argument", "report:report", writer
    )
    page.add_argument(
        "-o", "--output", required=True, metavar="FILE", help="the page; ends in .html"
    )
    about = page.add_mutually_exclusive_group()
    about.add_argument("--series", action="append", metavar="S", help="only this; repeatable")
    about.add_argument(
        "--case-model", action="append", metavar="M", help="only this model; repeatable"
    )
    about.add_argument("--specimen", metavar="CODE", help="only what this specimen lived through")
    about.add_argument("--plan", metavar="NAME", help="only devices that follow this plan")
    page.add_argument("--on", metavar="DATE", help="what is due on this day; else today")
    page.add_argument(
        "--claim",
        type=float,
        metavar="PCT",
        help="judge whether each case model reduces the peak g of bare drops by at least PCT %%",
    )
    page.add_argument(
        "--reissue-of",
        type=int,
        metavar="NUMBER",
        help="this page replaces that report: it tells what changed since, and why",
    )
    page.add_argument("--reason", metavar="WHY", help="why that report is replaced")
    _limits(page)
    _quiet(page)
    check = command(
        commands,
        "selfcheck",
        "hold this program against published values",
        "selfcheck:selfcheck",
        None,
    )
    check.add_argument("--json", action="store_true", help="one JSON object on standard output")
    check.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        help="write the dated report: JSON when it ends in .json, else Markdown",
    )
    _quiet(check)
    sealed = command(
        commands,
        "seal",
        "fingerprint the record, so that a change by hand shows",
        "integrity:seal",
        writer,
    )
    _quiet(sealed)
    held = command(
        commands,
        "verify",
        "hold the record against its seals and its kept waveforms",
        "integrity:verify",
        common,
    )
    held.add_argument(
        "--digest", metavar="HEX", help="digest of a seal as you noted it outside the store"
    )
    _quiet(held)
    _quiet(command(commands, "demo", "build and show the invented scenario", "demo:demo", writer))


def _plots(group: Any, command: Any, _: Any, common: Any) -> None:
    for kind, help_ in (
        ("wear", "peak g by drop number: level, band, limit, voided drops, damage"),
        ("models", "case models side by side on one scale"),
        ("survival", "share of series not failed by drop number, by case model"),
        ("fan", "the level to come, against the limit"),
        ("scatter", "peak against pulse duration, lines of equal velocity change"),
        ("lifeline", "devices: drops, dose, looks and when they failed"),
        ("latent", "probability of failing later against shock dose, controls included"),
        ("heat", "functions against weeks after the last drop"),
        ("pulses", "waveforms of one series on one time axis"),
        ("spectra", "shock response spectra of one series, by drop number"),
        ("rig", "control charts of the reference drops"),
        (
            "boundary",
            "peak against velocity change: which shocks devices passed, which failed them",
        ),
    ):
        made = command(group, kind, help_, "plots:plot", common)
        made.set_defaults(kind=kind)
        made.add_argument(
            "-o",
            dest="output",
            metavar="FILE",
            help=f"ends in .svg, .pdf or .png (default {kind}.svg in this folder)",
        )
        if kind in ("wear", "models", "survival", "fan"):
            _filters(made)
            _limits(made)
        elif kind == "scatter":
            _filters(made)
        elif kind == "lifeline":
            made.add_argument(
                "--device", action="append", metavar="CODE", help="only this; repeatable"
            )
        elif kind in ("pulses", "spectra"):
            made.add_argument("--series", metavar="S", help="else that with the most waveforms")
            made.add_argument(
                "--drop",
                dest="drops",
                action="append",
                type=int,
                metavar="NUMBER",
                help="only this drop of the series; repeatable",
            )
        elif kind == "rig":
            made.add_argument(
                "--series", metavar="S", help="else the reference series with the most drops"
            )
        _quiet(made)
        if kind == "spectra":
            made.add_argument(
                "--q", type=float, default=10.0, help="amplification at resonance (default 10)"
            )


_FAMILIES = (
    ("specimen", "cases, devices and dummies", _specimens),
    ("sensor", "shock accelerometers", _sensors),
    ("series", "drop series: one device, in one case or bare, under one condition", _series),
    ("drop", "single drops", _drops),
    ("damage", "what was seen on a specimen", _damage),
    ("import", "take a lab's CSV files, or recorders' waveforms", _imports),
    ("show", "one drop closely: its inputs, its trace, its spectrum", _shows),
    ("inspect", "follow-up inspections of devices", _inspections),
    ("plan", "how much to drop, and in which order", _plans),
    ("plot", "pictures, as SVG, PDF or PNG", _plots),
)
