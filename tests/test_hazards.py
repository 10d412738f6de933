"""Words of danger: notes as they are typed in a hurry, in five languages."""

import hazard_notes
import pytest

from durability.record.hazards import BATTERY_SIGNS, battery_signs, check_signs, cracked_glass
from durability.report.safety import BATTERY_SIGN_KEYS


@pytest.mark.parametrize("name", ["ALARM", "LATER_ALARM", "UNSEEN_ALARM"])
def test_notes_that_tell_of_a_battery_are_heard(name):
    notes = hazard_notes.lines(getattr(hazard_notes, name))
    missed = [note for note in notes if not battery_signs(note)]
    assert len(missed) <= 0.05 * len(notes), missed


@pytest.mark.parametrize("name", ["QUIET", "LATER_QUIET", "UNSEEN_QUIET"])
def test_notes_of_other_things_raise_no_alarm(name):
    """A false alarm costs a look and a line: few are borne, so that fewer are missed."""
    notes = hazard_notes.lines(getattr(hazard_notes, name))
    false = [note for note in notes if battery_signs(note)]
    assert len(false) <= 0.05 * len(notes), false


@pytest.mark.parametrize(
    ("note", "sign"),
    [
        ("swolen", "swollen"),
        ("battrey? no: batery swolllen", "swollen"),
        ("warm to the touch", "hot"),
        ("hot on the charger", "hot"),
        ("popped", "swollen"),
        ("not sure if swollen", "swollen"),
        ("hard to say whether it leaks", "leaking"),
        ("non-swollen, but smell", "smelling"),
        ("battery: cracked", "damaged"),
        ("battery fracture", "damaged"),
        ("battery tear: along the seam", "damaged"),
        ("AKKU AUFGEBLÄHT", "swollen"),
        ("Akku riecht verbrannt", "smelling"),
        ("batterie gonflée", "swollen"),
        ("odeur de brûlé", "smelling"),
        ("batería hinchada", "swollen"),
        ("sale humo", "smoking"),
        ("batteria gonfia", "swollen"),
        ("scotta", "hot"),
    ],
)
def test_slips_doubts_and_other_languages_are_heard(note, sign):
    assert sign in battery_signs(note)


@pytest.mark.parametrize(
    "note",
    [
        "no swelling",
        "not hot",
        "no smell",
        "wasn't warm",
        "nicht geschwollen, kein Geruch",
        "pas d'odeur",
        "sin olor",
        "non è gonfia",
        "corner popped off",
        "warm-up done",
        "history of drops kept",
        "his note",
    ],
)
def test_denials_in_any_of_the_languages_and_words_of_other_meaning_are_none(note):
    assert battery_signs(note) == ()


def test_a_display_that_feels_hot_is_a_sign_whatever_was_checked():
    assert check_signs("display", "pass", "feels hot") == ("hot",)


def test_each_sign_can_be_ticked_and_a_tick_is_heard():
    assert len(BATTERY_SIGN_KEYS) == len(BATTERY_SIGNS)
    heard = [battery_signs(words) for words in BATTERY_SIGN_KEYS.values()]
    assert heard == [(sign,) for sign in BATTERY_SIGNS]


@pytest.mark.parametrize("note", ["Glas gesprungen", "écran fissuré", "pantalla rota"])
def test_cracked_glass_is_heard_in_other_languages_too(note):
    assert cracked_glass(note)
