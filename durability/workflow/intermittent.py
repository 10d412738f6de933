"""Functions that failed and worked again: kept as both, and whether a look confirmed the fail."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from typing import TYPE_CHECKING, Any

from durability.store import bench

if TYPE_CHECKING:
    from durability.devices.intermittent import Rule


def intermittent_checks(
    connection: Any, rules: Mapping[str, Mapping[str, Rule]], device: str | None = None
) -> list[dict[str, Any]]:
    """Functions that passed or only degraded again after they had failed.

    Parameters
    ----------
    connection : DuckDBPyConnection
        An open store.
    rules : mapping
        Device → function → rule by which a fail is confirmed.
    device : str, optional
        Only of this.

    Returns
    -------
    list of dict
        device, function, failed_at, passed_again_at, confirmation (confirmed, unconfirmed or
        open), fails_again and looks_since by which that was told, and the rule: again, within.
        Of several fails, what the first confirmed one says; the first fail stays the failure.
    """
    from durability.devices.intermittent import USUAL_RULE, recurrences

    rows = bench.fetch(connection, "tested_checks", device=device)
    found = []
    for (code, function), checks in groupby(rows, key=lambda row: (row["device"], row["function"])):
        looks = list(checks)
        failed = [look["outcome"] == "fail" for look in looks]
        first = failed.index(True)
        passed = next((look for look in looks[first:] if look["outcome"] != "fail"), None)
        if passed is None:
            continue
        rule = rules.get(code, {}).get(function, USUAL_RULE)
        told = recurrences(failed, rule)
        best = next((each for each in told if each.confirmation == "confirmed"), told[0])
        found.append(
            {
                "device": code,
                "function": function,
                "failed_at": looks[first]["inspected_at"],
                "passed_again_at": passed["inspected_at"],
                "confirmation": best.confirmation,
                "fails_again": best.fails_again,
                "looks_since": best.looks_since,
                "rule_again": rule[0],
                "rule_within": rule[1],
            }
        )
    return sorted(found, key=lambda row: (row["failed_at"], row["device"], row["function"]))
