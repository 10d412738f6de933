"""Commands that plan drops."""

from __future__ import annotations

from durability.cli.parser import common
from durability.cli.parser.common import Family, Parser


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
        type=float,
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
        help="plan for so many cases; repeatable (default 1, 2, 3 and 5)",
    )
    _scatter(rise)
    rise.add_argument(
        "--rise-sd-pct",
        type=float,
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
        type=float,
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
        type=float,
        metavar="S",
        help="scatter from case to case, %% of peak g; else this lab's",
    )
    _survive(family)
    _sheet(family)


def _chances(made: Parser) -> None:
    made.add_argument(
        "--power",
        type=float,
        default=0.8,
        metavar="P",
        help="probability of seeing it (default 0.8)",
    )
    made.add_argument(
        "--alpha", type=float, default=0.05, metavar="P", help="size of the test (default 0.05)"
    )


def _scatter(made: Parser) -> None:
    made.add_argument(
        "--scatter-pct",
        type=float,
        metavar="S",
        help="scatter from drop to drop, %% of peak g; else this lab's",
    )


def _survive(family: Family) -> None:
    made = family.reads(
        "survive",
        "how many cases must survive so many drops, and what has been shown",
        "plans:survive",
        "plan survive --drops 26 --reliability 0.9 --confidence 0.9",
        "plan survive --drops 26 --shape 2 --drops-each 40",
    )
    made.add_argument(
        "--drops", type=int, required=True, metavar="N", help="drops that each case must survive"
    )
    made.add_argument(
        "--reliability",
        type=float,
        default=0.9,
        metavar="P",
        help="share of cases that survive them (default 0.9)",
    )
    made.add_argument(
        "--confidence",
        type=float,
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
        type=float,
        default=0.0,
        metavar="S",
        help="least rest of an item between its drops, s (default 0)",
    )
    made.add_argument("-o", "--output", metavar="FILE.csv", help="the sheet, for record --plan")
    made.add_argument("--page", metavar="FILE.html", help="the sheet as a page to print")
