"""The whole record as open files, and back: every table as it is, whatever its columns.

Tables go out as CSV, in text that says the same in any program: absent is an empty cell and an
empty text is ``""``, lists are JSON, times ISO 8601. The samples of waveforms, which the store
keeps packed, go to Parquet as plain numbers. For engines of several machines tables and views go
to Parquet, in folders by site and year.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from glob import escape
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import duckdb

from durability.record.basis import counted
from durability.record.errors import RecordRefused
from durability.store import bench, database, merging, sql_files
from durability.store.file import why

if TYPE_CHECKING:
    import numpy as np

TODAY = ("specimens", "series", "drops", "damage", "inspections")
"""The state of today, each from the statement ``today_<name>``."""

SAMPLES_FILE = "waveform_samples.parquet"
_PACKED = ("waveform", "samples")
"""Table and column of the packed samples."""

_WAVEFORMS_AT_ONCE = 32

SITE = "here"
"""What the store's own site is called in a Parquet export."""

_PLACE = ("site", "year")
"""Columns by which the files of a Parquet export are divided."""

_NONE = "__HIVE_DEFAULT_PARTITION__"
"""An absent value in the name of a folder."""

_MOMENTS = ("dropped_at", "inspected_at", "entered_at_utc")
"""The year of a row is that of the first of them that is known."""

_CODES = {
    "series": "series",
    "device": "specimen",
    "case": "specimen",
    "specimen": "specimen",
    "sensor": "sensor",
}
"""Columns with the code of something that was entered, each with its table."""

_SAMPLES = {"waveform": ("waveform_id",), "cross_record": ("waveform_id", "cross_order")}
"""Tables with packed samples, each with its key."""


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """One file of an export."""

    name: str
    """Path below its folder, with slashes; of a table in several files that of their folder."""
    rows: int
    columns: tuple[tuple[str, str], ...]
    """Name, and type as the store names it."""


def write_files(
    store: Path,
    folder: Path,
    decoded: Callable[[bytes], np.ndarray],
    since: datetime | None = None,
) -> tuple[list[WrittenFile], dict[str, Any]]:
    """Write every table, and the state of today, of one moment of a store.

    Parameters
    ----------
    store : Path
        An existing store.
    folder : Path
        An empty folder.
    decoded : callable
        Packed samples → acceleration in g.
    since : datetime, optional
        Only entries from this instant on, with those that their rows refer to, all whole; and
        no state of today.

    Returns
    -------
    files : list of WrittenFile
        In the order in which tables come back.
    state : dict
        Schema step and last act of writing of the store, and digests of the photos that tables
        name.

    Raises
    ------
    OSError
        A file can't be written.
    """
    files = []
    for name in ("tables",) if since else ("tables", "today"):
        (folder / name).mkdir()
    with database.reading(store, with_files=True) as connection, _writing_files():
        if since is not None:
            merging.stage_since(connection, since)
        digests = []
        for table in sql_files.tables(connection):
            relation = connection.table(table)
            if since is not None:
                relation = _since(relation, table)
            if table == "photo":
                digests = relation.project("file_sha256").distinct().order("ALL").fetchall()
            if table == _PACKED[0]:
                samples = folder / "tables" / SAMPLES_FILE
                files.append(_write_samples(connection, relation, samples, decoded))
                relation = relation.project(f"* EXCLUDE ({_PACKED[1]})")
            files.append(_write_table(relation.order("ALL"), folder, f"tables/{table}.csv"))
        for name in () if since else TODAY:
            relation = connection.sql(sql_files.statement(f"today_{name}"))
            files.append(_write_table(relation, folder, f"today/{name}.csv"))
        state = bench.fetch(connection, "record_state")[0]
        return files, {**state, "photos": [digest for (digest,) in digests]}


def write_partitions(
    store: Path,
    folder: Path,
    decoded: Callable[[bytes], np.ndarray],
    since: datetime | None = None,
) -> tuple[list[WrittenFile], dict[str, Any]]:
    """Write every table and view of one moment of a store as Parquet, by site and year.

    Parameters
    ----------
    store : Path
        An existing store.
    folder : Path
        An empty folder.
    decoded : callable
        Packed samples → acceleration in g.
    since : datetime, optional
        As of ``write_files``; then no views.

    Returns
    -------
    files : list of WrittenFile
        A folder each, which holds at least one file.
    state : dict
        As of ``write_files``.

    Raises
    ------
    OSError
        A file can't be written.
    """
    columns = {}
    with database.reading(store, with_files=True) as connection, _writing_files():
        if since is not None:
            merging.stage_since(connection, since)
        views = [] if since else connection.execute(sql_files.statement("views")).fetchall()
        named = [f"tables/{name}" for name in sql_files.tables(connection)]
        for name in (*named, *(f"views/{name}" for (name,) in views)):
            relation = _placed(connection, name.partition("/")[2], is_since=since is not None)
            packed = [name for name, type_ in _columns(relation) if type_ == "BLOB"]
            if packed:
                if name.startswith("tables/") and name.partition("/")[2] in _SAMPLES:
                    columns[f"{name}_samples"] = _write_samples_by_place(
                        connection, relation, folder, f"{name}_samples", decoded
                    )
                relation = relation.project(f"* EXCLUDE ({', '.join(packed)})")
            columns[name] = _write_by_place(relation.order("ALL"), folder, name)
        files = [
            WrittenFile(
                name,
                bench.run(connection, "rows_of_parquet", path=f"{escape(str(folder / name))}/**"),
                each,
            )
            for name, each in columns.items()
        ]
        return files, {**bench.fetch(connection, "record_state")[0], "photos": []}


def _columns(relation: duckdb.DuckDBPyRelation) -> list[tuple[str, str]]:
    return list(zip(relation.columns, map(str, relation.types), strict=True))


def _since(rows: duckdb.DuckDBPyRelation, table: str) -> duckdb.DuckDBPyRelation:
    """Of rows of a table those of the entries that are staged."""
    if table in merging.DERIVED:
        return rows
    return merging.of_entries(rows, table, "FROM since_entry AS n WHERE true")


def _placed(
    connection: duckdb.DuckDBPyConnection, name: str, *, is_since: bool
) -> duckdb.DuckDBPyRelation:
    """A table or view with keys as text, and with the site and the year of each row."""
    rows = connection.table(name)
    rows = (_since(rows, name) if is_since else rows).set_alias("r")
    columns = _columns(rows)
    keys = {each.column: (each.to_table, each.to_column) for each in sql_files.references()}
    keys |= {to_column: (table, to_column) for table, to_column in keys.values()}
    keys |= {column: (table, "code") for column, table in _CODES.items()}
    by = min(
        (column for column in rows.columns if column in keys),
        key=lambda column: (column != "entry_id", column in _CODES),
        default=None,
    )
    moments = [f"r.{column}" for column in _MOMENTS if column in rows.columns]
    if by is not None:
        table, key = keys[by]
        own = (
            connection.table(table)
            .project(f"{sql_files.quoted(key)} AS key, entry_id")
            .set_alias("k")
        )
        sites = connection.table("sites").set_alias("s")
        entries = (
            connection.table("entry")
            .set_alias("n")
            .join(sites, "s.site_id = n.site_id OR (n.site_id IS NULL AND s.is_own)", how="left")
            .project("n.entry_id, n.entered_at_utc, s.site AS site_name")
            .set_alias("e")
        )
        rows = rows.join(own, f"k.key = r.{sql_files.quoted(by)}", how="left")
        rows = rows.join(entries, "e.entry_id = k.entry_id", how="left")
        moments.append("e.entered_at_utc")
    plain = [
        f"r.{sql_files.quoted(column)}::VARCHAR AS {sql_files.quoted(column)}"
        if type_ in ("UUID", "JSON")
        else f"r.{sql_files.quoted(column)}"
        for column, type_ in columns
    ]
    place = {
        "site": f"'{SITE}'" if by is None else f"coalesce(e.site_name, '{SITE}')",
        "year": f"year(coalesce({', '.join(moments)}))" if moments else "NULL::BIGINT",
    }
    made = [f"{words} AS {name}" for name, words in place.items() if name not in rows.columns]
    return rows.project(", ".join([*plain, *made]))


def _write_by_place(
    relation: duckdb.DuckDBPyRelation, folder: Path, name: str, file: str = "part"
) -> tuple[tuple[str, str], ...]:
    """Write a folder for each site, in it one for each year; the columns."""
    there = folder / name
    there.mkdir(parents=True, exist_ok=True)
    relation.write_parquet(
        str(there), partition_by=[*_PLACE], filename_pattern=f"{file}_{{i}}", overwrite=True
    )
    if not any(there.iterdir()):
        place = there / f"site={quote(SITE, safe='')}" / f"year={_NONE}"
        place.mkdir(parents=True)
        empty = relation.project(f"* EXCLUDE ({', '.join(_PLACE)})")
        empty.write_parquet(str(place / f"{file}_0.parquet"))
    return tuple(_columns(relation))


def _write_samples_by_place(
    connection: duckdb.DuckDBPyConnection,
    relation: duckdb.DuckDBPyRelation,
    folder: Path,
    name: str,
    decoded: Callable[[bytes], np.ndarray],
) -> tuple[tuple[str, str], ...]:
    """Write the samples of a table into a table of their own, some waveforms a file."""
    import pandas as pd

    keys = [*_SAMPLES[name.partition("/")[2].removesuffix("_samples")], *_PLACE]
    packed = relation.project(", ".join([*keys, _PACKED[1]])).order(", ".join([*_PLACE, *keys]))
    reading, written = connection.execute(packed.sql_query()), 0
    with duckdb.connect(":memory:") as memory:
        while some := reading.fetchmany(_WAVEFORMS_AT_ONCE):
            frame = pd.DataFrame(some, columns=[*keys, "acceleration_g"], dtype=object)
            frame["acceleration_g"] = frame["acceleration_g"].map(decoded)
            plain = memory.from_df(frame).project("* REPLACE (year::BIGINT AS year)")
            _write_by_place(plain, folder, name, f"part_{written:07}")
            written += len(some)
    none = packed.limit(0).project(f"{', '.join(keys)}, NULL::DOUBLE[] AS acceleration_g")
    return tuple(_columns(none)) if written else _write_by_place(none, folder, name)


def _write_table(relation: duckdb.DuckDBPyRelation, folder: Path, name: str) -> WrittenFile:
    columns = tuple(zip(relation.columns, map(str, relation.types), strict=True))
    plain = [
        f"to_json({sql_files.quoted(column)}) AS {sql_files.quoted(column)}"
        if type_.endswith("[]")
        else sql_files.quoted(column)
        for column, type_ in columns
    ]
    relation.project(", ".join(plain)).write_csv(str(folder / name), header=True)
    return WrittenFile(name, len(relation), columns)


def _write_samples(
    connection: duckdb.DuckDBPyConnection,
    waveforms: duckdb.DuckDBPyRelation,
    file: Path,
    decoded: Callable[[bytes], np.ndarray],
) -> WrittenFile:
    import numpy as np
    import pandas as pd

    wanted = {key for (key,) in waveforms.project("waveform_id").fetchall()}
    packed = connection.cursor().execute(sql_files.statement("packed_samples"))
    rows = 0
    with duckdb.connect(":memory:") as memory:
        empty = pd.DataFrame({"waveform_id": ["-"], "acceleration_g": [np.zeros(1)]})
        memory.from_df(empty).limit(0).create("waveforms")
        while batch := packed.fetchmany(_WAVEFORMS_AT_ONCE):
            some = [each for each in batch if each[0] in wanted]
            frame = pd.DataFrame(
                {
                    "waveform_id": [str(key) for key, _ in some],
                    "acceleration_g": [decoded(samples) for _, samples in some],
                }
            )
            memory.from_df(frame).insert_into("waveforms")
            rows += len(some)
        memory.table("waveforms").write_parquet(str(file))
    columns = (("waveform_id", "UUID"), ("acceleration_g", "DOUBLE[]"))
    return WrittenFile(f"tables/{file.name}", rows, columns)


def read_tables(
    store: Path,
    folder: Path,
    *,
    schema_step: int,
    rows: Mapping[str, int],
    encoded: Callable[[np.ndarray], bytes],
) -> None:
    """Make a store from the tables of an export, as it was when they were written.

    Parameters
    ----------
    store : Path
        The file to make.
    folder : Path
        An export.
    schema_step : int
        Of the store that was exported; later steps are applied once its tables are back.
    rows : mapping
        Table → rows that the export says it has.
    encoded : callable
        Acceleration in g → packed samples.

    Raises
    ------
    RecordRefused
        A table does not hold what its export should.
    StoreUnusable
        The store can't be made.
    """
    with database.making(store, up_to_step=schema_step) as connection:
        connection.execute("BEGIN TRANSACTION")
        name = ""
        try:
            for name in sql_files.tables(connection):
                _read_table(connection, folder / "tables", name, encoded)
                _refuse_other_rows(name, connection.table(name).shape[0], rows.get(name))
            sql_files.refuse_orphans(connection)
            database.advance_sequences(connection)
        except (duckdb.Error, OSError) as error:
            connection.execute("ROLLBACK")
            raise RecordRefused(
                f"{name}.csv: does not come back as a table ({str(error).splitlines()[0]})"
            ) from None
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


def _refuse_other_rows(name: str, there: int, exported: int | None) -> None:
    if there != exported:
        raise RecordRefused(f"{name}.csv: {counted(there, 'row')} where the export says {exported}")


def _read_table(
    connection: duckdb.DuckDBPyConnection,
    folder: Path,
    name: str,
    encoded: Callable[[np.ndarray], bytes],
) -> None:
    table = connection.table(name)
    columns = list(zip(table.columns, map(str, table.types), strict=True))
    is_packed = name == _PACKED[0]
    told = {column: "VARCHAR" for column, _ in columns if not (is_packed and column == _PACKED[1])}
    rows = connection.read_csv(
        str(folder / f"{name}.csv"),
        header=True,
        columns=told,
        sep=",",
        quotechar='"',
        escapechar='"',
        allow_quoted_nulls=False,
        auto_detect=False,
    )
    if is_packed:
        connection.register("packed", _packed_frame(folder / SAMPLES_FILE, encoded))
        packed = connection.table("packed").set_alias("packed")
        rows = rows.set_alias("read").join(packed, "read.waveform_id = packed.packed_id")
    typed = []
    for column, type_ in columns:
        read = sql_files.quoted(column)
        if type_.endswith("[]"):
            read = f"CAST({read} AS JSON)"
        typed.append(f"CAST({read} AS {type_})")
    rows.project(", ".join(typed)).insert_into(name)
    if is_packed:
        connection.unregister("packed")


def _packed_frame(file: Path, encoded: Callable[[np.ndarray], bytes]) -> Any:
    import numpy as np
    import pandas as pd

    keys, packed = [], []
    with duckdb.connect(":memory:") as memory:
        waveforms = memory.execute(sql_files.statement("read_parquet"), {"path": str(file)})
        while some := waveforms.fetchmany(_WAVEFORMS_AT_ONCE):
            for key, samples in some:
                keys.append(key)
                packed.append(encoded(np.asarray(samples, dtype=np.float64)))
    return pd.DataFrame({"packed_id": keys, _PACKED[1]: packed}, dtype=object)


@contextmanager
def _writing_files() -> Iterator[None]:
    try:
        yield
    except duckdb.IOException as error:
        raise OSError(None, why(error)) from None


@dataclass(frozen=True, slots=True)
class DescribedColumn:
    """One column of a table or view."""

    name: str
    type: str
    """As the store names it."""
    unit: str | None
    meaning: str


@dataclass(frozen=True, slots=True)
class DescribedTable:
    """One table or view of the store."""

    name: str
    is_view: bool
    meaning: str
    columns: tuple[DescribedColumn, ...]


def data_dictionary() -> list[DescribedTable]:
    """Every table, then every view, of the latest schema step, by name.

    Returns
    -------
    list of DescribedTable
        Columns in the order of the store.
    """
    with database.empty() as connection:
        rows = connection.execute(sql_files.statement("columns")).fetchall()
    return [
        DescribedTable(
            table,
            is_view,
            _dictionary()["tables"][table],
            tuple(
                DescribedColumn(name, type_, unit(name), meaning(table, name) or "")
                for _, _, name, type_ in columns
            ),
        )
        for (table, is_view), columns in groupby(rows, key=lambda row: row[:2])
    ]


def meaning(table: str, column: str) -> str | None:
    """What a column of a table means; None where the dictionary has none of that name."""
    meanings = _dictionary()["columns"]
    return meanings.get(f"{table}.{column}", meanings.get(column))


def unit(column: str) -> str | None:
    """Unit of a column, by the ending of its name; None where it has none."""
    units = _dictionary()["units"]
    return next((unit for ending, unit in units.items() if column.endswith(ending)), None)


@cache
def _dictionary() -> dict[str, dict[str, str]]:
    file = Path(__file__).with_name("schema") / "dictionary.toml"
    return tomllib.loads(file.read_text(encoding="utf-8"))
