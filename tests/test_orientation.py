"""Orientations of a box: numbering of ISO 2206, and why 1-3 is none."""

from itertools import combinations

import pytest

from durability.record.errors import UnusableCall
from durability.record.orientation import (
    ORIENTATIONS,
    is_orientation,
    normalise_orientation,
    parse_orientation,
)


def names(kind):
    return [o.name.split()[1] for o in ORIENTATIONS if o.kind == kind]


def test_26_orientations_as_in_the_transit_drop():
    # MIL-STD-810H method 516.8, clause 4.6.5, Table 516.8-IX: each face, edge and corner, 26 drops.
    assert [len(names(kind)) for kind in ("face", "edge", "corner")] == [6, 12, 8]
    assert len(set(ORIENTATIONS)) == 26


def test_edges_and_corners_are_those_of_a_box():
    # ISO 2206 numbering (from memory): opposite faces are 1-3, 2-4, 5-6. The lists follow from it:
    # an edge is a pair that is not opposite, a corner one of each opposite pair.
    assert " ".join(names("edge")) == "1-2 1-4 1-5 1-6 2-3 2-5 2-6 3-4 3-5 3-6 4-5 4-6"
    assert " ".join(names("corner")) == "1-2-5 1-2-6 1-4-5 1-4-6 2-3-5 2-3-6 3-4-5 3-4-6"


@pytest.mark.parametrize(
    ("typed", "stored"),
    [
        ("face 3", "face 3"),
        ("3", "face 3"),
        ("edge 1-2", "edge 1-2"),
        ("2-1", "edge 1-2"),
        ("corner 2-3-5", "corner 2-3-5"),
        ("5-3-2", "corner 2-3-5"),
        (" Corner 5, 2, 3 ", "corner 2-3-5"),
        ("2/6", "edge 2-6"),
        ("2–6", "edge 2-6"),
    ],
)
def test_what_is_accepted(typed, stored):
    assert normalise_orientation(typed) == stored
    assert is_orientation(typed)


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        ("1-3", r"no such edge; faces 1 \(top\) and 3 \(bottom\) are opposite and meet nowhere"),
        ("edge 6-5", r"faces 5 \(near end\) and 6 \(far end\) are opposite"),
        ("corner 1-2-3", r"no such corner; faces 1 \(top\) and 3 \(bottom\)"),
        ("face 7", "no face 7"),
        ("0", "no face 0"),
        ("edge 3", "3 is not the number of an edge"),
        ("edge 1-2-5", "1-2-5 is not the number of an edge"),
        ("1-1", "one face twice"),
        ("1-2-5-6", "no more than 3 faces"),
        ("", "is not one of the 26"),
        ("flat", "is not one of the 26"),
        ("12", "no face 12"),
        ("1--2", "is not one of the 26"),
    ],
)
def test_what_is_refused_and_why(typed, why):
    assert not is_orientation(typed)
    with pytest.raises(UnusableCall, match=why):
        parse_orientation(typed)


def test_all_pairs_and_triples_split_into_accepted_and_refused():
    pairs = ["-".join(map(str, faces)) for faces in combinations(range(1, 7), 2)]
    assert [pair for pair in pairs if not is_orientation(pair)] == ["1-3", "2-4", "5-6"]
    triples = ["-".join(map(str, faces)) for faces in combinations(range(1, 7), 3)]
    assert sum(map(is_orientation, triples)) == 8


def test_names_read_back():
    assert [parse_orientation(o.name) for o in ORIENTATIONS] == list(ORIENTATIONS)
