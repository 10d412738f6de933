"""Contents of a report → one self-contained page: no network, no script, figures within."""

from durability.report.page.page import page

__all__ = ["page"]
