"""The program held against published values, dated and with the versions that were run."""

from __future__ import annotations

import platform
from importlib.metadata import version

from durability.record import clock
from durability.selfcheck.results import SelfCheck
from durability.version import PROGRAM_VERSION

_LIBRARIES = ("duckdb", "numpy", "scipy", "scikit-learn", "pandas", "matplotlib")


def run_selfcheck() -> SelfCheck:
    """Every shipped published value through this very program.

    Returns
    -------
    SelfCheck
        With the moment of the run and the versions of the program and of what it stands on.
    """
    from durability.selfcheck.checks import check_published_values

    return SelfCheck(clock.now().replace(microsecond=0), versions(), check_published_values())


def versions() -> dict[str, str]:
    """Version of the program, of Python, of the libraries that compute, and the machine's kind."""
    return {
        "durability": PROGRAM_VERSION,
        "Python": platform.python_version(),
        **{library: version(library) for library in _LIBRARIES},
        "machine": f"{platform.system()} {platform.machine()}",
    }
