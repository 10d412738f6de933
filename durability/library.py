"""The same answers as the command line's, on plain DataFrames with the column names of the files.

Absent is blank, None or NaN, as in the files. Nothing is stored; voided drops (``status`` void)
are left out of every estimate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from durability.errors import UnusableCall
from durability.records import DeviceHistory, DropHistory
from durability.workflow import questions
from durability.workflow.session import Session, open_session

if TYPE_CHECKING:
    from durability.results import Comparison, LatentLink

DAY_ZERO = pd.Timestamp(1970, 1, 1)
BARE = "bare"


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
        optional columns, or the view all_drops or valid_drops of a store.

    Returns
    -------
    DataFrame
        series, case, case_model, drops, valid_drops, verdict, alarm_at_drop, level_first_g,
        level_latest_g, rise_pct_per_drop, rise_lower, rise_upper (90 %), p_value, shape, basis; in
        order of series.

    Raises
    ------
    UnusableCall
        A required column is missing, or a drop number stands twice in a series.

    Examples
    --------
    >>> drops = pd.DataFrame({"series": "S1", "drop_number": range(1, 9),
    ...                       "peak_g": [100, 104, 108, 113, 117, 122, 127, 132.0]})
    >>> trends(drops)[["series", "valid_drops", "verdict"]].to_dict("records")
    [{'series': 'S1', 'valid_drops': 8, 'verdict': 'rising'}]
    """
    from durability.trend import judge_trends

    return _rows(judge_trends(drop_histories(drops)), TREND_COLUMNS)


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
        ``drop_number``; or the view all_damage of a store.
    level : float
        Content of the central prediction interval.
    limit_g : float, optional
        Level in g that no longer protects.
    limit_rise : float
        The same as a fraction above the level at the first drop.
    horizon : int
        Drop number beyond which a prediction is NaN.

    Returns
    -------
    DataFrame
        series, case, case_model, drops, failed, failed_at_drop, failure_cause, limit_g, lower,
        median, upper (drops to failure), b10_drop, basis; in order of series.

    Examples
    --------
    >>> drops = pd.DataFrame({"series": "S1", "drop_number": range(1, 9), "case": "C1",
    ...                       "peak_g": [100, 104, 108, 113, 117, 122, 127, 132.0]})
    >>> told = forecasts(drops).iloc[0]
    >>> bool(told["failed"]), bool(told["lower"] <= told["median"] <= told["upper"])
    (False, True)
    """
    from durability.forecast import forecast

    results = forecast(
        drop_histories(drops, damage),
        level=level,
        limit_g=limit_g,
        limit_rise=limit_rise,
        horizon=horizon,
    )
    frame = _rows(results, FORECAST_COLUMNS)
    at = FORECAST_COLUMNS.index("limit_g") + 1
    for place, end in enumerate(("lower", "median", "upper")):
        values = [getattr(each.drops_to_failure, end) for each in results]
        frame.insert(at + place, end, np.array(values, dtype=float))
    return frame


def ranking(
    drops: pd.DataFrame,
    damage: pd.DataFrame | None = None,
    *,
    by: Literal["case_model", "case"] = "case_model",
) -> pd.DataFrame:
    """Which wear out fastest: one row a group, the fastest first, as ``durability rank``.

    Parameters
    ----------
    drops, damage : DataFrame
        As in :func:`forecasts`.
    by : {"case_model", "case"}
        What to rank.

    Returns
    -------
    DataFrame
        group, cases, drops, failed, rise_pct_per_drop, lower, upper (90 %), probability_fastest,
        life_lower, life_median, life_upper, basis; ``attrs`` holds order_is_clear and basis.
    """
    from durability.compare import rank

    histories = [each for each in drop_histories(drops, damage) if each.case is not None]
    result = rank(histories, by=by)
    frame = _rows(result.groups, RANK_COLUMNS)
    at = RANK_COLUMNS.index("probability_fastest") + 1
    for place, end in enumerate(("lower", "median", "upper")):
        values = [getattr(each.life, end) for each in result.groups]
        frame.insert(at + place, f"life_{end}", np.array(values, dtype=float))
    frame.attrs.update(order_is_clear=result.order_is_clear, basis=result.basis)
    return frame


def comparison(drops: pd.DataFrame, a: str, b: str) -> Comparison:
    """How many times the peak g of ``a`` is that of ``b``, as ``durability compare``.

    Parameters
    ----------
    drops : DataFrame
        As in :func:`trends`, voided drops included: they tell whether they would change the answer.
    a, b : str
        A case model each, or "bare".

    Returns
    -------
    Comparison
        ratio with its 90 % interval, reduction, what was voided and the ratio with it put back.

    Raises
    ------
    UnusableCall
        No series of that case model, or none bare.
    """
    from durability.compare import compare

    readings, put_back = drop_histories(drops), drop_histories(drops, with_voided=True)
    return compare(
        _side(readings, a),
        _side(readings, b),
        a=a,
        b=b,
        a_with_voided=_side(put_back, a),
        b_with_voided=_side(put_back, b),
    )


def latent_link(drops: pd.DataFrame, checks: pd.DataFrame) -> LatentLink:
    """Whether later failures of devices go with the shocks before them, as ``durability latent``.

    Parameters
    ----------
    drops : DataFrame
        As in :func:`trends`, with ``device`` and ``dropped_at``.
    checks : DataFrame
        Rows as ``import inspections`` takes them: ``device``, ``inspected_at``, ``function``,
        ``outcome``; or the view all_checks of a store.

    Returns
    -------
    LatentLink
        Verdict, effect with its interval, and each device's outlook.
    """
    from durability.latent import judge_latent_link

    return judge_latent_link(device_histories(drops, checks))


# ------------------------------------------------------------------------- from frames to records

_DROP_COLUMNS = ("series", "drop_number", "peak_g")
_CHECK_COLUMNS = ("device", "inspected_at", "function", "outcome")

TREND_COLUMNS = (
    "series", "case", "case_model", "drops", "valid_drops", "verdict", "alarm_at_drop",
    "level_first_g", "level_latest_g", "rise_pct_per_drop", "rise_lower", "rise_upper", "p_value",
    "shape", "basis",
)  # fmt: skip
FORECAST_COLUMNS = (
    "series", "case", "case_model", "drops", "failed", "failed_at_drop", "failure_cause", "limit_g",
    "b10_drop", "basis",
)  # fmt: skip
RANK_COLUMNS = (
    "group", "cases", "drops", "failed", "rise_pct_per_drop", "lower", "upper",
    "probability_fastest", "basis",
)  # fmt: skip


def drop_histories(
    drops: pd.DataFrame, damage: pd.DataFrame | None = None, *, with_voided: bool = False
) -> list[DropHistory]:
    """The readings of each series, as the models take them.

    Parameters
    ----------
    drops, damage : DataFrame
        As in :func:`forecasts`. Reference drops (``purpose`` reference) are left out.
    with_voided : bool
        Put voided readings back.

    Returns
    -------
    list of DropHistory
        In order of series.
    """
    rows = _checked(drops, _DROP_COLUMNS, "drops")
    if "purpose" in rows:
        rows = rows[rows["purpose"].fillna("test") != "reference"]
    rows = rows.sort_values(["series", "drop_number"], kind="stable")
    twice = rows.duplicated(["series", "drop_number"])
    if twice.any():
        first = rows[twice].iloc[0]
        raise UnusableCall(
            f"drops: drop {first['drop_number']} of series {first['series']} stands there twice"
        )
    looks = _looks(rows, damage)
    return [
        _history(str(code), own, looks.get(str(code), {}), with_voided=with_voided)
        for code, own in rows.groupby("series", sort=True)
    ]


def _history(
    code: str, own: pd.DataFrame, looks: Mapping[int, int], *, with_voided: bool
) -> DropHistory:
    peak_g = own["peak_g"].astype(float)
    counts = peak_g.notna()
    if not with_voided and "status" in own:
        counts &= own["status"].fillna("valid") != "void"
    valid = own[counts]
    first = own.iloc[0]
    number = own["drop_number"].astype(int)
    return DropHistory(
        series=code,
        drop_number=np.asarray(number[counts], dtype=np.int64),
        peak_g=np.asarray(peak_g[counts], dtype=np.float64),
        drops=len(own),
        last_drop_number=int(number.max()),
        case=_text(first, "case"),
        case_model=_text(first, "case_model"),
        device=_text(first, "device"),
        condition=(
            _value(first, "drop_height_mm"),
            _text(first, "surface"),
            _text(first, "orientation"),
        ),
        temperature_c=_numbers(valid, "temperature_c"),
        dropped_at_s=_seconds(valid, "dropped_at"),
        damage_drop_number=np.array(sorted(looks), dtype=np.int64),
        damage_severity=np.array([looks[drop] for drop in sorted(looks)], dtype=np.int64),
    )


def _looks(drops: pd.DataFrame, damage: pd.DataFrame | None) -> dict[str, dict[int, int]]:
    """Series → drop number → worst severity seen on the case."""
    found: dict[str, dict[int, int]] = {}

    def note(series: Any, drop: Any, severity: Any) -> None:
        own = found.setdefault(str(series), {})
        own[int(drop)] = max(own.get(int(drop), 0), int(severity))

    cases = dict(zip(drops["series"].astype(str), _column(drops, "case"), strict=True))
    if "damage_severity" in drops:
        seen = drops[drops["damage_severity"].notna()]
        for row in seen.to_dict("records"):
            if cases[str(row["series"])] is not None:
                note(row["series"], row["drop_number"], row["damage_severity"])
    if damage is None:
        return found
    last = drops.groupby(drops["series"].astype(str))["drop_number"].max()
    latest = {case: series for series, case in cases.items() if case is not None}
    for row in _checked(damage, ("specimen", "severity"), "damage").to_dict("records"):
        case, series = str(row["specimen"]), _given(row.get("series"))
        series = latest.get(case) if series is None else str(series)
        if series is None or cases.get(series) != case:
            continue
        drop = _given(row.get("drop_number"))
        note(series, last[series] if drop is None else drop, row["severity"])
    return found


def device_histories(drops: pd.DataFrame, checks: pd.DataFrame) -> list[DeviceHistory]:
    """What each device lived through and how it fared, as the models take it.

    Parameters
    ----------
    drops, checks : DataFrame
        As in :func:`latent_link`. Dummies (``device_kind`` dummy) are left out.

    Returns
    -------
    list of DeviceHistory
        In order of device.
    """
    rows = _checked(drops, ("device", "dropped_at", *_DROP_COLUMNS), "drops")
    if "device_kind" in rows:
        rows = rows[rows["device_kind"].fillna("device") != "dummy"]
    rows = rows[rows["device"].notna()].assign(
        device=lambda each: each["device"].astype(str), day=lambda each: _days(each, "dropped_at")
    )
    looked = _checked(checks, _CHECK_COLUMNS, "checks").assign(
        device=lambda each: each["device"].astype(str),
        day=lambda each: _days(each, "inspected_at"),
        at=lambda each: _times(each, "inspected_at"),
    )
    order = rows.assign(at=_times(rows, "dropped_at")).sort_values(
        ["device", "at", "series", "drop_number"], kind="stable"
    )
    looked = looked.sort_values(["device", "at", "function"], kind="stable")
    dropped = {str(code): own for code, own in order.groupby("device")}
    seen = {str(code): own for code, own in looked.groupby("device")}
    return [
        _device(code, dropped.get(code, order.iloc[:0]), seen.get(code, looked.iloc[:0]))
        for code in sorted({*dropped, *seen})
    ]


def _device(code: str, drops: pd.DataFrame, checks: pd.DataFrame) -> DeviceHistory:
    peak_g = np.array(drops["peak_g"], dtype=np.float64)
    velocity = _numbers(drops, "velocity_change_m_s")
    if "status" in drops:
        void = (drops["status"].fillna("valid") == "void").to_numpy()
        peak_g[void], velocity[void] = np.nan, np.nan
    return DeviceHistory(
        device=code,
        drop_day=drops["day"].to_numpy(float),
        peak_g=peak_g,
        drop_height_mm=_numbers(drops, "drop_height_mm"),
        check_day=checks["day"].to_numpy(float),
        check_function=tuple(checks["function"]),
        check_outcome=tuple(checks["outcome"]),
        device_model=_text(drops.iloc[0], "device_model") if len(drops) else None,
        drop_case_model=tuple(_column(drops, "case_model")),
        velocity_change_m_s=velocity,
    )


def _side(histories: Sequence[DropHistory], name: str) -> list[DropHistory]:
    if name == BARE:
        side = [each for each in histories if each.case is None and each.case_model is None]
    else:
        side = [each for each in histories if each.case_model == name]
    if not side:
        raise UnusableCall(f"{name!r}: no series of that case model in these drops")
    return side


def _checked(frame: pd.DataFrame, needed: Sequence[str], what: str) -> pd.DataFrame:
    missing = [name for name in needed if name not in frame]
    if missing:
        raise UnusableCall(f"{what}: no column {', '.join(missing)}; needed: {', '.join(needed)}")
    return frame


def _rows(results: Sequence[Any], columns: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame(
        {name: [getattr(each, name) for each in results] for name in columns},
        columns=list(columns),
    )


def _given(value: Any) -> Any:
    """A cell, or None where it is blank."""
    return None if value is None or value == "" or pd.isna(value) else value


def _text(row: pd.Series, name: str) -> str | None:
    value = _given(row.get(name))
    return None if value is None else str(value)


def _value(row: pd.Series, name: str) -> float | None:
    value = _given(row.get(name))
    return None if value is None else float(value)


def _column(frame: pd.DataFrame, name: str) -> list[str | None]:
    if name not in frame:
        return [None] * len(frame)
    return [None if _given(value) is None else str(value) for value in frame[name]]


def _numbers(frame: pd.DataFrame, name: str) -> np.ndarray:
    if name not in frame:
        return np.full(len(frame), np.nan)
    return pd.to_numeric(frame[name]).to_numpy(float, na_value=np.nan, copy=True)


def _times(frame: pd.DataFrame, name: str) -> pd.Series:
    """Wall-clock times of the bench; a zone is told apart and left out, as the store does."""
    if name not in frame:
        return pd.Series(pd.NaT, index=frame.index, dtype="datetime64[us]")
    if isinstance(frame[name].dtype, np.dtype) and frame[name].dtype.kind == "M":
        return frame[name].astype("datetime64[us]")
    told = [
        pd.NaT if _given(value) is None else datetime.fromisoformat(str(value)).replace(tzinfo=None)
        for value in frame[name]
    ]
    return pd.Series(told, index=frame.index, dtype="datetime64[us]")


def _seconds(frame: pd.DataFrame, name: str) -> np.ndarray:
    return ((_times(frame, name) - DAY_ZERO) / pd.Timedelta(seconds=1)).to_numpy(float)


def _days(frame: pd.DataFrame, name: str) -> pd.Series:
    days: pd.Series = (_times(frame, name).dt.normalize() - DAY_ZERO) / pd.Timedelta(days=1)
    return days
