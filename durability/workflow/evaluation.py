"""One reading of the record judged: fits, trends, forecasts and ranking under one limit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from difflib import SequenceMatcher
from functools import cached_property, partial
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, Literal

from durability.record.errors import RecordRefused
from durability.record.vocabulary import BARE

if TYPE_CHECKING:
    from durability.life.results import Backtest, Prediction
    from durability.record.records import Condition, DropHistory
    from durability.wear.case_fit import CaseFit
    from durability.wear.cases import Case
    from durability.wear.compare import CaseFits
    from durability.wear.lives import CaseLife, FailureLimit
    from durability.wear.results import Forecast, LevelFan, Ranking, Trend, WearFit
    from durability.wear.serial import SerialCorrelation
    from durability.workflow.results import Limit

AT_ONCE = 1024
"""Series whose fits are held at once, in whole groups: the draws of one take 16 kB."""

FAN_REACH = 2.5
"""A fan reaches so many times the median drop of failure, or the last drop where that is later."""


class Evaluation:
    """Fits, trends, forecasts and ranking of some series by one reading of the record.

    Parameters
    ----------
    record : sequence of DropHistory
        Every series of the record, in order of series code.
    answered : sequence of str
        Series answered for; the other series of their case models inform the fits.
    limit : Limit
        When a case has failed.
    before : Evaluation, optional
        Of the same record with other readings: fits that these don't touch are taken from it.
    """

    def __init__(
        self,
        record: Sequence[DropHistory],
        answered: Sequence[str],
        limit: Limit,
        *,
        before: Evaluation | None = None,
    ) -> None:
        self.limit = limit
        self._by_code = {history.series: history for history in record}
        codes = set(answered)
        self.histories = [history for history in record if history.series in codes]
        together = {_group(each) for each in self.histories}
        self.informing = [history for history in record if _group(history) in together]
        self._before = before
        self._fits: dict[str, WearFit] = {}
        self._own_fits: dict[str, WearFit] = {}
        self._lives: dict[tuple[str, str], list[CaseLife]] = {}
        self._case_fits: dict[str, tuple[CaseFit, int]] = {}
        self._trends: dict[str, Trend] = {}
        self._forecasts: dict[str, Forecast] = {}

    def _in_parts(self, histories: Iterable[DropHistory]) -> Iterator[list[DropHistory]]:
        """These series, some at a time with all that are fitted together.

        Of a large record the fits of one part are let go of before the next.
        """
        part: list[DropHistory] = []
        held = 0
        for group, some in _by_group(histories).items():
            held += len(self._groups[group])
            if part and held > AT_ONCE:
                yield part
                self._let_go()
                part, held = [], len(self._groups[group])
            part += some
        if part:
            yield part

    def _let_go(self) -> None:
        """Forget what is large and can be made again."""
        for each in (self._fits, self._own_fits, self._lives):
            each.clear()
        if self._before is not None:
            self._before._let_go()

    @cached_property
    def _groups(self) -> dict[tuple[str, str], list[DropHistory]]:
        """The informing series by what is fitted together."""
        return _by_group(self.informing)

    @property
    def fits(self) -> dict[str, WearFit]:
        """Fit of each informing series, those of one case model informing each other."""
        fits = self.fits_of(self.informing)
        return {each.series: fit for each, fit in zip(self.informing, fits, strict=True)}

    def fits_of(self, histories: Sequence[DropHistory]) -> list[WearFit]:
        """Fits of some informing series, by all that inform them."""
        from durability.wear.fitting import fit_wear

        asked = {each.series for each in histories} - self._fits.keys()
        before = self._before
        if before is not None and asked:
            as_before = [
                each
                for each in before.informing
                if each.series in asked and _group(each) in self._untouched
            ]
            self._fits.update({fit.series: fit for fit in before.fits_of(as_before)})
            asked -= self._fits.keys()
        if asked:
            groups = dict.fromkeys(_group(self._by_code[series]) for series in sorted(asked))
            together = [each for group in groups for each in self._groups[group]]
            self._fits.update({fit.series: fit for fit in fit_wear(together, wanted=asked)})
        return [self._fits[each.series] for each in histories]

    def own_fits(self, histories: Iterable[DropHistory]) -> list[WearFit]:
        """Fits of these series, each on its own."""
        from durability.wear.fitting import fit_wear

        wanted = list(histories)
        asked = [each for each in wanted if each.series not in self._own_fits]
        if self._before is not None:
            as_before = [each for each in asked if self._is_as_before(each)]
            asked = [each for each in asked if not self._is_as_before(each)]
            fits = self._before.own_fits(as_before)
            self._own_fits.update({fit.series: fit for fit in fits})
        self._own_fits.update({fit.series: fit for fit in fit_wear(asked, share=False)})
        return [self._own_fits[each.series] for each in wanted]

    def case_fits(self, histories: Iterable[DropHistory]) -> CaseFits:
        """Fits of the cases of these series, each over all its series and by nothing else."""
        from durability.wear.compare import fit_alone

        wanted = {each.series: self.cases[each.series] for each in histories}
        cases = {case.series[0]: case for case in wanted.values()}
        before = self._before
        if before is not None:
            as_before = [
                each
                for name, case in cases.items()
                if name not in self._case_fits and all(map(self._is_as_before, case.histories))
                for each in case.histories
            ]
            self._case_fits.update(before.case_fits(as_before))
        new = [case for name, case in cases.items() if name not in self._case_fits]
        plain = [each for case in new if case.is_plain for each in case.histories]
        own = {fit.series: fit for fit in self.own_fits(plain)}
        self._case_fits.update(fit_alone(new, own))
        return {series: self._case_fits[series] for series in wanted}

    @cached_property
    def cases(self) -> dict[str, Case]:
        """The case of each series of the record, with all its series."""
        from durability.wear.cases import cases_of

        every = cases_of([*self._by_code.values()])
        return {series: case for case in every for series in case.series}

    @cached_property
    def _untouched(self) -> set[tuple[str, str]]:
        """What is fitted together and reads as before."""
        if self._before is None:
            return set()
        touched = {_group(each) for each in self.informing if not self._is_as_before(each)}
        return {_group(each) for each in self._before.informing} - touched

    def _is_as_before(self, history: DropHistory) -> bool:
        before = self._before
        return before is not None and before._by_code.get(history.series) is history

    @property
    def trends(self) -> list[Trend]:
        """Trend of each series answered for."""
        return self.trends_of({each.series for each in self.histories})

    def trends_of(self, series: Collection[str]) -> list[Trend]:
        """Trend of some of the series answered for, in order of series code."""
        from durability.wear.verdict import judge_trends

        asked = [each for each in self.histories if each.series in series]
        new = [each for each in asked if each.series not in self._trends]
        # Judged as one: the q-values are those among all of them.
        trends = judge_trends(
            new,
            (fit for part in self._in_parts(new) for fit in self.fits_of(part)),
            like=[
                each
                for kind, name in dict.fromkeys(map(_group, new))
                if kind == "model"
                for each in self._groups[kind, name]
            ],
            correlations=self.correlations,
        )
        self._trends.update({each.series: each for each in trends})
        return [self._trends[each.series] for each in asked]

    def alarms_that_hold(self, rate: float) -> list[str]:
        """Series whose alarm was raised and holds among all at this false discovery rate."""
        from durability.wear.alarm import e_discoveries
        from durability.wear.verdict import alarm_log_e_values

        raised = {each.series for each in self.trends if each.alarm_at_drop is not None}
        log_e_values = alarm_log_e_values(self.histories, self.correlations)
        return sorted(raised.intersection(e_discoveries(log_e_values, rate)))

    @cached_property
    def correlations(self) -> dict[str, SerialCorrelation]:
        """Serial correlation of the readings of each informing series, as they were read."""
        if self._before is not None:
            return self._before.correlations
        from durability.wear.serial import serial_correlations

        return serial_correlations(
            [*self._by_code.values()], {each.series for each in self.informing}
        )

    def lives_of(self, histories: Iterable[DropHistory]) -> list[CaseLife]:
        """The life of each case of the groups of these series, over all its series."""
        from durability.wear.lives import case_lives

        groups = dict.fromkeys(map(_group, histories))
        asked = [group for group in groups if group not in self._lives]
        new = [group for group in asked if group not in self._untouched]
        some = [each for group in new for each in self._groups[group]]
        lives = case_lives(some, self.fits_of(some), self._failure_limit)
        if self._before is not None:
            as_before = (group for group in asked if group in self._untouched)
            lives += self._before.lives_of(
                each for name in as_before for each in self._groups[name]
            )
        self._lives.update({group: [] for group in asked})
        for life in lives:
            self._lives[_group(life.case.histories[0])].append(life)
        return [life for group in groups for life in self._lives[group]]

    @property
    def _failure_limit(self) -> FailureLimit:
        from durability.wear.lives import FailureLimit

        return FailureLimit(self.limit.limit_g, self.limit.limit_rise, self.limit.horizon)

    @property
    def forecasts(self) -> list[Forecast]:
        """Drops to failure of each series answered for."""
        return self.forecasts_of({each.series for each in self.histories})

    def forecasts_of(self, series: Collection[str]) -> list[Forecast]:
        """Those of some of the series answered for, in order of series code."""
        from durability.wear.forecast import forecast, without_case

        asked = [each for each in self.histories if each.series in series]
        for part in self._in_parts(each for each in asked if each.series not in self._forecasts):
            informing = [
                each for group in dict.fromkeys(map(_group, part)) for each in self._groups[group]
            ]
            found = forecast(
                informing,
                level=self.limit.level,
                limit_g=self.limit.limit_g,
                limit_rise=self.limit.limit_rise,
                horizon=self.limit.horizon,
                fits=self.fits_of(informing),
                lives=self.lives_of(part),
            )
            own = {each.series for each in part}
            self._forecasts.update(
                {
                    each.series: without_case(each) if each.is_bare else each
                    for each in found
                    if each.series in own
                }
            )
        return [self._forecasts[each.series] for each in asked]

    def backtest(
        self, told: Callable[[str, int, int], None] = lambda *_: None, estimator: Any = None
    ) -> Backtest:
        """Past forecasts of the series answered for, each as of then, checked against what came.

        Parameters
        ----------
        told : callable
            Called as each forecast begins: words, how many are done, of how many.
        estimator : scikit-learn regressor, optional
            Judged in place of our own forecast.
        """
        from durability.wear.backtest import backtest, by_regressor, ended_of

        def ours(known: Sequence[DropHistory], series: str) -> Prediction | None:
            (found,) = Evaluation(known, [series], self.limit).forecasts
            return None if found.drops_lacking else found.drops_to_failure

        return backtest(
            self.informing,
            ended_of(self.histories, self.forecasts),
            ours
            if estimator is None
            else by_regressor(estimator, self._failure_limit, self.limit.level),
            level=self.limit.level,
            horizon=self.limit.horizon,
            told=told,
        )

    @cached_property
    def in_case(self) -> list[DropHistory]:
        """Series answered for that were dropped in a case."""
        return [each for each in self.histories if each.case is not None and each.drops]

    def ranking(self, by: Literal["case_model", "case"], *, pool: bool = False) -> Ranking:
        """Groups of the cases answered for that were dropped, the fastest wearing first."""
        from durability.wear.ranking import rank

        return rank(
            self.in_case,
            by=by,
            pool=pool,
            horizon=self.limit.horizon,
            judged=(
                (self.lives_of(part), self.own_fits(part)) for part in self._in_parts(self.in_case)
            ),
        )

    def ranked_under(self) -> dict[Condition, list[DropHistory]]:
        """The series that ``ranking`` compares, by condition, the one that stands first leading."""
        from durability.wear.ranking import ranked_under

        return ranked_under(self.in_case, "case_model")

    def side(self, name: str) -> list[DropHistory]:
        """Every series answered for in a case of one model, or every bare one.

        Raises
        ------
        RecordRefused
            There is none.
        """
        bare = name == BARE
        found = [
            each
            for each in self.histories
            if (each.case is None if bare else each.case_model == name)
        ]
        if not found and bare:
            raise RecordRefused(f"{name}: no series without a case in the record")
        if not found:
            like = partial(SequenceMatcher, None, name.casefold())
            models = {each.case_model for each in self.histories if each.case_model}
            near = sorted(models, key=lambda model: (-like(model.casefold()).ratio(), model))[:3]
            nearest = f"; nearest: {', '.join(near)}" if near else ""
            raise RecordRefused(
                f"{name!r}: no series in a case of that model in the record{nearest}"
            )
        return found

    def fan(self, forecast: Forecast) -> LevelFan:
        """The level to come of one series, to a distance that depends on it alone."""
        from durability.wear.what_if import level_fan

        median = forecast.drops_to_failure.median or 0.0
        now, horizon = forecast.drops_made, self.limit.horizon
        lives = self.lives_of([self._by_code[forecast.series]])
        fit = next(life.fit for life in lives if forecast.series in life.case.series)
        return level_fan(
            fit,
            fit.case.series.index(forecast.series),
            farthest=int(FAN_REACH * min(max(median, now), max(horizon / FAN_REACH, now))),
            level=self.limit.level,
            limit=self._failure_limit,
        )


def informing(rows: Iterable[Mapping[str, Any]], answered: Collection[str]) -> list[str]:
    """Every series that an answer for some series rests on, so that no other need be read.

    Those fitted together with them, and of each of these the latest ones like it, whose serial
    correlation they are judged by: at least those that ``serial_correlations`` takes.

    Parameters
    ----------
    rows : iterable of mapping
        Every series of the record in brief.
    answered : collection of str
        Series answered for.

    Returns
    -------
    list of str
        In order of series code.
    """
    from durability.wear.serial import FEWEST_DROPS, MOST_SERIES, alike_by

    record: list[Any] = [SimpleNamespace(**row) for row in rows]
    together = {_group(each) for each in record if each.series in answered}
    found = {each.series for each in record if _group(each) in together}
    pools: dict[object, list[Any]] = {alike_by(each): [] for each in record if each.series in found}
    for each in record:
        is_taken = each.purpose != "reference" or each.series in answered
        if is_taken and each.valid_drops >= FEWEST_DROPS:
            pools.get(alike_by(each), []).append(each)
    for pool in pools.values():
        sure, oldest_s, is_exact = 0, float("inf"), True
        latest = [(-float("inf") if each.last_s is None else each.last_s) for each in pool]
        ordered = sorted(zip(latest, (each.series for each in pool), pool, strict=True))
        for last_s, series, each in reversed(ordered):
            if sure < MOST_SERIES:
                oldest_s = last_s
                is_exact &= each.is_last_exact
            elif is_exact and each.is_last_exact:
                continue
            elif last_s < oldest_s - _CLOCKS_DIFFER_S and not each.is_partly_dated:
                # Nearer ones may come before by the instant.
                continue
            found.add(series)
            sure += each.valid_drops - each.settling_drops >= FEWEST_DROPS
    return sorted(found)


_CLOCKS_DIFFER_S = 2 * 86_400.0
"""More than a time by any bench's clock and its instant, or two clocks, can differ."""


def _group(history: DropHistory) -> tuple[str, str]:
    """What is fitted together."""
    if history.case_model is not None:
        return "model", history.case_model
    return ("series", history.series) if history.case is None else ("case", history.case)


def _by_group(
    histories: Iterable[DropHistory],
) -> dict[tuple[str, str], list[DropHistory]]:
    """Series by what is fitted together."""
    found: dict[tuple[str, str], list[DropHistory]] = defaultdict(list)
    for each in histories:
        found[_group(each)].append(each)
    return found
