"""The shock dose declared before anyone looks, and what is said when it was not."""

import pytest


@pytest.fixture
def bench(store, sheet, once):
    """Eight dropped devices and four controls, not looked at since the drops yet."""

    def make():
        drops = [f"S{n},1,{500 + 100 * n},R{n},2026-01-05T10:00" for n in range(8)]
        store(
            "import", "drops", sheet("d.csv", "series,drop_number,peak_g,device,dropped_at", *drops)
        )

    once(make)
    return store


def looks(run, sheet, *days):
    """Looks of the year 2026 or of a year to come; the heavier dropped half fails by the third."""
    rows = []
    for code in [f"R{n}" for n in range(8)] + [f"C{n}" for n in range(4)]:
        for at, day in enumerate(days):
            fails = code in ("R4", "R5", "R6", "R7") and at >= 1
            rows.append(f"{code},{day}T16:00,touch,{'fail' if fails else 'pass'}")
    run("import", "inspections", sheet("i.csv", "device,inspected_at,function,outcome", *rows))


DECLARE = ("inspect", "declare", "averaged", "--reason", "usual")


def test_without_one_the_answer_is_exploratory(bench, sheet):
    assert "No dose is declared yet" in bench("latent").out
    looks(bench, sheet, "2026-01-05", "2026-01-20", "2026-02-05")
    told = bench("latent", "--json").json
    assert told["dose_declaration"] == {
        "first_follow_up_at": "2026-01-20T16:00:00",
        "is_declared_before": False,
        "declarations": [],
    }
    said = " ".join(bench("latent").out.split())
    assert "Exploratory: no dose was declared before the first follow-up inspection" in said


def test_one_declared_afterwards_is_marked_exploratory_with_its_verdict(bench, sheet):
    looks(bench, sheet, "2026-01-05", "2026-01-20", "2026-02-05")
    bench("inspect", "declare", "8", "--reason", "it looks best", "--by", "Bo")
    told = bench("latent", "--json").json["dose_declaration"]
    assert told["is_declared_before"] is False
    (late,) = told["declarations"]
    assert (late["exponent"], late["declared_by"], late["is_before_follow_up"]) == (
        8.0,
        "Bo",
        False,
    )
    assert late["verdict"] == "linked"
    said = " ".join(bench("latent").out.split())
    assert "Exploratory" in said and "Declared later, so exploratory: exponent b 8" in said


def test_the_last_one_before_the_first_look_holds(bench):
    """Nothing was looked at yet: everything said so far was said before."""
    bench(*DECLARE)
    said = " ".join(bench("latent").out.split())
    assert "before the first follow-up inspection, of which there is none yet" in said
    assert "It is the one used here" in said
    bench("inspect", "declare", "6.4", "--without-reading", "largest", "--reason", "worst case")
    told = bench("latent", "--json").json["dose_declaration"]
    assert [each["exponent"] for each in told["declarations"]] == [None, 6.4]
    assert told["is_declared_before"] is True
    said = " ".join(bench("latent").out.split())
    assert "exponent b 6.4" in said and "at the largest comparable drop" in said
    assert "The answer with b averaged is exploratory" in said


def test_a_look_on_drop_day_or_at_a_control_is_no_follow_up(bench, sheet):
    looks(bench, sheet, "2026-01-05")
    bench("inspect", "record", "C0", "--check", "touch=pass", "--inspected-at", "2026-02-05")
    bench("inspect", "record", "R0", "--check", "touch=not_tested", "--inspected-at", "2026-02-05")
    bench(*DECLARE)
    assert bench("latent", "--json").json["dose_declaration"]["is_declared_before"] is True


def test_the_time_is_that_of_the_entry():
    """A declaration can't be dated back: the command takes no date."""
    from durability.cli.parser import make_parser

    with pytest.raises(SystemExit):
        make_parser().parse_args([*DECLARE, "--on", "2025-01-01"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("six", "--reason", "x"), "not an exponent"),
        (("0", "--reason", "x"), "not an exponent"),
        (("inf", "--reason", "x"), "not an exponent"),
        (("averaged", "--reason", " "), "blank"),
        (("averaged", "--without-reading", "twice", "--reason", "x"), "without-reading"),
        (("averaged",), "--reason"),
    ],
)
def test_what_can_not_be_declared_is_refused(bench, words, said):
    assert said in bench("inspect", "declare", *words, expect=2).err
