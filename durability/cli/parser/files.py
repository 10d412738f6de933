"""Commands that take files in, show one drop closely, and hand the record out or check it."""

from __future__ import annotations

from durability.cli.parser import common
from durability.cli.parser.common import Family, Parser

_TABLES = {
    "drops": (
        "series, drop_number, peak_g and more",
        "import drops drops.csv",
        'import drops lab.csv --map "Peak (G)=peak_g" --set series=S21',
    ),
    "damage": (
        "specimen, severity; series, drop_number, mode, location, note, inspector",
        "import damage damage.csv",
        "import damage damage.csv --keep-good",
    ),
    "inspections": (
        "device, inspected_at, function, outcome; measured, unit, note, inspector, blind,"
        " check_list",
        "import inspections inspections.csv",
        "import inspections form.csv --set blind=yes",
    ),
    "specimens": (
        "code, kind; model, lot, mass_g, received_on, note",
        "import specimens specimens.csv",
        "import specimens cases.csv --set kind=case --decimal comma",
    ),
}
"""Kinds of table: columns, examples."""


def import_(made: Parser) -> None:
    """Fill the family ``import``."""
    family = made.family(
        "import drops drops.csv", "import waveforms records/ --series S30 --explain"
    )
    for kind in _TABLES:
        _table(family, kind)
    _waveforms(family)
    whole = family.writes(
        "record",
        "make a new store from an exported record, every row as it was",
        "files:import_record",
        "import record record-2026 --store new.duckdb",
    )
    whole.add_argument("folder", help="what export wrote; --store names the store to make")
    common.quiet(whole)


def _table(family: Family, kind: str) -> None:
    columns, *examples = _TABLES[kind]
    made = family.writes(kind, f"take {kind}: {columns}", "files:import_files", *examples)
    made.set_defaults(kind=kind)
    made.add_argument(
        "files",
        nargs="+",
        metavar="FILE",
        help="CSV or .xlsx with a header row; drop_height_in, temperature_f and the like are"
        " converted",
    )
    made.add_argument("--sheet", metavar="NAME", help="sheet of a workbook that has several")
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
        help="rows in which this column of the sheet is blank are not records",
    )
    made.add_argument(
        "--decimal",
        choices=("point", "comma"),
        default="point",
        help="decimal mark of the numbers; comma: 118,4 (default point)",
    )
    common.quiet(made)
    if kind == "drops":
        made.add_argument(
            "--number-drops",
            action="store_true",
            help="number the drops of each series 1, 2, 3 … in the order of the rows",
        )
        made.add_argument(
            "--void-blank-peaks",
            metavar="REASON",
            help="rows without a peak are stored void with this reason",
        )
        made.add_argument("--allow-gaps", action="store_true", help="accept drop numbers with gaps")
        common.despite_quarantine(made)
        made.add_argument(
            "--split-conditions",
            action="store_true",
            help="make each change of height, surface, orientation, device or case within a series"
            " a series of its own",
        )


def _waveforms(family: Family) -> None:
    made = family.writes(
        "waveforms",
        "take recorders' files as the next drops of a series: one file, one drop",
        "files:import_waveforms",
        "import waveforms records/ --series S30 --explain",
        "import waveforms 017.csv --series S30 --channel CH2 --units V",
    )
    made.add_argument(
        "files",
        nargs="+",
        metavar="FILE",
        help="in the order of the drops; a folder stands for its files by number in their names",
    )
    made.add_argument("--series", metavar="S", help="an open series; its sensor scales the record")
    common.recorder_file(made)
    made.add_argument(
        "--date-by-file-time",
        action="store_true",
        help="date a drop by its file's last change when the file itself gives no date",
    )
    made.add_argument(
        "--keep-good",
        action="store_true",
        help="store the readable files; the others land in a rejects file",
    )
    common.despite_quarantine(made)
    made.add_argument(
        "--explain",
        action="store_true",
        help="show what was worked out of each file and store nothing",
    )
    made.add_argument(
        "--save-as",
        metavar="NAME",
        help="with --explain: keep the options as those of this recorder, if all files were read",
    )
    common.quiet(made)


def remeasure(made: Parser) -> None:
    """Fill ``remeasure``."""
    made.writes(
        "files:remeasure",
        "remeasure --series S30 --channel-class 1000 --dry-run",
        "remeasure --low-pass-hz 2000",
    )
    made.add_argument("--series", action="append", metavar="S", help="only this; repeatable")
    common.low_pass(made)
    made.add_argument(
        "--dry-run", action="store_true", help="show what would change, store nothing"
    )
    common.quiet(made)


def watch(made: Parser) -> None:
    """Fill ``watch``."""
    made.writes("files:watch", "watch /media/scope --series S30")
    made.add_argument("folder", help="where the recorder writes")
    made.add_argument("--series", required=True, metavar="S", help="an open series")
    common.recorder_file(made)


def show(made: Parser) -> None:
    """Fill the family ``show``."""
    family = made.family("show drop S30 1", "show pulse S30 1 2 --png pulses.png")
    one = family.reads("drop", "every input of one drop", "files:show_drop", "show drop S30 1")
    pulse = family.reads(
        "pulse",
        "trace and measures of a drop; of several on one time axis, and what changed from the first"
        " to the last",
        "files:show_pulse",
        "show pulse S30 1",
        "show pulse S30 1 2 --png pulses.png",
    )
    spectrum = family.reads(
        "spectrum",
        "shock response spectrum of a drop, or of several: maximax, 12 frequencies an octave",
        "files:show_spectrum",
        "show spectrum S30 1 --png spectrum.png",
        "show spectrum S30 1 30 --q 25",
    )
    code = family.reads(
        "code",
        "what a code names: a series with its drops, or the history of a specimen; the word code"
        " may be left out",
        "logbook:show_code",
        "show code C-21",
        "show code S30 --json",
    )
    code.add_argument("code", help="code of a series or specimen")
    # A history under no condition.
    code.set_defaults(drop_height_mm=None, surface=None, orientation=None, device_kind=None)
    for made in (one, pulse, spectrum):
        made.add_argument("series", help="code of the series")
    one.add_argument("drop_number", type=int, help="number of the drop")
    for made in (pulse, spectrum):
        made.add_argument(
            "drop_numbers", type=int, nargs="+", metavar="DROP", help="numbers of the drops"
        )
    for made in (pulse, spectrum):
        made.add_argument("--png", metavar="FILE", help="draw it into this file too")
    common.amplification(spectrum)


def export(made: Parser) -> None:
    """Fill ``export``."""
    made.writes(
        "files:export",
        'export record-2026 --licence "CC BY 4.0"',
        "export since-june --since 2026-06-01",
    )
    made.add_argument("folder", help="a new folder, or an empty one")
    made.add_argument(
        "--since",
        metavar="DATE",
        help="only what was entered since the beginning of this date, or since an instant"
        " with its offset, and the entries that it refers to, to be merged at another lab",
    )
    made.add_argument(
        "--licence", metavar="WORDS", help="licence under which others may use the record"
    )
    made.add_argument(
        "--format",
        choices=("csv", "parquet"),
        default="csv",
        help="csv: tables that any program opens and import record takes back; parquet: tables and"
        " views by site and year, for engines of several machines (default %(default)s)",
    )
    common.quiet(made)


def merge(made: Parser) -> None:
    """Fill ``merge``."""
    made.writes("files:merge", "merge leeds.duckdb --dry-run", "merge leeds.duckdb --split S7")
    made.add_argument("other", help="the store of another lab, or the folder of an export of it")
    made.add_argument(
        "--split",
        action="append",
        default=[],
        metavar="SERIES",
        help="a series to which both labs added drops: those of the other lab get a series of their"
        " own; repeatable",
    )
    made.add_argument(
        "--dry-run", action="store_true", help="say what would be added, and store nothing"
    )
    common.quiet(made)


def backup(made: Parser) -> None:
    """Fill ``backup``."""
    made.reads("files:back_up", "backup backups", "backup /mnt/nas/drops --keep 30")
    made.add_argument("folder", help="where the copy goes")
    made.add_argument(
        "--keep",
        type=int,
        metavar="N",
        help="keep the N latest backups of this store there, remove older ones",
    )
    common.quiet(made)


def restore(made: Parser) -> None:
    """Fill ``restore``."""
    made.reads("files:restore", "restore backups/lab.2026-11-28T141500Z.duckdb --store lab.duckdb")
    made.add_argument("file", help="a backup; checked against its .sha256 where that is beside it")
    common.quiet(made)


def recover(made: Parser) -> None:
    """Fill ``recover``."""
    made.reads("files:recover", "recover damaged.duckdb -o saved.duckdb")
    made.add_argument("file", help="a damaged store; it is not touched")
    made.add_argument(
        "-o", "--output", required=True, metavar="NEW", help="the store to make of what is readable"
    )
    common.quiet(made)


def seal(made: Parser) -> None:
    """Fill ``seal``."""
    made.writes("files:seal", "seal")
    common.quiet(made)


def verify(made: Parser) -> None:
    """Fill ``verify``."""
    made.reads(
        "files:verify",
        "verify",
        "verify --store backup.duckdb --digest HEX",
    )
    made.add_argument(
        "--digest", metavar="HEX", help="64 digits of a seal as you noted them outside the store"
    )
    common.quiet(made)
