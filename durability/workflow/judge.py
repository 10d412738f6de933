"""Estimates from the record: trend, forecast, rank, compare, latent."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from durability.records import DropHistory
from durability.store import bench, database
from durability.workflow.logbook import series_rows
from durability.workflow.session import Session


def drop_histories(
    session: Session,
    series: Sequence[str] | None = None,
    case_models: Sequence[str] | None = None,
    *,
    with_voided: bool = False,
) -> list[DropHistory]:
    """The readings that estimates rest on, a history a series.

    Parameters
    ----------
    session : Session
        Store and person.
    series, case_models : sequence of str, optional
        Keep only these; without ``series`` reference drops are left out.
    with_voided : bool
        Put voided readings back, for "does it change the answer?" only.

    Returns
    -------
    list of DropHistory
        In order of series code.
    """
    with database.reading(session.store) as connection:
        rows = series_rows(connection, series, case_models, purpose=None if series else "test")
        codes = [row["series"] for row in rows]
        name = "readings_with_voided" if with_voided else "readings"
        readings = bench.fetch_arrays(connection, name, series=codes)
        damage = bench.fetch_arrays(connection, "case_damage", series=codes)
    spans = _spans(readings["series"])
    looks = _spans(damage["series"])
    histories = []
    for row in rows:
        at = spans.get(row["series"], slice(0, 0))
        look = looks.get(row["series"], slice(0, 0))
        histories.append(
            DropHistory(
                series=row["series"],
                drop_number=readings["drop_number"][at].astype(np.int64),
                peak_g=readings["peak_g"][at].astype(float),
                drops=row["drops"],
                last_drop_number=row["last_drop_number"],
                case=row["case"],
                case_model=row["case_model"],
                device=row["device"],
                condition=(row["drop_height_mm"], row["surface"], row["orientation"]),
                temperature_c=readings["temperature_c"][at].astype(float),
                dropped_at_s=readings["dropped_at_s"][at].astype(float),
                damage_drop_number=damage["drop_number"][look].astype(np.int64),
                damage_severity=damage["severity"][look].astype(np.int64),
            )
        )
    return histories


def _spans(keys: Any) -> dict[str, slice]:
    """Where each run of equal keys stands in a sorted column."""
    if len(keys) == 0:
        return {}
    starts = [0, *(at for at in range(1, len(keys)) if keys[at] != keys[at - 1]), len(keys)]
    return {str(keys[start]): slice(start, end) for start, end in pairwise(starts)}
