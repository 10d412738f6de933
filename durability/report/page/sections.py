"""The sections of the page, in the order a reader asks."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from markupsafe import Markup

from durability.record.basis import counted
from durability.record.errors import PER_CENT
from durability.report import labels
from durability.report.answers import boundary, compare, forecast, latent, rank, rig, trend, voided
from durability.report.answers import compare as claim
from durability.report.answers import follow_up as due
from durability.report.answers import integrity as selfcheck
from durability.report.answers import records as damage
from durability.report.answers import records as series
from durability.report.answers import rig as calibration
from durability.report.answers import voided as amendments
from durability.report.blocks import (
    Block,
    Drawing,
    Section,
    Table,
    Words,
)
from durability.report.page import changes, formal, words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from durability.devices.results import LifeLine
    from durability.workflow.results import ReportContents

_STAMP = "INVENTED data of the demo"

_RIGHT_TO_LEFT = re.compile(
    "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]"
    "(?:[^<>A-Za-z0-9]*[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc])?"
)


Told = Callable[[str, int, int], None]


@dataclass(slots=True)
class Artist:
    """Draws figures for one page, reporting each as it begins: which of how many."""

    contents: ReportContents
    told: Told
    asked: int = 0
    drawn: int = 0

    def draw(self, name: str, caption: str, make: Callable[[], Figure]) -> Drawing:
        """A figure of ``report.plots`` made fit for the page.

        Parameters
        ----------
        name : str
            Letters, digits and hyphens; no two drawings of a page share it.
        caption : str
            What it shows; the answer stands in the picture itself.
        make : callable
            Draws it.

        Returns
        -------
        Drawing
        """
        self.asked += 1

        def draw() -> Markup:
            from durability.report import plots

            words = f"picture {self.drawn + 1} of {self.asked}: {caption}"
            self.told(words, self.drawn, self.asked)
            figure = make()
            if self.contents.invented:
                plots.stamp(figure, _STAMP)
            svg = isolated(plots.inline_svg(figure, name))
            self.drawn += 1
            # The picture escapes its own texts: it comes from a figure, never from the record.
            return Markup(svg)  # noqa: S704

        return Drawing(name, draw, caption)


def isolated(text: str) -> str:
    """Words written from right to left isolated, so that the numbers beside them stay in place.

    Parameters
    ----------
    text : str
        A sentence of ours with names of the record in it, or a picture's source.

    Returns
    -------
    str
        With Unicode's isolating marks (UAX 9) around each such run.
    """
    return _RIGHT_TO_LEFT.sub(lambda run: f"\u2068{run[0]}\u2069", text)


def flowing(text: str) -> str:
    """As ``isolated``, for a line that may break: not between a number and its per cent sign."""
    return isolated(PER_CENT.sub("\u00a0%", text))


MOST_LEVELS = 160
"""Series drawn side by side by case model; more are neither legible nor quick to show."""

MOST_LIVES = 40
"""Devices drawn, and ``MOST_SHOCKS`` their drops in all."""
MOST_SHOCKS = 3000


def all_sections(contents: ReportContents, told: Told) -> list[Section]:
    """Every section of the page.

    Parameters
    ----------
    contents : ReportContents
        All that is shown.
    told : callable
        Called as the drawing of each figure begins.

    Returns
    -------
    list of Section
    """
    artist = Artist(contents, told)
    parts = [
        _changes(contents),
        _wear(contents, artist),
        _waveforms(contents, artist),
        _life(contents, artist),
        _backtest(contents),
        _damage(contents),
        _comparisons(contents),
        _cushions(contents, artist),
        _devices(contents, artist),
        _boundary(contents, artist),
        _rig(contents, artist),
        Section("voided", "Voided drops and what they would change", [*voided.blocks(contents)]),
        Section(
            "amendments",
            "Deviations, amendments and reviews",
            [
                *amendments.amendments_blocks(contents.deviations, contents.amendments),
                *amendments.entries_blocks(contents.counts, contents.reviewed),
            ],
        ),
        Section("conditions", "Conditions", [*series.blocks(contents.series, contents.counts)]),
        Section("sensors", "Sensors and calibration", [*calibration.sensors(contents.sensors)]),
        Section("uncertainty", "Uncertainty of readings", [*formal.uncertainty(contents)]),
        Section("items", "Contents of a test report, item by item", [*formal.items(contents)]),
        Section("methods", "Methods, sources and decision rules", [*formal.methods()]),
        Section("selfcheck", "Self-check of the program", [*selfcheck.blocks(contents.selfcheck)]),
        Section("sources", "Where the records came from", [*amendments.sources(contents.sources)]),
        Section("signatures", "Signatures", [*formal.signatures(contents)]),
        Section(
            "trace",
            "Appendix: from a number to its source, and what made this report",
            [*formal.appendix(contents)],
        ),
    ]
    return [part for part in parts if part is not None]


def at_a_glance(contents: ReportContents) -> list[Block]:
    """Each case model in one row, on the first screen."""
    if contents.ranking is None or not contents.ranking.groups:
        return []
    return list(rank.ranked(contents.ranking, words.command(contents, "rank")))


# ------------------------------------------------------------------------------------ re-issue


def _changes(contents: ReportContents) -> Section | None:
    """What a re-issue changes, answer by answer, and what brought it about."""
    replaced, issue, since = contents.replaced, contents.issue, contents.changes
    if replaced is None or issue is None or since is None:
        return None
    changed = changes.differences(replaced.answers, issue.answers)
    section = Section("changes", f"What changed since report {replaced.number}")
    section.blocks.append(Words(changes.summary(contents)))
    if changed:
        section.blocks.append(
            Table(
                "Answers that changed",
                ("answer", f"report {replaced.number}", f"this report ({issue.number})"),
                changed,
            )
        )
    else:
        section.blocks.append(Words("No answer changed."))
    if since.amended:
        section.blocks.append(
            replace(
                amendments.AMENDED.table(since.amended),
                caption="Voided, restored and amended since",
            )
        )
    if since.added:
        section.blocks.append(amendments.ENTERED.table(since.added))
    return section


# ------------------------------------------------------------------------------------ wear


def _wear(contents: ReportContents, artist: Artist) -> Section:
    from durability.report import plots

    section = Section("wear", "Wear by case model")
    if not contents.pictures:
        section.blocks.append(Words(labels.NOTHING["series"]))
        return section
    section.blocks.append(Words(trend.trends_answer(contents.trends)))
    apart = len(contents.pictures) - len(contents.comparable)
    if contents.comparable:
        side_by_side = contents.comparable
        if len(side_by_side) > MOST_LEVELS:
            step = -(-len(side_by_side) // MOST_LEVELS)
            side_by_side = side_by_side[::step]
        section.blocks.append(
            artist.draw(
                "models",
                f"Case models side by side: {len(side_by_side)} of"
                f" {counted(len(contents.comparable), 'comparable series', 'comparable series')}",
                lambda: plots.models(side_by_side, contents.ranking, left_out=apart),
            )
        )
    drawn = min(len(contents.pictures), plots.MOST_PANELS)
    section.blocks += [
        artist.draw(
            "wear",
            f"Peak g by drop number: {drawn} of"
            f" {counted(len(contents.pictures), 'series', 'series')}, what needs action first",
            lambda: plots.wear(contents.pictures),
        ),
        trend.TREND.table(contents.trends, words.command(contents, "trend")),
        Words(trend.LEGEND, True),
        *trend.in_doubt(contents.trends, contents.contexts),
    ]
    if any(cloud.peak_g.size for cloud in contents.clouds):
        section.blocks.append(
            artist.draw(
                "scatter",
                "Peak against pulse duration, with lines of equal velocity change: context, never"
                " a verdict",
                lambda: plots.scatter(contents.clouds, contents.drop_heights_mm),
            )
        )
    return section


def _waveforms(contents: ReportContents, artist: Artist) -> Section | None:
    from durability.report import plots

    if not contents.waveforms:
        return None
    section = Section("waveforms", "Pulses and shock response spectra")
    for at, each in enumerate(contents.waveforms):
        series = each.traces[0].series
        section.blocks.append(
            artist.draw(
                f"pulses-{at + 1}",
                f"Waveforms of series {series}: {len(each.traces)} of {each.of}",
                lambda each=each: plots.pulses(each.traces, of=each.of),  # type: ignore[misc]
            )
        )
        if each.spectrum is not None:
            section.blocks.append(
                artist.draw(
                    f"spectra-{at + 1}",
                    f"Shock response spectra of series {series}, acceleration and pseudo-velocity:"
                    " context for severity, never a verdict",
                    lambda each=each, series=series: plots.spectra(  # type: ignore[misc]
                        series, each.spectrum_drops, each.spectrum, left_out=each.left_out
                    ),
                )
            )
    return section


# ------------------------------------------------------------------------------------ life


def _life(contents: ReportContents, artist: Artist) -> Section:
    from durability.report import plots

    section = Section("life", "Drops to failure")
    forecasts = contents.forecasts
    in_cases = forecast.in_cases(forecasts)
    if not in_cases:
        section.blocks.append(Words(labels.NOTHING["failures"]))
        return section
    section.blocks += [
        Words(forecast.forecasts_answer(forecasts, contents.level, contents.horizon)),
        Words(forecast.failed_when(contents.limit_g, contents.limit_rise), True),
    ]
    if contents.survival.curves:
        section.blocks.append(
            artist.draw(
                "survival",
                "Share of cases that had not failed, by drop of their life and case model",
                lambda: plots.survival(contents.survival),
            )
        )
    ahead = [each for each in contents.pictures if each.fan is not None]
    if ahead:
        section.blocks.append(
            artist.draw(
                "fan",
                f"The projected level, against the limit: {len(ahead)} of"
                f" {sum(not each.failed for each in in_cases)} series that have not failed, those"
                " expected to fail next",
                lambda: plots.fan(ahead, level=contents.level, horizon=contents.horizon),
            )
        )
    section.blocks += [
        forecast.drops_to_failure(contents.level, contents.horizon).table(
            in_cases, words.command(contents, "forecast")
        ),
        *forecast.in_doubt(forecasts, contents.forecast_contexts, contents.level, contents.horizon),
        Words(labels.RELATIVE, True),
    ]
    return section


def _backtest(contents: ReportContents) -> Section | None:
    """How past forecasts fared, where that was asked."""
    if contents.backtest is None:
        return None
    command = f"{words.command(contents, 'forecast')} --backtest"
    blocks = forecast.backtest_blocks(contents.backtest, command)
    return Section("backtest", "Past forecasts against what happened", [*blocks])


def _damage(contents: ReportContents) -> Section:
    section = Section("damage", "Damage seen", [*damage.damage_blocks(contents.damage)])
    for at, photo in enumerate(contents.photos):
        caption = damage.of_photo(photo)
        if photo.why_not:
            section.blocks.append(Words(f"Not shown: {caption}: it {photo.why_not}.", True))
            continue
        content = base64.b64encode(photo.content).decode()
        image = Markup('<img alt="{}" src="data:{};base64,{}">').format(
            caption, photo.media_type, content
        )
        section.blocks.append(Drawing(f"photo-{at + 1}", partial(Markup, image), caption))
    return section


def _comparisons(contents: ReportContents) -> Section | None:
    section = Section("comparisons", "Comparisons and claims")
    if contents.comparisons:
        section.blocks += [
            compare.COMPARED.table(
                compare.every(contents.comparisons),
                " ".join(
                    [
                        "durability compare bare MODEL",
                        *contents.scope.under.options,
                        *words.as_of_option(contents),
                    ]
                ),
            ),
            Words(labels.RELATIVE, True),
        ]
    for answer in contents.claims:
        section.blocks += claim.judged(answer, contents.scope.under.options)
    return section if section.blocks else None


def _cushions(contents: ReportContents, artist: Artist) -> Section | None:
    """Case models with a pad on record by static stress."""
    from durability.report import plots

    if not contents.cushions:
        return None
    section = Section("cushions", "Cushions: peak g by static stress")
    section.blocks += compare.cushions(contents.cushions, words.command(contents, "plot cushion"))
    section.blocks.append(
        artist.draw(
            "cushion",
            "Peak g against static stress: first drop and drops 2 to 5 of each case",
            lambda: plots.cushion(contents.cushions),
        )
    )
    return section


# ------------------------------------------------------------------------------------ devices


def _devices(contents: ReportContents, artist: Artist) -> Section:
    from durability.report import plots

    section = Section("devices", "Devices and later failures")
    answer = contents.latent
    if answer is None:
        section.blocks.append(
            Words(
                "No device is in this scope: dummies have no functions to lose."
                if contents.counts["drops"]
                else labels.NOTHING["devices"]
            )
        )
        return section
    link = answer.link
    section.blocks += latent.verdict(answer)
    if contents.scope.is_part:
        section.blocks.append(
            Words(
                f"Judged over all {counted(link.devices, 'device')} of the record, controls"
                " included; the devices of this scope are listed below.",
                True,
            )
        )
    if any(each.state != "not inspected" for each in link.per_device):
        section.blocks.append(
            artist.draw(
                "latent",
                "Probability of having failed by day 90 against shock dose, with every device as"
                " it was seen",
                lambda: plots.latent(link, contents.dose_curve),
            )
        )
    lives = _lives_drawn(contents.life_lines)
    if lives:
        section.blocks.append(
            artist.draw(
                "lives",
                f"Life lines of {len(lives)} of {counted(len(contents.life_lines), 'device')}",
                lambda: plots.lifeline(lives),
            )
        )
    if contents.check_tables:
        section.blocks.append(
            artist.draw(
                "functions",
                "Functions that failed, by weeks after the last drop",
                lambda: plots.heat(contents.check_tables),
            )
        )
    command = words.command(contents, "latent")
    section.blocks += [
        *latent.study(link, command),
        *latent.each_device(answer, f"{command} --devices"),
        *due.due_blocks(
            contents.owed,
            command=" ".join([f"durability due --on {contents.on}", *words.as_of_option(contents)]),
        ),
    ]
    return section


def _boundary(contents: ReportContents, artist: Artist) -> Section | None:
    """Which shocks devices passed and which failed them."""
    from durability.report import plots

    if not contents.boundaries:
        return None
    section = Section("boundary", "Damage boundary of the devices")
    section.blocks += boundary.blocks(contents.boundaries)
    if any(each.is_told for each in contents.boundaries):
        section.blocks.append(
            artist.draw(
                "boundary",
                "Peak against velocity change: shocks that devices passed, and those that failed"
                " them",
                lambda: plots.boundary(contents.boundaries),
            )
        )
    return section


def _lives_drawn(lines: Sequence[LifeLine]) -> list[LifeLine]:
    drawn: list[LifeLine] = []
    shocks = 0
    for line in lines[:MOST_LIVES]:
        shocks += len(line.history.drop_day)
        if drawn and shocks > MOST_SHOCKS:
            break
        drawn.append(line)
    return drawn


def _rig(contents: ReportContents, artist: Artist) -> Section:
    from durability.report import plots

    section = Section("rig", "Health of the rig")
    if not contents.rig:
        section.blocks.append(Words(rig.NO_REFERENCE))
    for at, each in enumerate(contents.rig):
        chart = []
        if each.health.individuals_g is not None:
            chart.append(
                artist.draw(
                    f"rig-{at + 1}",
                    f"Control charts of reference series {each.series}",
                    lambda each=each: plots.rig(  # type: ignore[misc]
                        each.health,
                        each.charted_when,
                        dated=each.axis == "time",
                        series=each.series,
                        averaged=each.averaged,
                    ),
                )
            )
        section.blocks += rig.of_series(each, chart)
    return section
