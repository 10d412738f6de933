"""The recipe of the manual, word by word, on Spark: every saved question, and the models.

One process runs the recipe on an export, then asks all; each answer is compared with DuckDB's, or
with that of one process. Needs the extra ``scale`` and Java.
"""

import math
import os
import pickle
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import durability
from durability.__main__ import main
from durability.store.saved_queries import run_query, saved_queries, typed_parameters
from durability.workflow.demo import FOLDER

for library in ("pyarrow", "pyspark", "sqlglot"):
    pytest.importorskip(library, reason=f"no {library}: pip install durability[scale]")
if shutil.which("java") is None:
    pytest.skip("no Java, which Spark needs", allow_module_level=True)

QUERIES = saved_queries([])
DIGITS = 1e-9
"""Relative: what another order of adding up leaves."""

ASK = """
import pickle, sys
from pathlib import Path

found = {"forecasts": [tuple(row) for row in spark.read.parquet("forecasts").collect()]}


def trends(drops):
    found = durability.trends(drops.sort_by("drop_id").to_pandas())
    text = pyarrow.string()
    told = {"series": text, "verdict": text, "level_latest_g": number, "p_value": number}
    return pyarrow.Table.from_pandas(found, pyarrow.schema(told))


schema = "series string, verdict string, level_latest_g double, p_value double"
told = drops.groupBy("case_model").applyInArrow(trends, schema).collect()
found["trends"] = [tuple(row) for row in told]
for asked, question, parameters in pickle.loads(Path("questions").read_bytes()):
    try:
        found[asked] = [tuple(row) for row in answer(question, **parameters).collect()]
    except Exception as error:
        found[asked] = f"{error}".partition("JVM stacktrace")[0][:600]
Path("found").write_bytes(pickle.dumps(found))
spark.stop()
"""

# Light for one core: no pages of its own, one partition, no code compiled for a few rows.
LIGHT = """
spark.master local[1]
spark.driver.memory 1g
spark.driver.bindAddress 127.0.0.1
spark.driver.host localhost
spark.driver.extraJavaOptions -XX:+UseSerialGC -XX:TieredStopAtLevel=1
spark.log.level OFF
spark.ui.enabled false
spark.ui.showConsoleProgress false
spark.sql.shuffle.partitions 1
spark.sql.codegen.wholeStage false
spark.sql.codegen.factoryMode NO_CODEGEN
"""


def asked_of(query):
    """With its defaults, and with the values of its example: each with a name."""
    yield query.name, {}
    if query.example and query.example[0].startswith("--set "):
        pairs = query.example[0].replace("'", "").split("--set ")[1:]
        yield f"{query.name} as in its example", dict(pair.strip().split("=") for pair in pairs)


ASKED = {name: (query, values) for query in QUERIES.values() for name, values in asked_of(query)}


@pytest.fixture(scope="module")
def record(demo_store, tmp_path_factory):
    """The demo and what it lacks: a disposal, a clipped record, a report, another site."""
    folder = tmp_path_factory.mktemp("scale")
    store = shutil.copyfile(demo_store, folder / "record.duckdb")
    half = [min(900.0, 1200 * math.sin(math.pi * at / 200)) for at in range(200)]
    rows = enumerate([0.0] * 400 + half + [0.0] * 400)
    lines = (f"{at / 1e5:.5f},{value:.1f}\n" for at, value in rows)
    (folder / "clipped.csv").write_text("time (s),acceleration (g)\n" + "".join(lines))
    leeds = folder / "leeds.duckdb"
    amend = "drop amend demo-S1 3 --reason misread --set"
    for at, words in (
        (store, "specimen dispose R14 --part cell --how recycled --by Ann"),
        (store, "series open own --device D-9 --device-kind dummy --drop-height-mm 1220"),
        (store, f"import waveforms {folder / 'clipped.csv'} --series own"),
        (store, f"report --short --series demo-S1 -o {folder / 'page.html'}"),
        (store, "init --site bern"),
        (leeds, "init --site leeds"),
        (leeds, f"merge {store}"),
        (leeds, f"{amend} peak_g=151"),
        (store, f"{amend} peak_g=152"),
        (store, f"merge {leeds}"),
    ):
        assert main([*words.split(), "--store", str(at)]) in (0, 1), words
    words = ["export", str(folder / "record-lake"), "--format", "parquet", "--store", str(store)]
    assert main(words) == 0
    return store, folder


@pytest.fixture(scope="module")
def on_spark(record):
    """What the recipe of the manual and the questions after it gave on Spark."""
    _, folder = record
    text = (FOLDER / "methods.md").read_text(encoding="utf-8")
    section = text.partition("\n## Where one machine ends\n")[2].partition("\n## ")[0]
    (recipe,) = re.findall(r"```python\n(.*?)```", section, flags=re.S)
    (folder / "queries").symlink_to(Path(__file__).parent.parent / "queries")
    (folder / "recipe.py").write_text(recipe + ASK)
    (folder / "conf").mkdir()
    (folder / "conf" / "spark-defaults.conf").write_text(LIGHT)
    questions = [
        (name, query.sql, typed_parameters(query, values))
        for name, (query, values) in ASKED.items()
    ]
    (folder / "questions").write_bytes(pickle.dumps(questions))
    # Spark says of pandas 3 that its own use of it is not tested; here it hands over Arrow tables.
    quiet = ("-W", "error", "-W", "ignore:PySpark does not yet fully support pandas:FutureWarning")
    told = subprocess.run(
        [sys.executable, *quiet, "recipe.py"], cwd=folder, capture_output=True, text=True,
        env={
            **os.environ, "SPARK_CONF_DIR": str(folder / "conf"), "PYSPARK_PYTHON": sys.executable,
            "PYTHONPATH": str(Path(durability.__file__).parent.parent),
        },
        check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr.splitlines()[-1][:600]
    assert "survived" in told.stdout or "drops" in told.stdout
    return pickle.loads((folder / "found").read_bytes())


def is_same(told, wanted):
    if isinstance(wanted, float) and told is not None:
        return float(told) == pytest.approx(wanted, rel=DIGITS, abs=DIGITS)
    return told == wanted


@pytest.mark.parametrize("asked", ASKED)
def test_a_saved_question_gives_the_same_rows_on_spark(asked, record, on_spark):
    query, values = ASKED[asked]
    wanted, told = run_query(record[0], query, values).rows, on_spark[asked]
    assert not isinstance(told, str), told
    assert len(told) == len(wanted)
    for told_row, row in zip(told, wanted, strict=True):
        assert all(map(is_same, told_row, row)), (told_row, row)


def test_every_question_has_rows_to_compare(record):
    assert {
        name for name, query in QUERIES.items() if not run_query(record[0], query, {}).rows
    } == (set())


def by_series(rows):
    return {series: values for series, *values in rows}


@pytest.fixture(scope="module")
def frames(record):
    store = durability.open_store(record[0])
    drops = store.frame("all_drops").sort_values("drop_id")
    return drops, store.frame("all_damage")


def test_the_models_are_those_of_one_process(frames, on_spark):
    drops, damage = frames
    wanted = [
        (durability.trends(own), durability.forecasts(own, damage))
        for _, own in drops.groupby("case_model", dropna=False)
    ]
    for name, found, columns in (
        ("trends", [trend for trend, _ in wanted], ["verdict", "level_latest_g", "p_value"]),
        ("forecasts", [forecast for _, forecast in wanted], ["lower", "median", "upper"]),
    ):
        frame = pd.concat(found).set_index("series")[columns].astype(object)
        frame = frame.where(frame.notna(), None)
        told = by_series(on_spark[name])
        assert set(told) == set(frame.index) and len(told) > 40
        for series, row in zip(frame.index, frame.itertuples(index=False)):
            assert all(map(is_same, told[series], row)), (series, told[series], row)


def test_what_does_not_depend_on_other_case_models_is_that_of_the_whole_record(frames, on_spark):
    """Verdicts and drops to failure; p rests on how all readings of a sensor correlate."""
    drops, damage = frames
    verdicts = durability.trends(drops).set_index("series")["verdict"]
    told = by_series(on_spark["trends"])
    assert {series: values[0] for series, values in told.items()} == verdicts.to_dict()
    whole = durability.forecasts(drops, damage).set_index("series")[["lower", "median", "upper"]]
    told = pd.DataFrame(by_series(on_spark["forecasts"]), index=whole.columns).T.astype(float)
    pd.testing.assert_frame_equal(
        told.sort_index(), whole.sort_index(), check_names=False, check_index_type=False
    )
