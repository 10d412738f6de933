"""The page printed to PDF by a browser that is installed."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

from durability.record.errors import UnusableCall

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "microsoft-edge",
    "msedge",
    "chrome",
    # Where they lie on systems that don't put them on the path.
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    r"C:\Program Files\Google\Chrome\Application\chrome.exe",
    r"C:\Program Files (x86)\Microsoft\Edge\Application\msedge.exe",
)
"""Those that print from the command line; Firefox does not."""

PRINT_WAIT_S = 180.0
_FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--no-default-browser-check",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
_LETTER_COUNTRIES = ("US", "CA", "MX", "PH")


def find_browser(file: Path) -> str:
    """A browser that prints without a window.

    Parameters
    ----------
    file : Path
        As given by ``-o``.

    Returns
    -------
    str
        Its program.

    Raises
    ------
    UnusableCall
        None is installed.
    """
    for name in BROWSERS:
        found = shutil.which(name)
        if found:
            return found
    raise UnusableCall(
        f"-o {str(file)!r}: a PDF is printed by Chromium, Chrome or Edge, and none is installed;"
        " name an .html file and print that"
    )


def printed(page: str, browser: str, file: Path) -> bytes:
    """The page as PDF.

    Parameters
    ----------
    page : str
        HTML that stands by itself.
    browser : str
        From ``find_browser``.
    file : Path
        As given by ``-o``; a folder for the browser is made beside it and removed.

    Returns
    -------
    bytes
        On Letter where the locale's country uses it, else on A4.

    Raises
    ------
    UnusableCall
        The browser printed nothing.
    """
    sized = page.replace("</head>", f"<style>@page {{ size: {paper()}; }}</style>\n</head>", 1)
    # One that is confined sees the user's folders only, never /tmp or what begins with a dot.
    with tempfile.TemporaryDirectory(prefix="durability-print-", dir=file.parent) as folder:
        source, target = Path(folder) / "page.html", Path(folder) / "page.pdf"
        source.write_text(sized, encoding="utf-8")
        asked = [browser, *_FLAGS, f"--user-data-dir={Path(folder).resolve() / 'profile'}"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            asked.append("--no-sandbox")  # else it refuses to run for root, as in a container
        asked += [f"--print-to-pdf={target.resolve()}", source.resolve().as_uri()]
        try:
            done = subprocess.run(  # noqa: S603 - a browser of our list, our own page
                asked, stdin=subprocess.DEVNULL, capture_output=True, timeout=PRINT_WAIT_S
            )
            told = done.stderr.decode(errors="replace").strip().splitlines()[-1:]
            why = "".join(told) or f"exit status {done.returncode}"
        except subprocess.TimeoutExpired:
            why = f"nothing after {PRINT_WAIT_S:.0f} s"
        except OSError as error:
            why = str(error.strerror)
        content = target.read_bytes() if target.is_file() else b""
    if not content.startswith(b"%PDF") or b"%%EOF" not in content[-1024:]:
        raise UnusableCall(f"-o {str(file)!r}: {browser} printed no PDF ({why})")
    return content


def paper() -> str:
    """Letter or A4, by the country of the locale."""
    locale = next(
        (os.environ[name] for name in ("LC_ALL", "LC_PAPER", "LANG") if os.environ.get(name)), ""
    )
    country = locale.partition(".")[0].partition("_")[2]
    return "letter" if country in _LETTER_COUNTRIES else "A4"
