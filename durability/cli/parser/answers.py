"""Commands that answer: wear, drops to failure, comparisons, the rig, questions, pages."""

from __future__ import annotations

import argparse

from durability.cli.parser import common
from durability.cli.parser.common import Parser


def status(made: Parser) -> None:
    """Fill ``status``."""
    made.reads("answers:status", "status", "status --store lab.duckdb --json")
    common.limits(made)
    common.false_discovery(made, "name the alarms that hold among all open series at this false")
    common.quiet(made)


def trend(made: Parser) -> None:
    """Fill ``trend``."""
    made.reads("answers:trend", "trend --false-discovery 0.1", "trend --series S21 --rig-corrected")
    common.filters(made)
    common.false_discovery(made, "list only the series called rising at this false")
    common.as_of(made)
    common.rig_corrected(made)
    common.quiet(made)


def forecast(made: Parser) -> None:
    """Fill ``forecast``."""
    made.reads("answers:forecast", "forecast --series S21", "forecast --backtest --limit-g 200")
    common.filters(made)
    common.as_of(made)
    common.limits(made)
    either = made.add_mutually_exclusive_group()
    common.rig_corrected(either)
    common.backtest(either)
    common.why(made)
    common.quiet(made)


def conditions(made: Parser) -> None:
    """Fill ``conditions``."""
    made.reads("answers:conditions", "conditions", 'conditions --case-model "sleeve A"')
    common.filters(made)
    common.quiet(made)


def rank(made: Parser) -> None:
    """Fill ``rank``."""
    made.reads("answers:rank", "rank", 'rank --by case --case-model "sleeve A"')
    common.filters(made)
    made.add_argument(
        "--by",
        choices=("case_model", "case"),
        default="case_model",
        help="what is ranked (default case_model)",
    )
    common.pool(made)
    common.as_of(made)
    common.limit(made)
    common.horizon(made)
    common.why(made)
    common.quiet(made)


def compare(made: Parser) -> None:
    """Fill ``compare``."""
    made.reads("answers:compare", 'compare bare "sleeve A"', 'compare "sleeve A" "sleeve B"')
    for side in ("a", "b"):
        made.add_argument(side, metavar=side.upper(), help="a case model, or bare")
    common.after_drops(made)
    common.pool(made)
    common.under(made)
    common.as_of(made)
    common.quiet(made)


def claim(made: Parser) -> None:
    """Fill ``claim``."""
    made.reads(
        "answers:claim",
        'claim bare "sleeve A" --at-least 60',
        'claim bare "sleeve A" --at-least 60 --after-drops 20',
    )
    made.add_argument("a", metavar="A", help="a case model, or bare")
    made.add_argument("b", metavar="B", help="the case model that the claim is for")
    made.add_argument(
        "--at-least",
        type=common.percentage,
        required=True,
        metavar="PCT",
        help="the reduction that is claimed, %% of A's peak g",
    )
    made.add_argument(
        "--acceptance",
        choices=("simple", "guarded"),
        default="simple",
        help="guarded: the interval must hold the uncertainty of readings too (JCGM 106, ILAC-G8);"
        " simple (default): its risks are stated",
    )
    common.after_drops(made)
    common.under(made)
    common.level(made)
    common.quiet(made)


def rig(made: Parser) -> None:
    """Fill ``rig``."""
    made.reads("plans:rig", "rig", "rig --gauge --factor operator --factor day")
    made.add_argument(
        "--series", action="append", metavar="S", help="only this reference series; repeatable"
    )
    made.add_argument(
        "--gauge", action="store_true", help="repeatability and reproducibility instead"
    )
    made.add_argument(
        "--factor",
        action="append",
        choices=("operator", "sensor", "day", "site"),
        help="factor of the gauge study; repeatable; else each but site that is recorded"
        " throughout; site, where records of labs are merged: between labs by ISO 5725-2",
    )
    made.add_argument(
        "--part-sd-pct",
        type=common.percentage,
        metavar="S",
        help="standard deviation between specimens, %% of peak g, where there is one reference"
        " series; else that of this lab's cases",
    )


def query(made: Parser) -> None:
    """Fill ``query``."""
    made.reads(
        "answers:query",
        "query latent_failures --format csv -o later.csv",
        'query --sql "SELECT * FROM valid_drops WHERE peak_g > 200"',
    )
    made.add_argument("name", nargs="?", help="name of the question; without it: list them")
    made.add_argument(
        "--set",
        dest="values",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="a parameter of the question, like min_drops=5; repeatable",
    )
    made.add_argument(
        "--folder",
        action="append",
        default=[],
        metavar="PATH",
        help="a folder of your own questions, taken too; repeatable",
    )
    made.add_argument("--sql", metavar="SELECT", help="ask this instead, read-only")
    made.add_argument(
        "--max-seconds", type=float, default=60.0, metavar="S", help="end it after so long (60)"
    )
    made.add_argument(
        "--format",
        choices=("table", "csv", "json", "markdown", "parquet"),
        help="by default what FILE ends in, else a table",
    )
    made.add_argument(
        "--raw",
        action="store_true",
        help="CSV with texts as they are, those too that a spreadsheet would run",
    )
    made.add_argument("-o", "--output", metavar="FILE", help="write the answer there")
    common.under(made)
    common.as_of(made)
    common.quiet(made)


def report(made: Parser) -> None:
    """Fill ``report``."""
    made.writes(
        "report:report",
        'report -o report.html --case-model "sleeve A"',
        "report -o short.pdf --short",
    )
    page = made.add_mutually_exclusive_group(required=True)
    page.add_argument(
        "output",
        nargs="?",
        default=argparse.SUPPRESS,
        metavar="FILE",
        help="the page: .html, or .pdf by a browser",
    )
    page.add_argument("-o", "--output", metavar="FILE", help="the same")
    about = made.add_mutually_exclusive_group()
    about.add_argument("--series", action="append", metavar="S", help="only this; repeatable")
    about.add_argument(
        "--case-model", action="append", metavar="M", help="only this model; repeatable"
    )
    about.add_argument("--specimen", metavar="C", help="only what this specimen went through")
    about.add_argument("--plan", metavar="P", help="only devices that follow this plan")
    common.under(made)
    common.as_of(made)
    made.add_argument("--on", metavar="DATE", help="what is due on this day; else today")
    made.add_argument(
        "--claim",
        type=common.percentage,
        metavar="PCT",
        help="judge whether each case model reduces the peak g of bare drops by at least PCT %%",
    )
    made.add_argument(
        "--reissue-of",
        type=int,
        metavar="NUMBER",
        help="this page replaces that report and says what changed since, and why",
    )
    made.add_argument(
        "--number",
        type=int,
        metavar="NUMBER",
        help="write that report again, byte for byte as it was issued; no other option counts",
    )
    made.add_argument("--reason", metavar="WHY", help="why that report is replaced")
    for name, of in (
        ("laboratory", "who made the tests, with address; else of your settings"),
        ("customer", "for whom, and where to reach them; else of your settings"),
        ("purpose", "what the tests were made for"),
    ):
        made.add_argument(f"--{name}", metavar="TEXT", help=f"for the page's head: {of}")
    made.add_argument(
        "--with-photos",
        nargs="?",
        const="",
        metavar="FOLDER",
        help="show the photos of damage that lie there; else beside the store or here",
    )
    made.add_argument(
        "--short", action="store_true", help="two printed pages: answers, what is due"
    )
    common.limits(made)
    common.shown_units(made)
    common.rig_corrected(made)
    common.backtest(made)
    common.quiet(made)


def serve(made: Parser) -> None:
    """Fill ``serve``."""
    made.reads("serve:serve", "serve", "serve --host 0.0.0.0 --read-only")
    made.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="H",
        help="address to listen on (default 127.0.0.1: this computer only; 0.0.0.0: the network)",
    )
    made.add_argument(
        "--port", type=int, default=0, metavar="P", help="port to listen on (default: a free one)"
    )
    made.add_argument("--read-only", action="store_true", help="no page stores anything")
    made.add_argument(
        "--certfile", metavar="FILE", help="certificate (PEM): everything goes encrypted (https)"
    )
    made.add_argument(
        "--keyfile", metavar="FILE", help="its key, where that is not in the same file"
    )


def selfcheck(made: Parser) -> None:
    """Fill ``selfcheck``; it needs no store."""
    made.set_defaults(handler="files:selfcheck")
    made.examples("selfcheck", "selfcheck -o selfcheck.md")
    common.json_option(made)
    made.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        help="write the dated report: JSON when it ends in .json, else Markdown",
    )
    common.quiet(made)


def settings(made: Parser) -> None:
    """Fill ``settings``."""
    made.reads("answers:settings", "settings", "settings --store lab.duckdb --json")


def help_(made: Parser) -> None:
    """Fill ``help``; it needs no store."""
    made.set_defaults(handler="answers:help_")
    made.examples("help", "help drop add")
    made.add_argument("words", nargs="*", metavar="COMMAND", help="the command, like drop add")


def completion(made: Parser) -> None:
    """Fill ``completion``; it needs no store."""
    made.set_defaults(handler="answers:completion")
    made.examples(
        "completion bash",
        "completion fish",
    )
    made.add_argument("shell", choices=("bash", "zsh", "fish"), help="the shell to write for")


def demo(made: Parser) -> None:
    """Fill ``demo``."""
    made.writes("answers:demo", "demo", "demo --store example.duckdb")
    common.quiet(made)


def manual(made: Parser) -> None:
    """Fill ``manual``; it needs no store."""
    made.set_defaults(handler="answers:manual")
    made.examples("manual", "manual bench")
    made.add_argument("topic", nargs="?", metavar="TOPIC", help="topic; without it: list them")


_KINDS = {
    "wear": (
        "peak g by drop number: level, band, limit, voided drops, damage",
        "plot wear --series S21 -o wear.svg",
    ),
    "models": (
        "case models side by side on one scale",
        'plot models --case-model "sleeve A" --case-model "sleeve B"',
    ),
    "cushion": (
        "peak g against static stress, first drop and drops 2 to 5, by case model",
        "plot cushion --drop-height-mm 1220",
    ),
    "survival": (
        "share of cases not failed by drop of their life, by case model",
        "plot survival --limit-g 200",
    ),
    "fan": ("the projected level, against the limit", "plot fan --series S21 --horizon 100"),
    "scatter": (
        "peak against pulse duration, lines of equal velocity change",
        "plot scatter --series S21",
    ),
    "lifeline": (
        "devices: drops, dose, inspections and when they failed",
        "plot lifeline --device R-7",
    ),
    "latent": (
        "probability of failing later against shock dose, controls included",
        "plot latent -o latent.pdf",
    ),
    "heat": ("functions against weeks after the last drop", "plot heat -o heat.png"),
    "pulses": (
        "waveforms of one series on one time axis",
        "plot pulses --series S30 --drop 1 --drop 30",
    ),
    "spectra": (
        "shock response spectra of one series, by drop number",
        "plot spectra --series S30 --q 25",
    ),
    "rig": ("control charts of the reference drops", "plot rig --series S22"),
    "boundary": (
        "peak against velocity change: which shocks devices passed, which failed them",
        "plot boundary -o boundary.svg",
    ),
}
"""Kinds of picture: what it shows, an example."""
_ON_PAGES = ("wear", "models", "cushion", "survival", "fan", "scatter", "lifeline", "boundary")


def plot(made: Parser) -> None:
    """Fill the family ``plot``."""
    family = made.family("plot wear --series S21 -o wear.svg", "plot rig")
    for kind, (help_, example) in _KINDS.items():
        made = family.reads(kind, help_, "report:plot", example)
        made.set_defaults(kind=kind)
        made.add_argument(
            "-o",
            "--output",
            metavar="FILE",
            help=f"ends in .svg, .pdf or .png (default {kind}.svg in this folder)",
        )
        if kind in _ON_PAGES:
            made.add_argument(
                "--page", type=int, default=1, metavar="N", help="which, where one can't hold all"
            )
        if kind in ("wear", "models", "survival", "fan"):
            common.filters(made)
            common.limits(made)
        elif kind in ("scatter", "cushion"):
            common.filters(made)
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
        common.quiet(made)
        if kind == "spectra":
            common.amplification(made)
