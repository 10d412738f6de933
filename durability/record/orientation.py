"""The 26 ways a box can land: 6 faces, 12 edges, 8 corners, numbered as in ISO 2206.

Seen by someone who faces the near end, with the manufacturer's joint at the right: 1 top, 2 right
side, 3 bottom, 4 left side, 5 near end, 6 far end (ISO 2206; ASTM D5276). An edge is named by the
two faces that meet in it, a corner by three. Round an odd shape a box is imagined and numbered.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

from durability.record.errors import UnusableCall

OrientationKind = Literal["face", "edge", "corner"]

FACE_NAMES = {
    1: "top",
    2: "right side",
    3: "bottom",
    4: "left side",
    5: "near end",
    6: "far end",
}
OPPOSITE_FACE = {1: 3, 3: 1, 2: 4, 4: 2, 5: 6, 6: 5}
KIND_OF_FACE_COUNT: dict[int, OrientationKind] = {1: "face", 2: "edge", 3: "corner"}

_TYPED = re.compile(r"(?:(face|edge|corner)\s*)?([0-9]+(?:\s*[-–,/]\s*[0-9]+)*)", re.IGNORECASE)


_DESIGNATION = re.compile(
    r"(?:(?:face|edge|corner)\s*)?[0-9](?:\s*-\s*[0-9])+|face\s*[0-9]+", re.IGNORECASE
)
"""A numbered face, or faces joined by dashes, as ISO 2206 writes an edge or a corner."""


@dataclass(frozen=True, slots=True)
class UnfoldedFace:
    """Place of a face on the box laid flat round its top, and the faces at its sides there."""

    row: int
    column: int
    above: int
    below: int
    left: int
    right: int


UNFOLDED = {
    6: UnfoldedFace(0, 1, above=3, below=1, left=4, right=2),
    4: UnfoldedFace(1, 0, above=6, below=5, left=3, right=1),
    1: UnfoldedFace(1, 1, above=6, below=5, left=4, right=2),
    2: UnfoldedFace(1, 2, above=6, below=5, left=1, right=3),
    3: UnfoldedFace(1, 3, above=6, below=5, left=2, right=4),
    5: UnfoldedFace(2, 1, above=1, below=3, left=4, right=2),
}
"""Seen from outside, the near end below."""


@dataclass(frozen=True, slots=True, order=True)
class Orientation:
    """What a box lands on: the one, two or three faces that meet there, in ascending order."""

    faces: tuple[int, ...]

    @property
    def kind(self) -> OrientationKind:
        """Face, edge or corner."""
        return KIND_OF_FACE_COUNT[len(self.faces)]

    @property
    def name(self) -> str:
        """For instance "face 3", "edge 1-2", "corner 2-3-5"."""
        return f"{self.kind} {'-'.join(map(str, self.faces))}"


def _opposites(faces: tuple[int, ...]) -> tuple[int, int] | None:
    """First pair of opposite faces, which meet nowhere."""
    return next(
        (pair for pair in combinations(faces, 2) if OPPOSITE_FACE[pair[0]] == pair[1]), None
    )


ORIENTATIONS: tuple[Orientation, ...] = tuple(
    Orientation(faces)
    for count in KIND_OF_FACE_COUNT
    for faces in combinations(FACE_NAMES, count)
    if _opposites(faces) is None
)
"""Each face, edge and corner once: the 26 drops of MIL-STD-810H method 516.8, transit drop."""


def parse_orientation(text: str) -> Orientation:
    """Orientation that was typed, in whatever order the faces were named.

    Parameters
    ----------
    text : str
        "face 3" or "3", "edge 1-2" or "1-2", "corner 2-3-5" or "2-3-5"; comma, slash and dash do
        as well.

    Returns
    -------
    Orientation
        With its faces in ascending order.

    Raises
    ------
    UnusableCall
        Not of that form, a face that there is not, a word that does not fit the number of faces,
        a face named twice, or opposite faces, which share no edge and no corner.
    """
    typed = _TYPED.fullmatch(text.strip())
    if typed is None:
        raise UnusableCall(
            f"orientation {text!r} is not one of the 26: write face 3, edge 1-2 or corner 1-2-5"
        )
    word, numbers = typed.groups()
    faces = tuple(sorted(int(number) for number in re.findall("[0-9]+", numbers)))
    unknown = [face for face in faces if face not in FACE_NAMES]
    if unknown:
        raise UnusableCall(f"orientation {text!r}: there is no face {unknown[0]}; faces are 1 to 6")
    if len(set(faces)) < len(faces):
        raise UnusableCall(f"orientation {text!r} names one face twice")
    if len(faces) > max(KIND_OF_FACE_COUNT):
        raise UnusableCall(f"orientation {text!r}: no more than 3 faces meet in a corner")
    kind = KIND_OF_FACE_COUNT[len(faces)]
    if word is not None and word.lower() != kind:
        raise UnusableCall(
            f"orientation {text!r}: {'-'.join(map(str, faces))} is not the number of "
            f"{'an' if word.lower() == 'edge' else 'a'} {word.lower()}"
        )
    opposite = _opposites(faces)
    if opposite is not None:
        near, far = opposite
        raise UnusableCall(
            f"orientation {text!r}: there is no such {kind}; faces {near} "
            f"({FACE_NAMES[near]}) and {far} ({FACE_NAMES[far]}) are opposite and meet nowhere"
        )
    return Orientation(faces)


def is_orientation(text: str) -> bool:
    """Whether a text names one of the 26 orientations.

    Parameters
    ----------
    text : str
        As for `parse_orientation`.

    Returns
    -------
    bool
        True for "1-2", False for "1-3".
    """
    try:
        parse_orientation(text)
    except UnusableCall:
        return False
    return True


def normalise_orientation(text: str) -> str:
    """Name of an orientation as it is stored.

    Parameters
    ----------
    text : str
        As for `parse_orientation`.

    Returns
    -------
    str
        For instance "edge 1-2" for "2-1".

    Raises
    ------
    UnusableCall
        As `parse_orientation`.
    """
    return parse_orientation(text).name


def impossible_designation(text: str | None) -> str | None:
    """Why a text that is written like a face, an edge or a corner is none.

    Parameters
    ----------
    text : str or None
        What was written for an orientation; free words such as "corner 3" or "on its back" are
        nobody's business here.

    Returns
    -------
    str or None
        The fault of "face 7", "edge 1-3" or "1-2-4"; None for "1-2", for free words and for None.
    """
    if text is None or not _DESIGNATION.fullmatch(text.strip()):
        return None
    try:
        parse_orientation(text)
    except UnusableCall as error:
        return str(error).removeprefix(f"orientation {text!r}").lstrip(": ")
    return None
