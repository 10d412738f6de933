"""Seals tell a change by hand: ISO/IEC 17025:2017 7.11.3, protection of records from tampering.

SHA-256 is that of FIPS 180-4; the digests are recomputed here by the standard library's own.
"""

import hashlib
import os
import re
import shutil

import duckdb
import pytest
from export_files import RATE_HZ, half_sine_g, write_volts

from durability.store import sql_files

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
"""SHA-256 of "abc": the worked example published with FIPS 180-4."""


@pytest.fixture
def sealed(store, sheet, once):
    """A record with one of each common kind of entry, sealed."""

    def make():
        drops = sheet(
            "drops.csv", "series,drop_number,peak_g,case,device", "S1,1,100,C1,D1", "S1,2,110,C1,D1"
        )
        store("import", "drops", drops)
        store("drop", "void", "S1", "2", "--reason", "cable snag")
        store("damage", "add", "C1", "--severity", "2", "--note", "hairline")
        store("seal", "--json")

    once(make)
    return store


def by_hand(*statements):
    with duckdb.connect(os.environ["DURABILITY_STORE"]) as connection:
        for each in statements:
            connection.execute(each)


def rows(statement):
    with duckdb.connect(os.environ["DURABILITY_STORE"], read_only=True) as connection:
        return connection.execute(statement).fetchall()


def test_an_untouched_record_is_told_unchanged(sealed):
    told = sealed("verify")
    assert told.out.startswith("UNCHANGED: all ")
    found = sealed("verify", "--json").json
    assert found["is_sound"] and not found["altered"] and found["unsealed_entries"] == 0
    assert found["seals"][0]["entries"] == len(rows("FROM sealed_entry")) >= 3


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE drops SET peak_g = 99.999 WHERE drop_number = 1",
        "UPDATE drops SET temperature_c = 20 WHERE drop_number = 1",
        "UPDATE amendment SET reason = 'loose mount'",
        "UPDATE damage_note SET severity = 1",
        "UPDATE entry SET entered_by = 'somebody' WHERE command = 'damage add'",
        "UPDATE specimen SET lot = 'B' WHERE code = 'C1'",
        "DELETE FROM damage_note",
        "INSERT INTO drops (series_id, drop_number, peak_g, status, entry_id)"
        " SELECT series_id, 3, 100, 'valid', entry_id FROM drops WHERE drop_number = 1",
    ],
)
def test_a_change_by_hand_is_told_with_the_entry_it_hit(sealed, statement):
    by_hand(statement)
    told = sealed("verify", expect=1)
    assert told.out.startswith("! CHANGED: 1 entry not as sealed")
    assert len(sealed("verify", "--json", expect=1).json["altered"]) == 1


def test_an_entry_that_is_gone_is_missed_by_name(sealed):
    by_hand(
        "DELETE FROM damage_note",
        "DELETE FROM entry WHERE command = 'damage add'",
    )
    (missing,) = sealed("verify", "--json", expect=1).json["altered"]
    assert missing["is_gone"] and missing["command"] == "damage add"
    assert "1 entry gone" in sealed("verify", expect=1).out


def test_a_forged_fingerprint_breaks_the_chain(sealed):
    sealed("drop", "add", "S1", "--peak-g", "120")
    sealed("seal")
    by_hand("UPDATE sealed_entry SET digest = '" + ABC + "' WHERE command = 'damage add'")
    told = sealed("verify", expect=1).out
    assert "the list of seal 1 was changed" in told


def test_digests_are_sha_256_chained_from_seal_to_seal(sealed):
    assert hashlib.sha256(b"abc").hexdigest() == ABC
    sealed("drop", "add", "S1", "--peak-g", "120")
    sealed("seal")
    chained = ""
    for number, digest in rows("SELECT seal_number, digest FROM seal ORDER BY ALL"):
        own = rows(
            f"SELECT digest FROM sealed_entry WHERE seal_number = {number}"
            " ORDER BY sealed_entry_id",
        )
        text = chained + "".join(each for (each,) in own)
        chained = hashlib.sha256(text.encode()).hexdigest()
        assert digest == chained


def test_what_came_after_the_seal_is_counted_and_sealed_next(sealed):
    sealed("drop", "add", "S1", "--peak-g", "120")
    found = sealed("verify", "--json").json
    assert found["is_sound"] and (found["unsealed_entries"], found["unsealed_rows"]) == (1, 2)
    sealed("seal")
    after = sealed("verify", "--json").json
    assert len(after["seals"]) == 2 and after["unsealed_entries"] == 0
    # The first seal's own entry is held by the second.
    assert after["seals"][1]["entries"] == found["seals"][0]["entries"] + 2


def test_nothing_new_makes_no_new_seal(sealed):
    first, second = sealed("seal", "--json").json, sealed("seal", "--json").json
    assert first["seals"] == second["seals"] and len(first["seals"]) == 1


def test_a_seal_over_a_changed_record_says_so_and_the_change_stays_told(sealed):
    by_hand("UPDATE drops SET peak_g = 99 WHERE drop_number = 1")
    sealed("drop", "add", "S1", "--peak-g", "120")
    assert sealed("seal", expect=1).out.startswith("! CHANGED")
    assert len(sealed("verify", "--json", expect=1).json["altered"]) == 1


def test_a_digest_noted_elsewhere_finds_its_seal_and_a_foreign_one_none(sealed):
    digest = sealed("verify", "--json").json["seals"][0]["digest"]
    assert "the digest is that of seal 1" in sealed("verify", "--digest", digest.upper()).out
    assert "no seal here has the digest" in sealed("verify", "--digest", ABC, expect=1).out
    told = sealed("verify", "--digest", "12", expect=2)
    assert told.err.count("\n") == 1 and "64 hexadecimal digits" in told.err


def test_a_copy_gives_the_same_digest_and_verifies(sealed, tmp_path):
    digest = sealed("verify", "--json").json["seals"][0]["digest"]
    backup = tmp_path / "backup.duckdb"
    shutil.copy(os.environ["DURABILITY_STORE"], backup)
    found = sealed("verify", "--digest", digest, "--store", backup, "--json").json
    assert found["is_sound"] and found["seal_of_digest"] == 1


def test_without_a_seal_nothing_is_claimed(store):
    assert store("verify").out.startswith("no seal yet")
    assert store("seal").out.startswith("nothing to seal")


def test_every_table_that_holds_records_is_fingerprinted(store):
    tables = {
        name
        for (name,) in rows("SELECT table_name FROM duckdb_tables() WHERE NOT internal")
        # What was recorded where a row holds another value now is read beside each row.
        if name not in ("schema_step", "sealed_entry", "as_recorded")
    }
    read = set(re.findall(r"FROM (\w+)", sql_files.statement("fingerprint_entries")))
    assert tables - read == set()


def test_kept_waveforms_are_measured_again(rig, tmp_path):
    paths = [
        write_volts(tmp_path / f"drop{number}.csv", half_sine_g(380.0, seed=number))
        for number in (1, 2)
    ]
    rig("import", "waveforms", *paths, "--series", "S1")
    rig("remeasure", "--channel-class", "180")
    assert "kept waveforms: 2 give the measures on record" in rig("verify").out
    by_hand("UPDATE pulse_measures SET velocity_change_m_s = 1.001 * velocity_change_m_s")
    told = rig("verify", expect=1).out
    assert "do not give the measures on record: S1 drop 1, S1 drop 2" in told


def test_a_record_of_several_axes_is_measured_again_as_it_was(rig, tmp_path):
    z = half_sine_g(400.0)
    rows = [f"{i / RATE_HZ:.9f},{a:.4f},{0.4 * a:.4f}" for i, a in enumerate(z)]
    path = tmp_path / "two.csv"
    path.write_text("Time (s),Z (g),X (g)\n" + "\n".join(rows) + "\n")
    rig("import", "waveforms", path, "--series", "S1", "--channel", "Z", "--cross-channel", "X")
    assert "axis X across" in rig("show", "drop", "S1", "1").out
    assert "kept waveform: 1 give the measures on record" in rig("verify").out


def test_a_reading_that_is_not_the_one_measured_is_found_without_a_seal(rig, tmp_path):
    for number in (1, 2):
        path = write_volts(tmp_path / f"drop{number}.csv", half_sine_g(380.0, seed=number))
        rig("import", "waveforms", path, "--series", "S1")
    rig("drop", "amend", "S1", "1", "--set", "peak_g=300", "--reason", "read off the screen")
    assert "kept waveforms: 2 give the measures on record" in rig("verify").out
    by_hand("UPDATE drops SET pulse_duration_ms = 5 WHERE drop_number = 2")
    told = rig("verify", expect=1).out
    assert "! CHANGED: 1 do not give the measures on record: S1 drop 2" in told


@pytest.mark.parametrize(
    ("statement", "what"),
    [
        (
            "CREATE OR REPLACE VIEW valid_drops AS SELECT * EXCLUDE (status, void_reason)"
            " FROM all_drops WHERE status = 'valid' AND peak_g < 105",
            "view valid_drops: changed",
        ),
        ("DROP VIEW latest_flags", "view latest_flags: missing"),
        (
            "CREATE OR REPLACE MACRO utc_of(written, utc_offset) AS written",
            "macro utc_of: changed",
        ),
        ("ALTER TABLE drops ALTER peak_g SET DEFAULT 100", "table drops: changed"),
    ],
)
def test_what_answers_rest_on_beside_rows_is_held_too(sealed, statement, what):
    by_hand(statement, "CREATE VIEW of_my_own AS SELECT 1")
    told = sealed("verify", expect=1)
    assert f"! CHANGED: {what}; every answer rests on it" in " ".join(told.out.split())
    assert sealed("verify", "--json", expect=1).json["altered_definitions"] == [what]
    assert "UNCHANGED: all " in told.out  # the rows are as sealed
