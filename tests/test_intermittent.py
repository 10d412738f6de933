"""A fail that is followed by a pass: kept as both, and whether further looks confirm it.

JESD22-B111 (from memory): the first intermittent event is the failure when three more come within
the next five drops. Here the looks at a function take the place of the drops.
"""

import numpy as np
import pytest

from durability.devices.follow_up import recurrences, unconfirmed_fails, without_unconfirmed
from durability.record.records import DeviceHistory

JESD22_B111 = (3, 5)


def told(looks, rule):
    """Of a string of looks, P pass and F fail."""
    return [found.confirmation for found in recurrences([look == "F" for look in looks], rule)]


@pytest.mark.parametrize(
    ("looks", "first"),
    [
        ("PFFFF", "confirmed"),
        ("FPFPFF", "confirmed"),  # three more within the next five
        ("FPPFFPF", "unconfirmed"),  # two within the next five, the third comes too late
        ("FPPPP", "unconfirmed"),  # one left to look at can't make three
        ("FPP", "open"),
        ("F", "open"),
        ("FPPFF", "open"),
    ],
)
def test_by_the_rule_of_the_board_level_drop_test(looks, first):
    assert told(looks, JESD22_B111)[0] == first


@pytest.mark.parametrize(
    ("looks", "rule", "all_told"),
    [
        ("FPP", (1, 2), ["unconfirmed"]),
        ("FPF", (1, 2), ["confirmed", "open"]),
        ("FP", (1, 2), ["open"]),
        ("FPPFF", (1, 2), ["unconfirmed", "confirmed", "open"]),
        ("FP", (0, 0), ["confirmed"]),
        ("", (1, 2), []),
    ],
)
def test_each_fail_is_told_by_the_looks_after_it(looks, rule, all_told):
    assert told(looks, rule) == all_told


def test_as_often_as_a_slow_count_says():
    rng = np.random.default_rng(7)
    for _ in range(200):
        looks = (rng.random(rng.integers(1, 9)) < 0.4).tolist()
        again = int(rng.integers(1, 4))
        within = again + int(rng.integers(0, 3))
        slow = []
        for at, failed in enumerate(looks):
            if failed:
                window = looks[at + 1 : at + 1 + within]
                missing = within - len(window)
                slow.append(
                    "confirmed" if sum(window) >= again
                    else "open" if sum(window) + missing >= again
                    else "unconfirmed"
                )  # fmt: skip
        assert told(["F" if failed else "P" for failed in looks], (again, within)) == slow


def test_only_unconfirmed_fails_before_the_first_confirmed_one_are_left_out():
    function = ("touch",) * 6 + ("display",) * 3
    outcome = ("fail", "pass", "pass", "fail", "fail", "pass", "fail", "not_tested", "pass")
    left_out = unconfirmed_fails(function, outcome, {})
    assert left_out.tolist() == [True, *[False] * 8]  # display: one look since, still open


def history(outcomes):
    return DeviceHistory(
        "D",
        drop_day=np.array([0.0]),
        peak_g=np.array([900.0]),
        drop_height_mm=np.array([760.0]),
        check_day=np.arange(len(outcomes), dtype=float),
        check_function=("touch",) * len(outcomes),
        check_outcome=tuple(outcomes),
    )


def test_a_history_without_them_keeps_every_other_look():
    kept = without_unconfirmed(history(["pass", "fail", "pass", "pass"]), {})
    assert kept.check_outcome == ("pass", "pass", "pass")
    assert kept.check_day.tolist() == [0.0, 2.0, 3.0]
    confirmed = history(["pass", "fail", "pass", "fail"])
    assert without_unconfirmed(confirmed, {}) is confirmed


# ------------------------------------------------------------------------------------ in the store


@pytest.fixture
def bench(store, sheet, once):
    """Ten dropped devices and four controls; the heavier dropped half fails once, then passes."""

    def make():
        devices = [f"R{n:02d}" for n in range(10)]
        drops = [
            f"S{n},1,{400 + 150 * n},{code},2026-01-05T10:00" for n, code in enumerate(devices)
        ]
        looks = []
        for n, code in enumerate([*devices, "C0", "C1", "C2", "C3"]):
            for day, at in enumerate(("2026-01-05", "2026-01-20", "2026-02-05", "2026-02-20")):
                fails = 5 <= n < 10 and day == 1
                looks.append(f"{code},{at}T16:00,touch,{'fail' if fails else 'pass'}")
        store(
            "import", "drops", sheet("d.csv", "series,drop_number,peak_g,device,dropped_at", *drops)
        )
        store(
            "import", "inspections", sheet("i.csv", "device,inspected_at,function,outcome", *looks)
        )

    once(make)
    return store


def test_treatment_stays_and_the_verdict_without_them_is_told(bench):
    answer = bench("latent", "--json", "--on", "2026-03-01").json
    assert (answer["verdict"], answer["latent_failures"]) == ("linked", 5)
    assert answer["without_unconfirmed"] == {"devices": 5, "verdict": "too few", "p_value": None}
    assert {row["confirmation"] for row in answer["intermittent"]} == {"unconfirmed"}
    said = " ".join(bench("latent", "--on", "2026-03-01", "--why").out.split())
    assert (
        "unconfirmed: failed once, passed after (2 inspections since; rule: again 1 in 2)" in said
    )
    assert "With the unconfirmed fails of 5 devices left out the verdict WOULD BE too few" in said


def test_history_tells_confirmed_from_unconfirmed_and_the_first_fail_stays(bench):
    look = ("inspect", "record", "R05", "--check", "touch=fail", "--inspected-at")
    assert "unconfirmed: failed once, passed after" in " ".join(bench("history", "R05").out.split())
    bench(*look, "2026-03-05T10:00")
    bench(*look, "2026-03-06T10:00")
    (row,) = bench("history", "R05", "--json").json["exposure"]["intermittent"]
    assert row["confirmation"] == "confirmed"
    assert row["failed_at"].startswith("2026-01-20")
    assert "confirmed: failed again 1 time in 1 inspection" in " ".join(
        bench("inspect", "list", "R05").out.split()
    )


def test_the_rule_is_that_of_the_list(bench, tmp_path):
    (tmp_path / "strict.txt").write_text("touch, at once\n")
    bench("inspect", "schedule", "half a year and a year", "--check-list", "strict.txt")
    answer = bench("latent", "--json", "--on", "2026-03-01").json
    assert {row["confirmation"] for row in answer["intermittent"]} == {"confirmed"}
    assert answer["without_unconfirmed"] is None
