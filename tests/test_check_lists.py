"""Check lists: plain files that a lab edits, versions of them, and which one a look was made by."""

import csv

import pytest

from durability.record.check_lists import check_list_text, read_check_list, ready_lists, ready_text
from durability.record.errors import UnusableCall
from durability.record.records import CheckedFunction

# --------------------------------------------------------------------------------------- the text


def test_a_line_is_a_function_with_unit_and_rule():
    listed = read_check_list(
        "# ours\n\npower-on\nbattery swelling, mm, at once  # thickest place\n"
        " radios , dBm,again 2 in 5\n",
        "our_radios.txt",
    )
    assert listed.name == "our radios"
    assert listed.checked == (
        CheckedFunction("power-on", None, 1, 2),
        CheckedFunction("battery swelling", "mm", 0, 0),
        CheckedFunction("radios", "dBm", 2, 5),
    )


@pytest.mark.parametrize("name", sorted(ready_lists()))
def test_a_ready_list_reads_as_it_is_written_out(name):
    listed = ready_lists()[name]
    file = f"{name.replace(' ', '_')}.txt"
    assert read_check_list(ready_text(name), file) == listed
    assert read_check_list(check_list_text(listed), file) == listed


def test_a_version_is_its_name_and_its_lines_not_its_comments():
    one = read_check_list("touch\n", "a.txt")
    assert read_check_list("# said\ntouch, again 1 in 2\n", "a.txt").sha256 == one.sha256
    for changed in ("touch, mm\n", "touch, at once\n", "touch\ndisplay\n", "Touch\n"):
        assert read_check_list(changed, "a.txt").sha256 != one.sha256
    assert read_check_list("touch\n", "b.txt").sha256 != one.sha256


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "names no function"),
        ("# nothing\n", "names no function"),
        ("touch\n\ntouch\n", "line 3: 'touch' appears twice"),
        ("a=b\n", "line 1"),
        ("touch, again 3 in 2\n", "can't recur that often"),
        ("touch, again 0 in 2\n", "can't recur that often"),
        ("touch, mm, cm\n", "not a unit"),
        ("touch, now and then\n", "not a unit"),
    ],
)
def test_a_line_that_can_not_be_read_is_told_with_its_place(text, said):
    with pytest.raises(UnusableCall, match=said) as fault:
        read_check_list(text, "mine.txt")
    assert str(fault.value).startswith("mine.txt")


# ------------------------------------------------------------------------------------ in the store


@pytest.fixture
def bench(store, tmp_path, once):
    def make():
        store("specimen", "add", "R1", "--kind", "device", "--model", "radio")
        (tmp_path / "mine.txt").write_text(
            "battery swelling, mm\ntouch, again 2 in 3\nradios, dBm\n"
        )

    once(make)
    return store


def plan(run):
    run("inspect", "schedule", "ours", "--stage", "drop day=0", "--stage", "1 week=7",
        "--check-list", "mine.txt", "--device-model", "radio")  # fmt: skip


def test_a_ready_list_is_written_out_edited_and_given_to_a_plan(bench, tmp_path):
    file = tmp_path / "edited.txt"
    bench("inspect", "check-list", "handheld device", "-o", file)
    assert (
        "already exists"
        in bench("inspect", "check-list", "handheld device", "-o", file, expect=2).err
    )
    file.write_text(file.read_text().replace("radios", "radios, dBm"))
    plan(bench)
    bench("inspect", "schedule", "ours", "--check-list", file)
    (told,) = [
        row for row in bench("inspect", "schedule", "--json").json["plans"] if row["name"] == "ours"
    ]
    assert len(told["functions"]) == 13 and told["check_list"].startswith("edited ")


def test_each_look_keeps_the_version_that_it_was_made_by(bench, tmp_path):
    """ISO/IEC 17025 and cohort practice: one protocol for every visit, and a change is seen."""
    plan(bench)
    record = ("inspect", "record", "R1", "--check", "touch=pass", "--inspected-at")
    bench(*record, "2026-03-01T10:00")
    (tmp_path / "mine.txt").write_text("touch\n")
    bench("inspect", "schedule", "ours", "--check-list", "mine.txt")
    bench(*record, "2026-03-02T10:00")
    first, second = bench("inspect", "list", "R1", "--json").json["inspections"]
    assert first["check_list"] == second["check_list"] == "mine"
    assert first["check_list_sha256"] != second["check_list_sha256"]
    assert (first["check_list_missing"], second["check_list_missing"]) == (2, 0)
    told = bench("inspect", "check-list", "--json").json["check_lists"]
    versions = {row["sha256"]: row for row in told if row["check_list"] == "mine"}
    assert len(versions) == 2
    assert versions[second["check_list_sha256"]]["plans"] == "ours"
    assert versions[first["check_list_sha256"]]["plans"] is None
    shown = bench("inspect", "check-list", first["check_list_sha256"][:8]).out
    assert "touch, again 2 in 3" in shown and "radios, dBm" in shown
    assert f"list mine {second['check_list_sha256'][:8]}" in " ".join(
        bench("inspect", "list", "R1").out.split()
    )


def test_the_usual_plan_can_go_through_another_list_too(bench):
    usual = "half a year and a year"
    bench("inspect", "schedule", usual, "--check-list", "mine.txt")
    (due,) = bench("due", "--json").json["due"]
    assert due["functions"] == ["battery swelling", "touch", "radios"]
    bench("inspect", "record", "R1", "--check", "touch=pass", "--inspected-at", "2026-03-01")
    rows = bench("query", "inspections_overdue", "--set", "on=2026-03-20", "--json").json["rows"]
    assert rows[0][-1] == "battery swelling, touch, radios"


@pytest.mark.parametrize(
    ("words", "said", "status"),
    [
        (("schedule", "nope", "--check-list", "mine.txt"), "not in the store", 1),
        (("schedule", "x", "--stage", "a=0", "--check-list", "gone.txt"), "no such file", 2),
        (("schedule", "x", "--stage", "a=0", "--function", "f"), "--check-list", 2),
        (("check-list", "nope"), "neither ready nor in the store", 1),
        (("check-list", "-o", "f.txt"), "no list named", 2),
    ],
)  # fmt: skip
def test_what_can_not_be_done_is_told_in_one_line(bench, words, said, status):
    told = bench("inspect", *words, expect=status)
    assert said in told.err and len(told.err.strip().splitlines()) == 1


def test_too_few_controls_are_warned_of_when_a_plan_is_given(bench):
    """Four or more: common practice."""
    plan_of_model = ("inspect", "schedule", "ours", "--device-model", "radio")
    plan(bench)
    assert "1 device in use will follow it, 1 of them never dropped" in " ".join(
        bench(*plan_of_model).err.split()
    )
    for code in ("R2", "R3", "R4"):
        bench("specimen", "add", code, "--kind", "device", "--model", "radio")
    assert bench(*plan_of_model).err == ""


# -------------------------------------------------------------------------------------- the form


def filled(path, **more):
    """The form with every second function found good."""
    rows = list(csv.DictReader(path.read_text().splitlines()))
    for at, row in enumerate(rows):
        if at % 2 == 0:
            row.update(outcome="pass", inspected_at="2026-03-01T09:00", **more)
    target = path.with_name("filled.csv")
    with target.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return target


@pytest.fixture
def form(bench, tmp_path, once):
    def make():
        plan(bench)
        bench("specimen", "amend", "R1", "--set", "received_on=2026-02-01", "--reason", "known")
        bench("due", "--form", tmp_path / "form.csv", "--on", "2026-03-01")

    once(make)
    return tmp_path / "form.csv"


def test_a_form_says_what_to_look_at_and_nothing_of_the_shocks(form):
    rows = list(csv.DictReader(form.read_text().splitlines()))
    assert [row["function"] for row in rows] == ["battery swelling", "touch", "radios"]
    assert [row["unit"] for row in rows] == ["mm", "", "dBm"]
    assert list(rows[0]) == ["device", "inspected_at", "function", "outcome", "measured", "unit",
                             "note", "inspector", "blind", "check_list"]  # fmt: skip


def test_a_filled_form_comes_back_with_its_list_and_whether_blind(bench, form):
    back = ("import", "inspections", filled(form), "--skip-where-blank", "outcome")
    told = bench(*back, "--set", "blind=yes", "--set", "inspector=Zoe", "--json").json
    assert (told["added"], told["rejected"]) == (2, 0)
    (look,) = bench("inspect", "list", "R1", "--json").json["inspections"]
    assert (look["is_blind"], look["inspector"], look["check_list"]) == (True, "Zoe", "mine")
    assert look["check_list_missing"] == 1
    assert bench(*back, "--json").json["duplicates"] == 2
    assert "made blind or not" in bench(*back, "--set", "blind=no", expect=1).err
    assert "blind" in bench("history", "R1").out


def test_a_form_is_never_written_over(bench, form):
    before = form.read_bytes()
    assert "already exists" in bench("due", "--form", form, "--on", "2026-03-01", expect=2).err
    assert form.read_bytes() == before


def test_a_form_of_nothing_is_refused(bench, tmp_path):
    plan(bench)
    assert "nothing is due" in bench("due", "--form", tmp_path / "f.csv", expect=2).err


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (["R1,2026-03-01,touch,pass,maybe,"], "not one of yes, no"),
        (["R1,2026-03-01,touch,pass,yes,", "R1,2026-03-01,radios,pass,no,"], "blind or not"),
        (["R1,2026-03-01,touch,pass,,0badc0de"], "no version of a check list"),
        (["R1,2026-03-01,touch,pass,,58"], "no version of a check list"),
    ],
)
def test_what_a_form_can_not_say_is_refused(bench, sheet, rows, said):
    file = sheet("looks.csv", "device,inspected_at,function,outcome,blind,check_list", *rows)
    assert said in bench("import", "inspections", file, expect=1).err


def test_blind_and_check_list_may_be_left_out(bench, sheet):
    file = sheet("looks.csv", "device,inspected_at,function,outcome", "R1,2026-03-01,touch,pass")
    bench("import", "inspections", file)
    (look,) = bench("inspect", "list", "R1", "--json").json["inspections"]
    assert (look["is_blind"], look["check_list"]) == (None, None)


def test_a_look_typed_at_once_may_be_blind_too(bench):
    bench("inspect", "record", "R1", "--check", "touch=pass", "--blind")
    assert bench("inspect", "list", "R1", "--json").json["inspections"][0]["is_blind"] is True
