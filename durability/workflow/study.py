"""The one evaluation: all that a scope of the record says under one limit.

Command line, page, plots, JSON and library ask a ``Study``. Each part is worked out once, when it
is first asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from durability.life.results import Backtest, LivedCase
from durability.record.errors import UnusableCall
from durability.record.records import Condition, DropHistory
from durability.store import bench, database
from durability.wear.cases import by_condition, condition_of
from durability.workflow.evaluation import Evaluation, informing
from durability.workflow.histories import (
    Histories,
    condition_values,
    histories_in,
    scope_of,
    sides_since,
)
from durability.workflow.results import (
    Cause,
    ForecastContext,
    Limit,
    NamedDrop,
    Scope,
    SeriesPicture,
    TrendContext,
    Under,
)
from durability.workflow.rig import RigLedger, widest_forecast, widest_trend
from durability.workflow.session import Session

if TYPE_CHECKING:
    from durability.rig.results import RigNote
    from durability.wear.compare import CaseFits
    from durability.wear.results import (
        Comparison,
        CovariateEffect,
        Forecast,
        LevelFan,
        MoreDrops,
        Ranking,
        Trend,
    )


class Study:
    """Everything that one scope of the record says under one limit.

    Parameters
    ----------
    histories : Histories
        Of the whole record.
    scope : Scope
        Chooses what is answered for.
    limit : Limit
        When a case has failed.
    rig : RigLedger, optional
        The record's reference drops.
    rig_corrected : bool
        Divide the rig's drift out of trends and forecasts. Each series is then judged three
        times: by the drift as estimated, and by the drift at either end of its 90 % interval. The
        weakest verdict and the widest interval are given. Ranking and comparison stay with the
        readings as they are.
    later_sides : frozenset of str
        Sides of a comparison that the record has only since the instant that is asked about.
    """

    def __init__(
        self,
        histories: Histories,
        scope: Scope,
        limit: Limit,
        *,
        rig: RigLedger | None = None,
        rig_corrected: bool = False,
        later_sides: frozenset[str] = frozenset(),
    ) -> None:
        self.scope, self.limit = scope, limit
        self._later_sides = later_sides
        self.rig_corrected = rig_corrected and rig is not None
        self._rig = rig
        named = set(scope.series)
        rereads = {"voided": histories.voided, "in doubt": histories.in_doubt}
        # Reference drops inform nothing but the rig, unless they are what is asked about.
        valid, *others = (
            [
                each
                for each in some
                if each.series not in histories.reference or each.series in named
            ]
            for some in (histories.valid, *(each.histories for each in rereads.values()))
        )
        self._as_read = Evaluation(valid, scope.series, limit)
        self._again = {
            cause: Evaluation(record, scope.series, limit, before=self._as_read)
            if rereads[cause].drops
            else self._as_read
            for cause, record in zip(rereads, others, strict=True)
        }
        self._drops = {cause: each.drops for cause, each in rereads.items()}
        self._bounded = histories.bounded
        self._corrected: dict[tuple[int, bool], tuple[tuple[Evaluation, ...], list[RigNote]]] = {}

    @property
    def histories(self) -> list[DropHistory]:
        """Valid drops of each series answered for, in order of series code, as all lists here."""
        return self._as_read.histories

    # ------------------------------------------------------------------------------ wear

    @cached_property
    def trends(self) -> list[Trend]:
        """Trend of each series answered for."""
        if not self.rig_corrected:
            return self._as_read.trends
        from durability.wear.verdict import with_q_values

        three, notes = self._divided_out(self._as_read, absolute=False)
        trends = zip(*(each.trends for each in three), notes, strict=True)
        return with_q_values([widest_trend(*each) for each in trends])

    def alarms_that_hold(self, rate: float) -> list[str]:
        """Series whose alarm holds among all at a false discovery rate, however often checked."""
        return self._as_read.alarms_that_hold(rate)

    @cached_property
    def forecasts(self) -> list[Forecast]:
        """Drops to failure of each series answered for."""
        if not self.rig_corrected:
            return self._as_read.forecasts
        three, notes = self._divided_out(self._as_read, absolute=self.limit.limit_g is not None)
        forecasts = zip(*(each.forecasts for each in three), notes, strict=True)
        return [widest_forecast(*each) for each in forecasts]

    def backtest(
        self, told: Callable[[str, int, int], None] = lambda *_: None, estimator: Any = None
    ) -> Backtest:
        """Past forecasts, or a regressor's, checked against what came, by the readings as read."""
        return self._as_read.backtest(told, estimator)

    @cached_property
    def rig_notes(self) -> list[RigNote | None]:
        """What the reference drops say of the time of each series."""
        if self._rig is None:
            return [None] * len(self.histories)
        if self.rig_corrected:
            return [*self._divided_out(self._as_read, absolute=False)[1]]
        return [self._rig.note(history) for history in self.histories]

    def _divided_out(
        self, evaluation: Evaluation, *, absolute: bool
    ) -> tuple[tuple[Evaluation, ...], list[RigNote]]:
        """The evaluation with the rig's drift divided out, as estimated, least and most rising."""
        key = (id(evaluation), absolute)
        if key not in self._corrected and self._rig is not None:
            corrected = [
                self._rig.corrected(each, absolute=absolute) for each in evaluation.informing
            ]
            answered = {each.series for each in evaluation.histories}
            codes = [each.series for each in evaluation.histories]
            self._corrected[key] = (
                tuple(
                    Evaluation(
                        [three[at] for three, _ in corrected],
                        codes,
                        self.limit,
                        before=evaluation,
                    )
                    for at in range(3)
                ),
                [note for (each, *_), note in corrected if each.series in answered],
            )
        return self._corrected[key]

    def ranking(
        self, by: Literal["case_model", "case"] = "case_model", *, pool: bool = False
    ) -> Ranking:
        """Groups of the cases answered for, the fastest first, under each condition separately.

        Parameters
        ----------
        by : {"case_model", "case"}
            What to rank.
        pool : bool
            One model of all, condition as a factor.
        """
        return self._as_read.ranking(by, pool=pool)

    def conditions(self) -> dict[Condition, list[DropHistory]]:
        """The series that the ranking compares, by condition, the one that stands first leading."""
        return self._as_read.ranked_under()

    def case_lives(self) -> dict[Condition, list[LivedCase]]:
        """How long each case has lasted under each condition.

        Its life counts every drop that it made before, under any condition. A case that failed
        under another one held here for the drops that it made before; where it made none it is
        left out.

        Returns
        -------
        dict
            By condition, the one that stands first leading; cases in order of their code.
        """
        ages = {
            series: case.ages[case.series.index(series)]
            for series, case in self._as_read.cases.items()
        }
        forecasts = {each.series: each for each in self.forecasts}
        found: dict[Condition, list[LivedCase]] = {}
        every = by_condition(self._as_read.in_case)
        for condition in dict.fromkeys((*self.conditions(), *every)):
            some = every[condition]
            series = {each.series for each in some}
            cases: dict[str, list[Forecast]] = {}
            for code in sorted(series):
                cases.setdefault(str(forecasts[code].case), []).append(forecasts[code])
            lived = []
            for case, its in sorted(cases.items()):
                failed_in, failed_at = its[0].failed_in, its[0].failed_at_age
                failed = failed_in is not None and failed_in.series in series
                drops = [int(age) for each in its for age in ages[each.series]]
                if failed_at is not None:
                    drops = [failed_at] if failed else [age for age in drops if age < failed_at]
                if drops:
                    lived.append(LivedCase(case, its[0].case_model, max(drops), failed))
            found[condition] = lived
        return found

    def comparison(
        self, a: str, b: str, *, after_drops: int | None = None, pool: bool = False
    ) -> tuple[Comparison, list[NamedDrop]]:
        """How many times the peak g of ``a`` is that of ``b``, in the whole record.

        Parameters
        ----------
        a, b : str
            Case models, or bare.
        after_drops : int, optional
            At this drop of each case; by default the mean over the drops that both sides made.
        pool : bool
            One model of all conditions in common, condition as a factor.

        Returns
        -------
        comparison : Comparison
        voided : list of NamedDrop
            Left out of it.

        Raises
        ------
        RecordRefused
            A side has no series.
        UnusableCall
            ``after_drops`` is more than both sides have made.
        """
        from durability.wear.compare import compare

        if after_drops is not None and after_drops < 1:
            raise UnusableCall(f"--after-drops {after_drops}: not a number of drops, 1 or more")
        sides, put_back = self.sides(a, b), self.sides(a, b, "voided")
        result = compare(
            *sides,
            a=a,
            b=b,
            after_drops=after_drops,
            pool=pool,
            a_with_voided=put_back[0],
            b_with_voided=put_back[1],
            fitted=self._as_read.case_fits,
            fitted_with_voided=self._again["voided"].case_fits,
        )
        return result, self.drops("voided", (each.series for side in sides for each in side))

    def sides(self, a: str, b: str, cause: Cause | None = None) -> list[list[DropHistory]]:
        """Series of two sides in the whole record, under the conditions answered for.

        Raises
        ------
        UnusableCall
            Both are one.
        RecordRefused
            A side has no series.
        """
        if a == b:
            raise UnusableCall(f"{a}: compared with itself; name two case models, or bare")
        evaluation = self._read(cause)
        under = self.scope.under
        return [
            [each for each in evaluation.side(name) if under.admits(condition_values(each))]
            if name not in self._later_sides
            else []
            for name in (a, b)
        ]

    def case_fits(self, histories: Sequence[DropHistory], cause: Cause | None = None) -> CaseFits:
        """Fits of the cases of these series, each over all its series and by nothing else."""
        return self._read(cause).case_fits(histories)

    def _read(self, cause: Cause | None) -> Evaluation:
        return self._as_read if cause is None else self._again[cause]

    def condition_effects(self) -> list[CovariateEffect]:
        """How peak g goes with temperature and with a long rest: a what-if, never applied."""
        from durability.wear.what_if import covariate_effects

        return covariate_effects(self.histories, self._as_read.fits_of(self.histories))

    def further_drops(self) -> list[MoreDrops]:
        """What one more session of drops of each series answered for would buy."""
        from durability.wear.what_if import value_of_more_drops

        return [
            value_of_more_drops(
                history,
                siblings=[
                    other
                    for other in self._as_read.informing
                    if other.series != history.series
                    and (
                        other.case == history.case
                        if history.case_model is None
                        else other.case_model == history.case_model
                    )
                ],
                level=self.limit.level,
                limit_g=self.limit.limit_g,
                limit_rise=self.limit.limit_rise,
                horizon=self.limit.horizon,
            )
            for history in self.histories
        ]

    # ------------------------------------------------------- readings put back, or left out

    def drops(self, cause: Cause, series: Iterable[str]) -> list[NamedDrop]:
        """Drops of these series that are voided, or in doubt."""
        codes = set(series)
        return [drop for drop in self._drops[cause] if drop.series in codes]

    def by_series(self, cause: Cause) -> dict[str, list[NamedDrop]]:
        """Such drops of each series answered for that has any."""
        found: dict[str, list[NamedDrop]] = {}
        for drop in self.drops(cause, (each.series for each in self.histories)):
            found.setdefault(drop.series, []).append(drop)
        return found

    def trends_again(self, cause: Cause) -> dict[str, Trend]:
        """Trend of each series with such readings, once they are put back or left out."""
        found = self.by_series(cause).items()
        readable = {series for series, drops in found if any(each.peak_g for each in drops)}
        if not readable:
            return {}
        again = self._again[cause]
        if self.rig_corrected:
            again = self._divided_out(again, absolute=False)[0][0]
        return {each.series: each for each in again.trends_of(readable)}

    def ranking_with_voided(self) -> Ranking:
        """The ranking by case model with all voided readings put back."""
        return self._again["voided"].ranking("case_model")

    @cached_property
    def contexts(self) -> list[TrendContext]:
        """What stands beside each trend: voided drops, doubtful readings, the rig."""
        from durability.wear.outliers import suggested

        voided, put_back = self.by_series("voided"), self.trends_again("voided")
        in_doubt, left_out = self.by_series("in doubt"), self.trends_again("in doubt")
        outliers = suggested(
            [trend.drop_number for trend in self.trends],
            [np.log(trend.peak_g / trend.level_g) for trend in self.trends],
        )
        return [
            TrendContext(
                tuple(voided.get(trend.series, ())),
                put_back.get(trend.series),
                tuple(in_doubt.get(trend.series, ())),
                left_out.get(trend.series),
                *marked,
                note,
                self._bounded.get(trend.series, frozenset()),
            )
            for trend, marked, note in zip(self.trends, outliers, self.rig_notes, strict=True)
        ]

    @cached_property
    def forecast_contexts(self) -> list[ForecastContext]:
        """What stands beside each forecast: drops of its case in doubt, the rig."""
        of_case: dict[str, list[NamedDrop]] = {}
        if self._drops["in doubt"]:
            doubted = dict.fromkeys(drop.series for drop in self._drops["in doubt"])
            known = self._as_read.cases
            for case in (known[series] for series in doubted if series in known):
                if case.histories[0].case is not None:
                    drops = self.drops("in doubt", case.series)
                    of_case.update(dict.fromkeys(case.series, drops))
        left_out: dict[str, Forecast] = {}
        if of_case:
            again = self._again["in doubt"]
            if self.rig_corrected:
                absolute = self.limit.limit_g is not None
                again = self._divided_out(again, absolute=absolute)[0][0]
            left_out = {each.series: each for each in again.forecasts_of(of_case.keys())}
        return [
            ForecastContext(
                tuple(of_case.get(history.series, ())), left_out.get(history.series), note
            )
            for history, note in zip(self.histories, self.rig_notes, strict=True)
        ]

    # ------------------------------------------------------------------------------ pictures

    def _fans(self, most: int) -> dict[str, LevelFan]:
        """The level to come of the series that fail next."""
        evaluation = self._as_read
        if self.rig_corrected:
            absolute = self.limit.limit_g is not None
            evaluation = self._divided_out(evaluation, absolute=absolute)[0][0]
        ahead = [
            each
            for each in sorted(self.forecasts, key=lambda each: each.soonest_first)
            if not each.failed and each.limit_g is not None and each.drops_left is not None
        ]
        return {each.series: evaluation.fan(each) for each in ahead[:most]}

    def pictures(self, *, most_fans: int = 0) -> list[SeriesPicture]:
        """Every series with drops as it is drawn; one without any only where it is named.

        Parameters
        ----------
        most_fans : int
            So many of them with the level to come: those that fail next.

        Returns
        -------
        list of SeriesPicture
        """
        fans, voided_of = self._fans(most_fans), self.by_series("voided")
        nothing = np.empty(0, dtype=np.int64)
        pictures = []
        for history, trend, forecast in zip(
            self.histories, self.trends, self.forecasts, strict=True
        ):
            if not history.drops and self.scope.kind != "series":
                continue
            voided = voided_of.get(history.series, [])
            pictures.append(
                SeriesPicture(
                    trend=trend,
                    forecast=forecast,
                    device=history.device,
                    orientation=history.orientation,
                    condition=condition_of(history),
                    voided_drop_number=np.array([d.drop_number for d in voided], dtype=np.int64),
                    voided_peak_g=np.array([d.peak_g for d in voided], dtype=float),
                    damage_drop_number=(
                        nothing
                        if history.damage_drop_number is None
                        else history.damage_drop_number
                    ),
                    damage_severity=(
                        nothing if history.damage_severity is None else history.damage_severity
                    ),
                    fan=fans.get(history.series),
                    bounded=self._bounded.get(history.series, frozenset()),
                )
            )
        return pictures


def open_study(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    specimen: str | None = None,
    plan: str | None = None,
    under: Under | None = None,
    limit: Limit | None = None,
    rig_corrected: bool = False,
) -> Study:
    """The study of a store, all of it read at one moment.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models, specimen, plan : optional
        Answer only for these; see ``find_scope``.
    under : Under, optional
        Answer only for such conditions.
    limit : Limit, optional
        When a case has failed.
    rig_corrected : bool
        As in ``Study``.

    Returns
    -------
    Study

    Raises
    ------
    RecordRefused
        A series, case model, specimen or plan is not in the store.
    """
    with database.reading(session.record) as connection:
        scope = scope_of(
            session,
            connection,
            series,
            case_models,
            specimen=specimen,
            plan=plan,
            under=under,
        )
        codes = None
        if scope.is_part:
            codes = informing(brief := bench.fetch(connection, "series_in_brief"), scope.series)
            codes = None if len(codes) == len(brief) else codes
        return Study(
            histories_in(connection, codes),
            scope,
            limit or Limit(),
            rig=RigLedger(connection),
            rig_corrected=rig_corrected,
            later_sides=sides_since(session, connection),
        )
