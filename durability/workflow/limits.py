"""The level at which a case no longer protects, as it is typed."""

from __future__ import annotations

from dataclasses import dataclass

from durability.errors import UnusableCall


@dataclass(frozen=True, slots=True)
class Limit:
    """In g, else as a fraction above the series' own level at its first drop.

    Raises
    ------
    UnusableCall
        It is not above 0.
    """

    limit_g: float | None = None
    limit_rise: float = 0.5

    def __post_init__(self) -> None:
        """Refuse what is not above 0."""
        if self.limit_g is not None and not self.limit_g > 0:
            raise UnusableCall(f"--limit-g {self.limit_g}: not a number above 0, in g")
        if not self.limit_rise > 0:
            raise UnusableCall(f"--limit-rise {self.limit_rise}: not a fraction above 0, like 0.5")
