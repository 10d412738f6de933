"""The same answers as the command line's, on plain DataFrames with the column names of the files.

A frame is taken as an import takes a file: the same columns, ranges and refusals. Absent is blank,
None or NaN. Nothing is stored; voided drops (``status`` void) are left out of every estimate,
and those never made (``never``) of every count.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from durability.intake.checks import check_sheet
from durability.intake.columns import FILE_KINDS, column_of
from durability.intake.tables import Sheet
from durability.record import clock
from durability.record.errors import UnusableCall
from durability.store import bench, database
from durability.workflow import questions
from durability.workflow.histories import device_histories_in, histories_in
from durability.workflow.keep import keep_rows
from durability.workflow.results import Limit, Scope
from durability.workflow.session import Session, open_session
from durability.workflow.study import Study

if TYPE_CHECKING:
    from durability.devices.results import LatentLink
    from durability.wear.results import Comparison


@dataclass(frozen=True, slots=True)
class Store:
    """A store opened for reading; see :func:`open_store`."""

    path: Path

    def frame(self, what: str, **values: Any) -> pd.DataFrame:
        """A view, a saved question or a statement as a DataFrame.

        Parameters
        ----------
        what : str
            Name of a view or table ("valid_drops"), name of a saved question
            ("fastest_degrading_cases"), or SQL, asked read-only.
        **values
            Parameters of the question or statement; None for not given.

        Returns
        -------
        DataFrame
            In the order of drops for the views of drops; names and units of the columns as
            ``durability manual record`` has them.

        Raises
        ------
        UnusableCall
            There is nothing of that name, a value does not fit, or the statement fails or would
            write.

        Examples
        --------
        >>> store = open_store("durability.duckdb")  # doctest: +SKIP
        >>> store.frame("valid_drops")  # doctest: +SKIP
        >>> store.frame("survived_drops", drops=24)  # doctest: +SKIP
        >>> store.frame("SELECT * FROM all_drops WHERE series = $s", s="S1")  # doctest: +SKIP
        """
        return questions.frame(Session(self.path, "reader"), what, values)


def open_store(path: str | Path | None = None) -> Store:
    """A store, to be read.

    Parameters
    ----------
    path : str or Path, optional
        The file; else the environment's DURABILITY_STORE, else durability.duckdb in the current
        folder.

    Returns
    -------
    Store
        Holds the file only while it reads.

    Raises
    ------
    UnusableCall
        There is no store there.
    """
    session = open_session(None if path is None else str(path))
    if not session.store.is_file():
        raise UnusableCall(f"{session.store}: no store there; make one with: durability init")
    return Store(session.store)


def trends(drops: pd.DataFrame) -> pd.DataFrame:
    """Is peak g climbing, and how fast: one row a series, as ``durability trend`` gives it.

    Parameters
    ----------
    drops : DataFrame
        Rows as ``import drops`` takes them: ``series``, ``drop_number``, ``peak_g`` and any of the
        optional columns, or the view all_drops or valid_drops of a store. Voided drops need no
        ``void_reason`` where the frame has no such column.

    Returns
    -------
    DataFrame
        series, case, case_model, drops, valid_drops, verdict, alarm_at_drop, wear_alarm_at_drop,
        level_first_g, level_latest_g, rise_pct_per_drop, rise_lower, rise_upper (90 %), p_value,
        q_value, shape, basis; in order of series.

    Raises
    ------
    UnusableCall
        A column is missing, or a row is one that an import refuses; it names the row.

    Examples
    --------
    >>> drops = pd.DataFrame({"series": "S1", "drop_number": range(1, 9),
    ...                       "peak_g": [100, 104, 108, 113, 117, 122, 127, 132.0]})
    >>> trends(drops)[["series", "valid_drops", "verdict"]].to_dict("records")
    [{'series': 'S1', 'valid_drops': 8, 'verdict': 'rising'}]
    """
    return _frame(_study(drops).trends, TREND_COLUMNS)


def forecasts(
    drops: pd.DataFrame,
    damage: pd.DataFrame | None = None,
    *,
    level: float = 0.9,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
) -> pd.DataFrame:
    """Drops to failure: one row a series, as ``durability forecast`` gives it.

    Parameters
    ----------
    drops : DataFrame
        As in :func:`trends`; ``damage_severity`` counts when it is there.
    damage : DataFrame, optional
        Rows as ``import damage`` takes them: ``specimen``, ``severity``, ``series``,
        ``drop_number``; or the view all_damage of a store. Notes on what is in none of these drops
        are left out.
    level : float
        Content of the central prediction interval.
    limit_g : float, optional
        Level in g that no longer protects.
    limit_rise : float
        The same as a fraction above the level of the fresh case.
    horizon : int
        Drop number beyond which a prediction is NaN.

    Returns
    -------
    DataFrame
        series, case, case_model, drops, case_age_at_first_drop, failed, failed_at_drop,
        failure_cause, limit_g, lower, median, upper (drops to failure), failed_by_limit,
        failed_by_damage (chances within the horizon), b10_drop, basis; in order of series.

    Raises
    ------
    UnusableCall
        As in :func:`trends`, or a value is out of its range.

    Examples
    --------
    >>> drops = pd.DataFrame({"series": "S1", "drop_number": range(1, 9), "case": "C1",
    ...                       "peak_g": [100, 104, 108, 113, 117, 122, 127, 132.0]})
    >>> told = forecasts(drops).iloc[0]
    >>> bool(told["failed"]), bool(told["lower"] <= told["median"] <= told["upper"])
    (False, True)
    """
    results = _study(drops, damage, Limit(level, limit_g, limit_rise, horizon)).forecasts
    frame = _frame(results, FORECAST_COLUMNS)
    at = [*FORECAST_COLUMNS].index("limit_g") + 1
    for place, end in enumerate(("lower", "median", "upper")):
        values = [getattr(each.drops_to_failure, end) for each in results]
        frame.insert(at + place, end, pd.Series(values, dtype="float64"))
    for place, cause in enumerate(("failed_by_limit", "failed_by_damage"), start=3):
        values = [getattr(each, cause) for each in results]
        frame.insert(at + place, cause, pd.Series(values, dtype="float64"))
    return frame


def ranking(
    drops: pd.DataFrame,
    damage: pd.DataFrame | None = None,
    *,
    by: Literal["case_model", "case"] = "case_model",
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
    pool: bool = False,
) -> pd.DataFrame:
    """Which wear out fastest: one row a group and condition, as ``durability rank``.

    Parameters
    ----------
    drops, damage : DataFrame
        As in :func:`forecasts`.
    by : {"case_model", "case"}
        What to rank.
    limit_g, limit_rise, horizon
        As in :func:`forecasts`, for the life of each group.
    pool : bool
        One model of all conditions, condition as a factor; else each separately.

    Returns
    -------
    DataFrame
        group, cases, drops, failed, rise_pct_per_drop, lower, upper (90 %), settling_pct,
        probability_fastest, life_lower, life_median, life_upper, the same of b10 and b50
        (``_estimate`` in the middle), basis, drop_height_mm, surface, device_kind; the condition
        with most cases first, the fastest first in each. ``attrs`` holds order_is_clear and basis
        of the first condition.

    Raises
    ------
    UnusableCall
        As in :func:`forecasts`.
    """
    if by not in ("case_model", "case"):
        raise UnusableCall(f"by {by!r}: neither 'case_model' nor 'case'")
    limit = Limit(limit_g=limit_g, limit_rise=limit_rise, horizon=horizon)
    result = _study(drops, damage, limit).ranking(by, pool=pool)
    every = [(each, group) for each in (result, *result.others) for group in each.groups]
    frame = _frame([group for _, group in every], RANK_COLUMNS)
    at = [*RANK_COLUMNS].index("probability_fastest") + 1
    for name, ends in (
        ("life", ("lower", "median", "upper")),
        ("b10", ("lower", "estimate", "upper")),
        ("b50", ("lower", "estimate", "upper")),
    ):
        for end in ends:
            values = [getattr(getattr(group, name), end) for _, group in every]
            frame.insert(at, f"{name}_{end}", pd.Series(values, dtype=_NUMBER))
            at += 1
    for name, kind in (("drop_height_mm", _NUMBER), ("surface", _TEXT), ("device_kind", _TEXT)):
        values = [getattr(each.condition, name, None) for each, _ in every]
        frame[name] = pd.Series(values, dtype=kind)
    frame.attrs.update(order_is_clear=result.order_is_clear, basis=result.basis)
    return frame


def comparison(
    drops: pd.DataFrame, a: str, b: str, *, after_drops: int | None = None, pool: bool = False
) -> Comparison:
    """How many times the peak g of ``a`` is that of ``b``, as ``durability compare``.

    Parameters
    ----------
    drops : DataFrame
        As in :func:`trends`, voided drops included: they tell whether they would change the answer.
    a, b : str
        A case model each, or "bare".
    after_drops : int, optional
        At this drop of each case; by default the mean over the drops that both sides made.
    pool : bool
        One model of all conditions in common, condition as a factor; else each separately.

    Returns
    -------
    Comparison
        ratio with its 90 % interval, reduction, what was voided and the ratio with it put back,
        under the condition that stands first; ``others`` holds the same under each other one.

    Raises
    ------
    UnusableCall
        As in :func:`trends`, or ``after_drops`` is more than both sides have made.
    RecordRefused
        No series of that case model, or none bare.
    """
    return _study(drops).comparison(a, b, after_drops=after_drops, pool=pool)[0]


def backtest(
    histories: pd.DataFrame,
    estimator: Any = None,
    damage: pd.DataFrame | None = None,
    *,
    level: float = 0.9,
    limit_g: float | None = None,
    limit_rise: float = 0.5,
    horizon: int = 400,
) -> pd.DataFrame:
    """Past forecasts against what happened, as ``durability forecast --backtest``.

    Parameters
    ----------
    histories : DataFrame
        Drops, as in :func:`trends`; ``dropped_at`` says what of other cases was known by when.
    estimator : scikit-learn regressor, optional
        Held to the same cuts in place of our own forecast: fitted to each series alone, peak g
        over drop number, and drawn on until the limit. Its interval is that of its level, by
        ``predict_interval`` or ``return_std``; any other has none, so that only its error counts.
    damage : DataFrame, optional
        As in :func:`forecasts`.
    level, limit_g, limit_rise, horizon
        As in :func:`forecasts`. What has failed is judged by our own fit of all drops.

    Returns
    -------
    DataFrame
        case_model (missing: all series), share, series (judged), held with held_lower and
        held_upper (90 %), median_abs_log_error, interval_score, not_judged, too_few; a row a
        share of life, first of all series, then of each case model.

    Raises
    ------
    UnusableCall
        As in :func:`forecasts`, or the estimator is no regressor.

    Examples
    --------
    >>> drops = pd.DataFrame({"series": "S1", "drop_number": range(1, 15), "case": "C1",
    ...                       "peak_g": [100 * 1.04**drop for drop in range(14)]})
    >>> from sklearn.linear_model import LinearRegression
    >>> backtest(drops, LinearRegression())["series"].tolist()
    [0, 1, 1, 1]
    """
    if isinstance(estimator, type) or (estimator is not None and not hasattr(estimator, "predict")):
        raise UnusableCall(
            f"estimator {estimator!r}: not a regressor of scikit-learn; give one like"
            " LinearRegression()"
        )
    limit = Limit(level, limit_g, limit_rise, horizon)
    found = _study(histories, damage, limit).backtest(estimator=estimator)
    return _frame([*found.cuts, *found.by_model], BACKTEST_COLUMNS)


def latent_link(drops: pd.DataFrame, checks: pd.DataFrame, *, on: date | None = None) -> LatentLink:
    """Whether later failures of devices go with the shocks before them, as ``durability latent``.

    Parameters
    ----------
    drops : DataFrame
        As in :func:`trends`, with ``device`` and ``dropped_at``.
    checks : DataFrame
        Rows as ``import inspections`` takes them: ``device``, ``inspected_at``, ``function``,
        ``outcome``; or the view all_checks of a store.
    on : date, optional
        The day on which failures that no one has seen yet are asked for; by default today.

    Returns
    -------
    LatentLink
        Verdict, effect with its interval, and each device's outlook.

    Raises
    ------
    UnusableCall
        As in :func:`trends`.
    """
    from durability.devices.judgement import judge_latent_link

    missing = [name for name in ("device", "dropped_at") if name not in drops]
    if missing:
        raise UnusableCall(f"drops: no column {', '.join(missing)}; a dose needs device and day")
    with _taken(drops=drops, inspections=checks) as connection:
        histories = device_histories_in(connection)
    day = on or clock.today()
    return judge_latent_link(histories, on_day=float((day - date(1970, 1, 1)).days))


# ------------------------------------------------------------------------- from frames to records

_TEXT, _NUMBER, _COUNT, _WHOLE, _FLAG = "string", "float64", "int64", "Int64", "bool"

TREND_COLUMNS = {
    "series": _TEXT, "case": _TEXT, "case_model": _TEXT, "drops": _COUNT, "valid_drops": _COUNT,
    "verdict": _TEXT, "alarm_at_drop": _WHOLE, "wear_alarm_at_drop": _WHOLE,
    "level_first_g": _NUMBER, "level_latest_g": _NUMBER,
    "rise_pct_per_drop": _NUMBER, "rise_lower": _NUMBER, "rise_upper": _NUMBER,
    "p_value": _NUMBER, "q_value": _NUMBER, "shape": _TEXT, "basis": _TEXT,
}  # fmt: skip
FORECAST_COLUMNS = {
    "series": _TEXT, "case": _TEXT, "case_model": _TEXT, "drops": _COUNT,
    "case_age_at_first_drop": _COUNT, "failed": _FLAG, "failed_at_drop": _WHOLE,
    "failure_cause": _TEXT, "limit_g": _NUMBER, "b10_drop": _NUMBER, "basis": _TEXT,
}  # fmt: skip
BACKTEST_COLUMNS = {
    "case_model": _TEXT, "share": _NUMBER, "series": _COUNT, "held": _NUMBER,
    "held_lower": _NUMBER, "held_upper": _NUMBER, "median_abs_log_error": _NUMBER,
    "interval_score": _NUMBER, "not_judged": _COUNT, "too_few": _COUNT,
}  # fmt: skip
RANK_COLUMNS = {
    "group": _TEXT, "cases": _COUNT, "drops": _COUNT, "failed": _COUNT,
    "rise_pct_per_drop": _NUMBER, "lower": _NUMBER, "upper": _NUMBER, "settling_pct": _NUMBER,
    "probability_fastest": _NUMBER, "basis": _TEXT,
}  # fmt: skip
"""Column → its type, the same whatever the data."""


def _frame(results: Sequence[Any], columns: Mapping[str, str]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            name: pd.Series([getattr(each, name) for each in results], dtype=kind)
            for name, kind in columns.items()
        }
    )


def _study(
    drops: pd.DataFrame, damage: pd.DataFrame | None = None, limit: Limit | None = None
) -> Study:
    """The study of a record that holds these drops and notes, and nothing else."""
    with _taken(drops=drops, damage=_noted_on(damage, drops)) as connection:
        histories = histories_in(connection)
    tests = tuple(each.series for each in histories.valid if each.series not in histories.reference)
    return Study(histories, Scope("whole record", (), tests), limit or Limit())


def _noted_on(damage: pd.DataFrame | None, drops: pd.DataFrame) -> pd.DataFrame | None:
    """Notes on specimens and series of these drops."""
    if damage is None or "specimen" not in damage:
        return damage
    codes = {
        str(code)
        for name in ("case", "device", "series")
        if name in drops
        for code in drops[name].dropna().unique()
    }
    kept = damage["specimen"].astype(str).isin(codes)
    if "series" in damage:
        kept &= damage["series"].isna() | damage["series"].astype(str).isin({"", *codes})
    return damage[kept]


@contextmanager
def _taken(**frames: pd.DataFrame | None) -> Iterator[Any]:
    """A store in memory that holds the rows of these frames, taken as an import takes them."""
    with database.in_memory() as connection:
        for kind, frame in _parts(frames):
            entry = bench.add_entry(connection, entered_by="library", command=f"import {kind}")
            rows, refused = check_sheet(_sheet(kind, frame), kind)
            if kind == "inspections":
                rows = rows.assign(check_list_sha256=None)
            if not refused:
                # Codes of a store of several sites have colons.
                usual = bench.KEEPINGS[kind]
                checks = tuple(each for each in usual.checks if each != "check_codes")
                keeping = replace(usual, checks=checks)
                kept = keep_rows(connection, kind, rows, [(kind, entry)], keeping=keeping)
                refused = [*kept.rejections]
            if refused:
                first = refused[0]
                column = "" if first.column is None else f", {first.column}"
                value = "" if first.value is None else f" {first.value!r}"
                raise UnusableCall(
                    f"{kind}.iloc[{first.row}]{column}{value}: {first.reason}"
                    f" ({len(refused)} of {len(frame)} rows refused)"
                )
            if kind == "inspections":
                bench.run(connection, "enter_elsewhere", entry_id=entry)
        yield connection


def _parts(frames: Mapping[str, pd.DataFrame | None]) -> Iterator[tuple[str, pd.DataFrame]]:
    """Each frame; of a store that has several inspections of a device at one time, one by one.

    A site has one, so that each further one is as if it had been entered at another.
    """
    for kind, frame in frames.items():
        if frame is None:
            continue
        keys = ["device", "inspected_at", "inspection_id"]
        if kind != "inspections" or frame.empty or not {*keys} <= {*frame}:
            yield kind, frame
            continue
        at_once = frame.groupby(keys[:2], dropna=False)["inspection_id"]
        place = at_once.transform(lambda own: own.factorize()[0])
        for at in sorted(place.unique()):
            yield kind, frame[place == at]


def _sheet(kind: str, frame: pd.DataFrame) -> Sheet:
    """A frame as the text of a file of that kind; columns of no meaning to it are left out."""
    rules = FILE_KINDS[kind]
    named = {column_of(name)[0]: name for name in map(str, frame)}
    missing = [name for name in rules.required if name not in named]
    if missing:
        needed = ", ".join(rules.required)
        raise UnusableCall(f"{kind}: no column {', '.join(missing)}; needed: {needed}")
    text = pd.DataFrame(
        {
            name: [_cell(value) for value in frame[named[name]].tolist()]
            for name in rules.columns
            if name in named
        },
        dtype=object,
    )
    if "status" in text and "void_reason" not in text:
        # A frame is for answers, not for the record: why a drop does not count may stand elsewhere.
        is_out = text["status"].isin(["void", "never"])
        text["void_reason"] = is_out.map({True: "not given", False: ""})
    in_other_units = {name: said for name, said in named.items() if name != said}
    return Sheet(kind, "", text.assign(source_row=range(len(text))), (), (), in_other_units)


def _cell(value: Any) -> str:
    if value is None or (value != value) is True or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, datetime):
        return value.isoformat()
    return str(value).strip()
