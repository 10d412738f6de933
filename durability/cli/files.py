"""Files that commands write for people."""

from __future__ import annotations

from pathlib import Path

from durability.record.errors import UnusableCall


def refuse_unwritable(file: Path) -> None:
    """Refuse a place that no file can go to, before any work is done.

    Parameters
    ----------
    file : Path
        As given by ``-o``.

    Raises
    ------
    UnusableCall
        Its folder is missing, or it is a folder itself.
    """
    if not file.parent.is_dir():
        raise UnusableCall(f"-o {str(file)!r}: the folder {file.parent} does not exist")
    if file.is_dir():
        raise UnusableCall(f"-o {str(file)!r}: is a folder; name a file")


def write_text(file: Path, text: str) -> None:
    """Write a whole file.

    Parameters
    ----------
    file : Path
        As given by ``-o``.
    text : str
        Its content.

    Raises
    ------
    UnusableCall
        It can't be written there.
    """
    refuse_unwritable(file)
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UnusableCall(f"-o {str(file)!r}: can't be written ({error.strerror})") from None
