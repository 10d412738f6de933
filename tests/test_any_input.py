"""Whatever is typed or lies in a file: no traceback, a right status, all of it stored or none.

What is accepted reads back as it was given. ``tests/calibration/faults.py`` runs the same with more
examples.
"""

import contextlib
import csv
import io
import json
import os
import shutil
import sys

import duckdb
import pytest
from export_files import half_sine_g, npy, write_volts
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from durability.__main__ import main
from durability.cli.parser import _COMMANDS, make_parser
from durability.intake.columns import COLUMNS, FILE_KINDS
from durability.record.check_lists import check_list_text, read_check_list
from durability.record.errors import STEERING, UnusableCall
from durability.record.whole_file import sha256

EXAMPLES = int(os.environ.get("EXAMPLES", "25"))


def examples(share=1.0):
    """The same examples every time, whatever the machine."""
    return settings(
        derandomize=True,
        database=None,
        deadline=None,
        max_examples=max(int(share * EXAMPLES), 1),
        suppress_health_check=list(HealthCheck),
    )


class Place:
    """A folder with a store, and what a command says there."""

    calls = 0
    """Of all tests so far."""

    def __init__(self, folder):
        self.folder = folder
        self.made = 0

    def __call__(self, *words, typed=""):
        Place.calls += 1
        out, err, stdin = io.StringIO(), io.StringIO(), sys.stdin
        sys.stdin = io.StringIO(typed)
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                status = main([str(word) for word in words])
        except SystemExit as stop:
            status = stop.code or 0
        finally:
            sys.stdin = stdin
        shown = out.getvalue() + err.getvalue()
        assert status in (0, 1, 2, 130), shown
        assert status != 2 or err.getvalue().startswith(("durability", "!")), shown
        assert "Traceback" not in shown
        assert not {ord(sign) for sign in shown} & set(STEERING), shown
        self.shown = shown
        return status, out.getvalue()

    def state(self):
        """Digest of the store."""
        return sha256(self.folder / "store.duckdb")

    def asked(self, sql):
        with duckdb.connect(str(self.folder / "store.duckdb"), read_only=True) as connection:
            return connection.execute(sql).fetchall()

    def new(self, stem="S"):
        self.made += 1
        return f"{stem}{self.made}"

    def file(self, name, content):
        path = self.folder / name
        path.write_bytes(content.encode(errors="replace") if isinstance(content, str) else content)
        return path

    def all_or_none(self, *words, typed=""):
        """A call that stores nothing where it does not end well."""
        before = self.state()
        status, out = self(*words, typed=typed)
        assert status == 0 or self.state() == before, self.shown
        return status, out


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("place")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("DURABILITY_STORE", str(folder / "store.duckdb"))
        patch.setenv("DURABILITY_PERSON", "tester")
        patch.setenv("NO_COLOR", "1")
        made = Place(folder)
        for words in (
            "init",
            "specimen add C-1 --kind case --model sleeve",
            "sensor add A-1 --sensitivity-mv-per-g 0.5 --full-scale-g 2000",
            "series open S --device D-1 --device-kind device --case C-1 --sensor A-1",
            "drop add S 118",
            "inspect schedule P --stage day1=1 --device D-1",
            "plan sheet --case C-1 --orientation 1 -o sheet.csv",
        ):
            assert made(*words.split())[0] == 0, made.shown
        yield made


TROUBLE = st.sampled_from(
    [
        *("", " ", "\x00", "\x1b[2J", "\u202e", "\u200b", "\ufeff", "\x85", "\r", "\n", "\t", '"'),
        *("'", ",", ";", "=1+1", "--", "-", "#", "%", "\\", "$x", "{}", "é", "漢", "NULL", "nan"),
        *("inf", "-1", "0", "1e308", "1e-320", "1e19", "2147483648", "1,180", "127,5", "48in"),
        *("2026-02-30", "0001-01-01", "9999-12-31T23:59:59+14:00", "A:B", "S", "D-1", "C-1", "1"),
        *("x" * 5000, "../up", "/dev/null", "nowhere/file", "."),
    ]
)
# As ``st.text`` draws them; left to it, each process first encodes every character there is.
CHARACTERS = st.characters(exclude_categories=["Cs"])
TEXT = st.one_of(
    TROUBLE, st.text(CHARACTERS, max_size=20), st.floats().map(str), st.integers().map(str)
)
BYTES = st.one_of(TEXT.map(lambda text: text.encode(errors="replace")), st.binary(max_size=4))
CELL = {
    "peak_g": st.floats(1, 5000).map(repr),
    "drop_number": st.integers(1, 60).map(str),
    "severity": st.sampled_from("01234"),
    "outcome": st.sampled_from(["pass", "degraded", "fail", "not_tested"]),
    "kind": st.sampled_from(["case", "device", "dummy"]),
    "inspected_at": st.sampled_from(["2026-03-01", "2026-03-01T10:00+01:00"]),
    "series": st.sampled_from(["S", "T"]),
    **dict.fromkeys(("specimen", "device", "code"), st.sampled_from(["D-1", "C-1", "N-1"])),
}


@st.composite
def sheets(draw):
    """A kind of table, and a file of it: mostly as it should be, with trouble in it."""
    kind = draw(st.sampled_from(sorted(FILE_KINDS)))
    rules = FILE_KINDS[kind]
    more = draw(st.lists(st.sampled_from(sorted(rules.columns)), max_size=4))
    names = list(dict.fromkeys((*rules.required, *more)))
    cells = st.tuples(
        *(st.one_of(CELL.get(name, TEXT), CELL.get(name, TEXT), TEXT) for name in names)
    )
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow(names)
    rows.writerows(draw(st.lists(cells, min_size=1, max_size=4)))
    content = text.getvalue().encode(errors="replace")
    at = draw(st.integers(0, len(content)))
    return kind, content[:at] + draw(st.one_of(st.just(b""), st.binary(max_size=3))) + content[at:]


@examples(0.5)
@given(sheet=sheets(), keep=st.booleans())
def test_any_table(place, sheet, keep):
    kind, content = sheet
    path = place.file("t.csv", content)
    for old in place.folder.glob("t.rejects*"):
        old.unlink()
    before = place.state()
    options = [*["--keep-good"] * keep, *["--allow-gaps"] * (kind == "drops")]
    status, out = place("import", kind, path, *options, "--json")
    told = json.loads(out) if out else {"added": 0, "rejected": 0, "read": 0, "duplicates": 0}
    assert told["added"] + told["rejected"] + told["duplicates"] == told["read"] or not keep
    if status == 2 or not told["added"]:
        # Refused as a whole; a file whose rows are all there already leaves its entry.
        assert status == 0 or keep or place.state() == before
    assert (told["rejected"] > 0) == (status == 1)


@examples(0.3)
@given(
    drops=st.lists(
        st.tuples(st.floats(0.001, 1e5), st.text(CHARACTERS, max_size=30), st.floats(-200, 1000)),
        min_size=1, max_size=5,
    )
)  # fmt: skip
def test_what_a_table_brings_reads_back(place, drops):
    code = place.new("T")
    text = io.StringIO()
    rows = csv.writer(text)
    rows.writerow(["series", "drop_number", "peak_g", "note", "temperature_c"])
    rows.writerows((code, n, repr(g), note, repr(c)) for n, (g, note, c) in enumerate(drops, 1))
    status, _ = place.all_or_none("import", "drops", place.file("d.csv", text.getvalue()))
    stored = place.asked(
        "SELECT peak_g, note, temperature_c FROM all_drops"
        f" WHERE series = '{code}' ORDER BY drop_number"
    )
    assert stored == ([(g, note.strip() or None, c) for g, note, c in drops] if status == 0 else [])


RECORD = "time_s,acceleration_g\n" + "".join(f"{n / 1e4},{n % 7 * 10}\n" for n in range(40))


@st.composite
def recorder_files(draw):
    """A recorder's file with some of its bytes replaced, cut or repeated; or anything at all."""
    content = draw(
        st.sampled_from([RECORD.encode(), RECORD.replace(",", ";").encode("utf-16"),
                         npy((40,), bytes(320)), b"PK\x03\x04" + bytes(40), b"PAR1" + bytes(9),
                         b"\x1f\x8b\x08" + bytes(20), b""])
    )  # fmt: skip
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(content)))
        cut = draw(st.integers(0, 6))
        content = content[:at] + draw(st.binary(max_size=6)) + content[at + cut :]
    return content


@examples(0.6)
@given(
    content=recorder_files(),
    name=st.sampled_from(["r.csv", "r.npy", "r.npz", "r.txt", "r.csv.gz", "r.parquet", "r.bin"]),
    options=st.sampled_from([(), ("--units", "g"), ("--channel", "2"), ("--decimal", "comma"),
                             ("--encoding", "utf-16"), ("--first-line", "3"), ("--explain",),
                             ("--sample-rate-hz", "1e4"), ("--delimiter", "blanks")]),
)  # fmt: skip
def test_any_recorder_file(place, content, name, options):
    path = place.file(name, content)
    place.all_or_none("import", "waveforms", path, "--series", "S", *options, "--json")
    path.unlink()


LINES = st.one_of(
    TEXT.map(lambda text: text.replace("\n", " ")),
    st.floats(1, 3000).map(lambda peak: f"{peak:.4g}"),
    st.sampled_from(
        ["118", "118 2.1", "118 2.1 1.9 # note", "48in", "c 125", "c 1 126", "v", "v slipped",
         "never", "never 1 twice", "n corner", "d 2 scratch", "file no.csv", "u", "?", "s", "t 21",
         "D-1", "C-1", ":C-1", "]Q1C-1", "x", "#", "plot", "p", "o 3", "118;119", "-5", "1e400"]
    ),
)  # fmt: skip


@examples(0.4)
@given(lines=st.lists(LINES, max_size=6))
def test_any_lines_of_a_session(place, lines):
    count = "SELECT count(*) FROM drops"
    (before,) = place.asked(count)
    _, out = place("record", "S", typed="".join(f"{line}\n" for line in lines))
    (after,) = place.asked(count)
    assert after[0] - before[0] == sum(
        line.startswith("drop ") and " stored: " in line for line in out.splitlines()
    )


ANSWERS = st.one_of(
    TEXT.map(lambda text: text.replace("\n", " ")),
    st.sampled_from(["p", "f", "d", "n", "pass", "fail # cracked", "pass 5.2 mm", "b", "q", "m",
                     "pass 1e400 mm", "5.2", "? ", "degraded 3 # x"]),
)  # fmt: skip


@examples(0.4)
@given(lines=st.lists(ANSWERS, max_size=6))
def test_any_lines_of_an_inspection(place, lines):
    code = place.new("D")
    assert place("specimen", "add", code, "--kind", "device")[0] == 0
    assert place("inspect", "schedule", "P", "--device", code)[0] == 0
    typed = "".join(f"{line}\n" for line in lines)
    _, out = place("inspect", "record", code, "--inspected-at", "2026-05-01", typed=typed)
    stored = place.asked(
        "SELECT count(*) FROM functional_check JOIN inspection USING (inspection_id)"
        f" JOIN specimen ON device_id = specimen_id WHERE code = '{code}'"
    )
    told = [line for line in out.splitlines() if f"functions of {code} recorded" in line]
    assert not told or int(told[0].split()[0]) <= stored[0][0]


@examples(0.6)
@given(
    lines=st.lists(
        st.one_of(TEXT, st.sampled_from(["power-on", "swelling, mm", "lamp, again 1 in 2",
                                         "case, at once", "lamp, again 3 in 2", "# words"])),
        max_size=5,
    )
)  # fmt: skip
def test_any_check_list(place, lines):
    text = "\n".join(lines)
    path = place.file("mine.txt", text)
    plan = place.new("plan")
    status, _ = place.all_or_none(
        "inspect", "schedule", plan, "--stage", "day1=1", "--check-list", path
    )
    with contextlib.suppress(UnusableCall):
        read = read_check_list(path.read_text(encoding="utf-8"), "mine.txt")
        assert read_check_list(check_list_text(read), "mine.txt") == read
        assert status == 0, place.shown


@examples(0.4)
@given(data=st.data())
def test_any_drop_sheet(place, data):
    content = (place.folder / "sheet.csv").read_bytes()
    at = data.draw(st.integers(0, len(content)))
    cut = data.draw(st.integers(0, 20))
    path = place.file("sheet2.csv", content[:at] + data.draw(BYTES) + content[at + cut :])
    place("record", "S", "--plan", path, typed="118\nq\n" if data.draw(st.booleans()) else "q\n")


@pytest.fixture(scope="module")
def exported(place):
    """An export of a store with a record in it."""
    write_volts(place.folder / "v.csv", half_sine_g(rate_hz=20_000.0), rate_hz=20_000.0)
    assert place("import", "waveforms", "v.csv", "--series", "S")[0] == 0, place.shown
    assert place("export", "whole")[0] == 0
    return place.folder / "whole"


@examples(0.4)
@given(data=st.data())
def test_any_archive(place, exported, data):
    """A changed table is found by its digest; a changed list of files can say anything."""
    folder = place.folder / "changed"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(exported, folder)
    names = sorted(each.relative_to(folder) for each in folder.rglob("*.csv"))
    name = data.draw(st.one_of(st.just("record.json"), st.sampled_from(names)))
    content = (folder / name).read_bytes()
    at = data.draw(st.integers(0, max(len(content) - 1, 0)))
    new = content[:at] + data.draw(BYTES) + content[at + data.draw(st.integers(0, 9)) :]
    (folder / name).write_bytes(new)
    store = place.folder / "again.duckdb"
    status, _ = place("import", "record", folder, "--store", store)
    assert store.exists() == (status == 0), place.shown
    assert status != 0 or name == "record.json" or new == content
    store.unlink(missing_ok=True)
    assert not [each.name for each in place.folder.iterdir() if "building" in each.name]


SLOW = {"demo", "watch", "serve", "selfcheck", "report", "plot", "recover", "manual"}
"""Commands that never end or take long."""


def leaves(parser, words=()):
    """Every command of a parser, with the words that lead to it."""
    groups = [a for a in parser._actions if hasattr(a, "choices") and isinstance(a.choices, dict)]
    for group in groups:
        for name, each in group.choices.items():
            yield from leaves(each, (*words, name))
    if not groups:
        yield words, parser


CALLS = {
    name: [each for each in leaves(make_parser(only=name)) if each[0][0] == name]
    for name in _COMMANDS.keys() - SLOW
}


@st.composite
def calls(draw, name):
    """A command with some of its options, each with any value."""
    words, parser = draw(st.sampled_from(CALLS[name]))
    known = st.sampled_from(["S", "D-1", "C-1", "A-1", "P", "sleeve", "bare", "1", "2026-05-01"])
    given_ = []
    for action in parser._actions:
        if action.dest in ("help", "store"):
            continue
        if action.option_strings and not (action.required or draw(st.integers(0, 5)) == 0):
            continue
        one = action.nargs in (None, "?")
        values = [] if action.nargs == 0 else [
            draw(st.one_of(known, known, TEXT)) for _ in range(1 if one else 2)
        ]  # fmt: skip
        if action.option_strings and values:
            given_ += [f"{action.option_strings[-1]}={values[0]}"]
        else:
            given_ += [*action.option_strings[-1:], *values]
    return [*words, *given_]


@pytest.mark.parametrize("name", sorted(_COMMANDS.keys() - SLOW))
@examples(0.12)
@given(data=st.data(), typed=st.lists(LINES, max_size=2))
def test_any_call(place, name, data, typed):
    here = place.folder / "calls"
    here.mkdir(exist_ok=True)
    os.chdir(here)
    try:
        place(*data.draw(calls(name)), typed="".join(f"{line}\n" for line in typed))
    finally:
        os.chdir(place.folder)


def test_every_column_is_drawn():
    assert CELL.keys() <= COLUMNS.keys()
