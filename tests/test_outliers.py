"""Outlier tests against printed tables and the NIST handbook's worked examples."""

import csv
from pathlib import Path

import numpy as np
import pytest

from durability.record.errors import UnusableCall
from durability.wear.outliers import (
    generalized_esd,
    grubbs_critical,
    level_shown_until,
    off_in_a_row,
    suggested,
)

PUBLISHED = Path(__file__).parents[1] / "fixtures" / "published"


def published(name):
    with (PUBLISHED / name).open(encoding="utf-8") as file:
        return np.array([float(row["value"]) for row in csv.DictReader(file)])


@pytest.mark.parametrize(
    ("n", "printed"),
    list(enumerate([1.15, 1.46, 1.67, 1.82, 1.94, 2.03, 2.11, 2.18, 2.23, 2.29], start=3)),
)
def test_one_sided_table_as_printed(n, printed):
    """Grubbs (1969), table 1, 5 % one-sided, as ASTM E178 reprints it; half a unit of the last
    digit, and one more thousandth since n = 12 is printed 2.29 for 2.2850."""
    assert grubbs_critical(n, two_sided=False) == pytest.approx(printed, abs=0.006)


@pytest.mark.parametrize(
    ("n", "alpha", "two_sided", "value"),
    [
        (3, 0.05, False, 1.1531),
        (5, 0.01, False, 1.7489),
        (8, 0.05, True, 2.1266),
        (10, 0.01, True, 2.4821),
        (12, 0.05, True, 2.4116),
    ],
)
def test_critical_values_by_formula(n, alpha, two_sided, value):
    """Recomputed with scipy.stats.t 1.17 from the formula of NIST/SEMATECH 1.3.5.17.1."""
    assert grubbs_critical(n, alpha, two_sided=two_sided) == pytest.approx(value, abs=5e-5)


def test_critical_value_is_exceeded_as_often_as_stated():
    normal = np.random.default_rng(8).standard_normal((20_000, 8))
    off = np.abs(normal - normal.mean(axis=1, keepdims=True)).max(axis=1)
    exceeded = (off / normal.std(axis=1, ddof=1) > grubbs_critical(8)).mean()
    # Exact for one outlier; four standard errors of a share of 5 % in 20,000.
    assert exceeded == pytest.approx(0.05, abs=0.006)


def test_uranium_example():
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.4687 against 2.032, one-sided 5 %."""
    found = generalized_esd(published("outlier_nist_grubbs.csv"), 1)
    assert found.statistic == pytest.approx(2.4687, abs=1e-4)
    assert grubbs_critical(8, two_sided=False) == pytest.approx(2.032, abs=5e-4)
    assert found.positions == (7,)


def test_rosner_example():
    """NIST/SEMATECH e-Handbook 1.3.5.17.3: three outliers though R1 and R2 pass; the handbook cuts
    its digits instead of rounding, hence 0.0011."""
    readings = published("outlier_rosner_esd_54.csv")
    found = generalized_esd(readings, 10)
    printed = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    critical = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    assert found.statistic == pytest.approx(printed, abs=0.0011)
    assert found.critical == pytest.approx(critical, abs=0.0011)
    assert sorted(readings[list(found.positions)]) == [5.34, 5.42, 6.01]
    assert (found.statistic[:2] < found.critical[:2]).all()


def test_nothing_outlying():
    assert generalized_esd(np.arange(20.0), 3).positions == ()


def test_equal_readings():
    found = generalized_esd([118.0] * 6, 3)
    assert (found.statistic == 0).all()
    assert found.positions == ()


def test_too_few_readings():
    with pytest.raises(UnusableCall, match="at least 3"):
        generalized_esd([1.0, 2.0], 1)
    with pytest.raises(UnusableCall, match="at least 3"):
        generalized_esd([1.0, 2.0, 3.0, 9.0], 3)


def suggested_slowly(off):
    """One series: the farthest reading set aside again and again."""
    most = 0 if len(off) < 6 else 1 if len(off) < 15 else max(2, len(off) // 10)
    left, found, exceeding = list(range(len(off))), [], 0
    for step in range(1, most + 1):
        own = off[left]
        away = np.abs(own - own.mean())
        far = int(away.argmax())
        found.append(left.pop(far))
        if own.std() > 0 and away[far] / own.std(ddof=1) > grubbs_critical(len(own)):
            exceeding = step
    return tuple(sorted(10 + at for at in found[:exceeding]))


def test_many_series_at_once_are_marked_as_one_by_one():
    rng = np.random.default_rng(3)
    offs = [rng.standard_t(2.5, int(n)) for n in rng.integers(1, 40, 200)]
    marked = suggested([np.arange(10, 10 + len(off)) for off in offs], offs)
    assert [drops for drops, _ in marked] == [suggested_slowly(off) for off in offs]
    assert sum(map(bool, (drops for drops, _ in marked))) > 50
    assert {test for _, test in marked} >= {"too few drops for an outlier test", "Grubbs, 5 %"}


# ------------------------------------------------------------------------- readings weighed down


def marks(text):
    return np.array([sign != "." for sign in text])


@pytest.mark.parametrize(
    ("text", "age"),
    [("...", np.inf), ("..x", 4), ("x.xx", 4), (".x.", np.inf), ("xx", 0), ("", np.inf)],
)
def test_the_level_is_shown_up_to_the_last_reading_that_counts_in_full(text, age):
    ages = np.array([2, 4, 7, 9])[: len(text)]
    assert level_shown_until(ages, marks(text)) == age


@pytest.mark.parametrize(
    ("text", "drops"),
    [
        ("....--", (15, 16)),
        ("..--..", (13, 14)),
        ("..--.++", (16, 17)),
        ("..+-..", ()),
        ("..-.-.", ()),
        ("--....", ()),
        ("+.---", (13, 14, 15)),
    ],
)
def test_two_off_to_one_side_in_a_row_are_named(text, drops):
    off = np.array([{".": 0.01, "+": 0.5, "-": -0.5}[sign] for sign in text])
    assert off_in_a_row(np.arange(11, 11 + len(text)), off, marks(text)) == drops
