"""Commands that draw."""

from __future__ import annotations

from durability.cli.parser import common
from durability.cli.parser.common import Parser

_KINDS = {
    "wear": (
        "peak g by drop number: level, band, limit, voided drops, damage",
        "plot wear --series S21 -o wear.svg",
    ),
    "models": (
        "case models side by side on one scale",
        'plot models --case-model "sleeve A" --case-model "sleeve B"',
    ),
    "survival": (
        "share of series not failed by drop number, by case model",
        "plot survival --limit-g 200",
    ),
    "fan": ("the level to come, against the limit", "plot fan --series S21 --horizon 100"),
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


def plot(made: Parser) -> None:
    """Fill the family ``plot``."""
    family = made.family("plot wear --series S21 -o wear.svg", "plot rig")
    for kind, (help_, example) in _KINDS.items():
        made = family.reads(kind, help_, "plots:plot", example)
        made.set_defaults(kind=kind)
        made.add_argument(
            "-o",
            "--output",
            metavar="FILE",
            help=f"ends in .svg, .pdf or .png (default {kind}.svg in this folder)",
        )
        if kind in ("wear", "models", "survival", "fan"):
            common.filters(made)
            common.limits(made)
        elif kind == "scatter":
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
