"""Commands about devices and their follow-up, and commands that plan drops."""

from __future__ import annotations

from durability.cli.parser import common
from durability.cli.parser.common import Family, Parser


def inspect(made: Parser) -> None:
    """Fill the family ``inspect``."""
    family = made.family("inspect record R-7", "inspect list R-7")
    _schedule(family)
    listing = family.reads(
        "check-list",
        "list the check lists and their versions; print one, or write it out to be edited",
        "follow_up:check_list",
        "inspect check-list",
        'inspect check-list "handheld device" -o mine.txt',
    )
    listing.add_argument("name", nargs="?", help="name of a list, or the beginning of its version")
    listing.add_argument("-o", "--output", metavar="FILE", help="write it there")
    declare = family.writes(
        "declare",
        "state, before the first follow-up inspection, which shock dose is tested against failures",
        "follow_up:declare",
        'inspect declare averaged --reason "no exponent is known"',
        'inspect declare 6.4 --reason "solder joints"',
    )
    declare.add_argument(
        "exponent", metavar="EXPONENT", help="b of the dose, a number; or: averaged, over its range"
    )
    declare.add_argument(
        "--without-reading",
        choices=("likely", "no shock", "largest"),
        default="likely",
        help="what a drop without a trusted reading counts as: the median of comparable"
        " drops (default), no shock, or the largest of them",
    )
    declare.add_argument("--reason", required=True, metavar="WHY", help="why this dose")
    record = family.writes(
        "record",
        "record one inspection; after an interruption the same command continues it",
        "follow_up:record",
        "inspect record R-7",
        'inspect record R-7 --check display=pass --check "touch=fail, dead"',
    )
    record.add_argument("device", help="code of the device, typed or scanned")
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
        help="hide the device's shocks and last results from the inspector; stored with the"
        " inspection",
    )
    record.add_argument("--inspected-at", metavar="TIME", help="ISO 8601; else now")
    record.add_argument("--inspector", metavar="NAME", help="who inspected; else who enters it")
    who = "who inspected, where several did at one time"
    photo = family.writes(
        "photo",
        "keep photos of an inspection beside the store",
        "follow_up:add_photos",
        "inspect photo R-7 display.jpg --function display",
    )
    photo.add_argument("device", help="code of the device")
    photo.add_argument("files", nargs="+", metavar="FILE", help="the photos")
    photo.add_argument("--function", metavar="F", help="the function that they show")
    photo.add_argument(
        "--inspected-at",
        metavar="TIME",
        help="time of the inspection, its day is enough; else the latest of the device",
    )
    photo.add_argument("--inspector", metavar="NAME", help=who)
    amend = family.writes(
        "amend",
        "correct one functional check; the first value stays in the record",
        "follow_up:amend",
        "inspect amend R-7 display --inspected-at 2026-06-01 \\\n"
        '    --set outcome=pass --reason "wrong key"',
    )
    amend.add_argument("device", help="code of the device")
    amend.add_argument("function", help="the function that was checked")
    amend.add_argument(
        "--inspected-at",
        required=True,
        metavar="TIME",
        help="time of the inspection; its day is enough",
    )
    amend.add_argument("--inspector", metavar="NAME", help=who)
    common.amendment(amend)
    listed = family.reads(
        "list",
        "list inspections; of one device, how its plan was kept too",
        "follow_up:list_inspections",
        "inspect list",
        "inspect list R-7 --on 2026-06-01",
    )
    listed.add_argument("device", nargs="?", help="only this device")
    listed.add_argument("--on", metavar="DATE", help="judge the plan on this day; else today")


def _schedule(family: Family) -> None:
    made = family.writes(
        "schedule",
        "show, make or assign a follow-up plan",
        "follow_up:schedule",
        'inspect schedule short --stage before=before --stage "1 week=7" \\\n'
        '    --check-list "handheld device" --device-model radio',
        "inspect schedule short --device R-7",
    )
    made.add_argument("plan", nargs="?", help="name of the plan; without it: list the plans")
    made.add_argument("--device", metavar="CODE", help="this device follows the plan")
    made.add_argument(
        "--device-model", metavar="M", help="every device of this model follows the plan"
    )
    made.add_argument(
        "--stage",
        action="append",
        default=[],
        metavar="NAME=DAYS",
        help="makes a new plan: a stage this many days after the anchor; repeatable",
    )
    made.add_argument(
        "--check-list",
        metavar="LIST",
        help="what is checked: a ready list by name, or a file of your own; for a plan that exists"
        " its new version from now on",
    )
    made.add_argument(
        "--anchor",
        choices=("last drop", "first drop", "received"),
        default="last drop",
        help="what the days of a new plan count from (default last drop)",
    )


def due(made: Parser) -> None:
    """Fill ``due``."""
    made.reads("follow_up:due", "due --on 2026-06-01", "due --within 7 --calendar due.ics")
    made.add_argument("--on", metavar="DATE", help="the day; else today")
    made.add_argument(
        "--within",
        type=int,
        metavar="DAYS",
        help="and those due within this many days (default 0; with --calendar 366)",
    )
    made.add_argument(
        "--calendar", metavar="FILE.ics", help="write them to a calendar file too (iCalendar)"
    )
    made.add_argument(
        "--form",
        metavar="FILE.csv",
        help="write them as a form to be filled in on a tablet, for import inspections",
    )
    made.add_argument(
        "--mail",
        nargs="?",
        const="-",
        metavar="FILE",
        help="write them as a plain message for the lab's own mailer, to a file or to standard"
        " output; empty when nothing is due",
    )
    made.add_argument(
        "--to", metavar="ADDRESS", help="whom the message is for; several with commas between"
    )
    common.under(made)
    common.as_of(made)


def latent(made: Parser) -> None:
    """Fill ``latent``."""
    made.reads("answers:latent", "latent", "latent --devices --on 2026-06-01")
    made.add_argument(
        "--devices",
        action="store_true",
        help="each device, those most likely to have failed unseen first",
    )
    made.add_argument(
        "--on", metavar="DATE", help="day by which unseen failures are counted; else today"
    )
    common.under(made)
    common.as_of(made)
    common.why(made)
    common.quiet(made)


def history(made: Parser) -> None:
    """Fill ``history``."""
    made.reads("logbook:history", "history C-21", "history R-7 --json")
    made.add_argument("specimen", help="code of the specimen")
    common.under(made)
    common.as_of(made)


def plan(made: Parser) -> None:
    """Fill the family ``plan``."""
    family = made.family("plan rise --rise-pct 1", "plan sheet --case C-21 -o sheet.csv")
    rise = family.reads(
        "rise",
        "how many drops to see a rise",
        "plans:rise",
        "plan rise --rise-pct 1",
        "plan rise --rise-pct 0.5 --scatter-pct 4 --cases 3",
    )
    rise.add_argument(
        "--rise-pct",
        type=common.percentage,
        required=True,
        metavar="X",
        help="rise to be seen, %% of peak g per drop",
    )
    _chances(rise)
    rise.add_argument(
        "--cases",
        type=int,
        action="append",
        metavar="N",
        help="plan for this many cases; repeatable (default 1, 2, 3 and 5)",
    )
    _scatter(rise)
    rise.add_argument(
        "--rise-sd-pct",
        type=common.percentage,
        metavar="S",
        help="standard deviation of the rise between cases, %% per drop; without: all rise alike",
    )
    apart = family.reads(
        "tell-apart",
        "how many cases to tell two models apart",
        "plans:tell_apart",
        "plan tell-apart --difference-pct 10",
        "plan tell-apart --difference-pct 10 --drops 5 --power 0.9",
    )
    apart.add_argument(
        "--difference-pct",
        type=common.percentage,
        required=True,
        metavar="Y",
        help="difference to be seen, %% of peak g",
    )
    _chances(apart)
    apart.add_argument(
        "--drops",
        type=int,
        action="append",
        metavar="N",
        help="drops per case; repeatable (default 1, 3, 5 and 10)",
    )
    _scatter(apart)
    apart.add_argument(
        "--scatter-between-pct",
        type=common.percentage,
        metavar="S",
        help="scatter from case to case, %% of peak g; else this lab's",
    )
    _survive(family)
    _next(family)
    _sheet(family)


def _chances(made: Parser) -> None:
    made.add_argument(
        "--power",
        type=common.share,
        default=0.8,
        metavar="P",
        help="probability of seeing it (default 0.8)",
    )
    made.add_argument(
        "--alpha",
        type=common.share,
        default=0.05,
        metavar="P",
        help="size of the test (default 0.05)",
    )


def _scatter(made: Parser) -> None:
    made.add_argument(
        "--scatter-pct",
        type=common.percentage,
        metavar="S",
        help="scatter from drop to drop, %% of peak g; else this lab's",
    )
    common.under(made)


def _survive(family: Family) -> None:
    made = family.reads(
        "survive",
        "how many cases must survive N drops, and what has been shown",
        "plans:survive",
        "plan survive --drops 26 --reliability 0.9 --confidence 0.9",
        "plan survive --drops 26 --shape 2 --drops-each 40",
    )
    made.add_argument(
        "--drops", type=int, required=True, metavar="N", help="drops that each case must survive"
    )
    made.add_argument(
        "--reliability",
        type=common.share,
        default=0.9,
        metavar="P",
        help="share of cases that survive them (default 0.9)",
    )
    made.add_argument(
        "--confidence",
        type=common.share,
        default=0.9,
        metavar="P",
        help="confidence in that share (default 0.9)",
    )
    made.add_argument(
        "--failures-allowed",
        type=int,
        default=0,
        metavar="N",
        help="failures that the plan permits (default 0)",
    )
    made.add_argument(
        "--shape", type=float, metavar="B", help="Weibull shape taken as known (Weibayes)"
    )
    made.add_argument(
        "--drops-each", type=int, metavar="N", help="drops each case will see, with --shape"
    )
    made.add_argument(
        "--case-model", action="append", metavar="M", help="only this model; repeatable"
    )
    common.under(made)
    common.limit(made)


def _next(family: Family) -> None:
    made = family.reads(
        "next",
        "which cases to drop next, or which devices to inspect when, to learn most",
        "plans:next_",
        "plan next --question faster --drops 20 --cases 2",
        "plan next --question link --looks 6",
    )
    made.add_argument(
        "--question",
        required=True,
        choices=("faster", "lasts", "link"),
        help="faster: which of two case models wears faster; lasts: whether a case lasts N drops"
        " (--to-last); link: whether shocks and later failures go together",
    )
    made.add_argument(
        "--drops",
        type=int,
        metavar="N",
        help="drops that can be made (default 20; with link, today: default 0)",
    )
    made.add_argument("--cases", type=int, metavar="N", help="new cases at hand (default 0)")
    made.add_argument(
        "--looks", type=int, metavar="N", help="devices that can be inspected (default all)"
    )
    made.add_argument(
        "--to-last", type=int, metavar="N", help="drops that a case is to last (default 26)"
    )
    made.add_argument(
        "--case-model",
        action="append",
        metavar="M",
        help="this model, with faster two of them (default: the first of the ranking in doubt)",
    )
    common.under(made)
    common.limit(made)


def _sheet(family: Family) -> None:
    made = family.reads(
        "sheet",
        "a drop sheet in balanced random order",
        "plans:sheet",
        'plan sheet --case-model "sleeve A" --bare D-1 --page sheet.html',
        'plan sheet --case C-21 --orientation "face 3" -o sheet.csv',
    )
    for name, help_ in (
        ("case-model", "every case of this model in use; repeatable"),
        ("case", "this case; repeatable"),
        ("bare", "this device or dummy without a case; repeatable"),
        ("orientation", "face 3, edge 1-2, corner 1-2-5 …; repeatable; else all 26"),
    ):
        made.add_argument(
            f"--{name}", action="append", default=[], metavar=name[0].upper(), help=help_
        )
    made.add_argument(
        "--seed", type=int, default=1, metavar="N", help="seed of the random order (default 1)"
    )
    made.add_argument(
        "--repeats",
        type=int,
        default=1,
        metavar="N",
        help="times that each orientation occurs (default 1)",
    )
    made.add_argument(
        "--rest-s",
        type=common.rest_time,
        default=0.0,
        metavar="S",
        help="least rest of an item between its drops, s (default 0)",
    )
    made.add_argument("-o", "--output", metavar="FILE.csv", help="the sheet, for record --plan")
    made.add_argument("--page", metavar="FILE.html", help="the sheet as a page to print")
