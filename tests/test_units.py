"""Quantities with their units, typed and imported: kept in SI, with what was typed.

Factors, exact by definition: NIST SP 811 (2008), appendix B.8 (inch 25.4 mm, foot 304.8 mm, pound
453.592 37 g, ounce a sixteenth of it, standard gravity 9.806 65 m/s2) and B.8.1 (Fahrenheit);
the same standard gravity: BIPM, SI Brochure, 9th edition (2019); 3rd CGPM (1901).
"""

import json
import re
from fractions import Fraction

import pandas as pd
import pytest
from export_files import half_sine_g, write_volts

import durability
from durability.intake.columns import IN_OTHER_UNITS
from durability.record import units

pytestmark = pytest.mark.usefixtures("one_study")

TYPED = [
    ("48in", units.LENGTH, Fraction("1219.2")),
    ("4ft", units.LENGTH, Fraction("1219.2")),
    ("1.2m", units.LENGTH, Fraction(1200)),
    ("1200 mm", units.LENGTH, Fraction(1200)),
    ("120 cm", units.LENGTH, Fraction(1200)),
    ('48"', units.LENGTH, Fraction("1219.2")),
    ("70F", units.TEMPERATURE, Fraction(38 * 5, 9)),
    ("-40 °F", units.TEMPERATURE, Fraction(-40)),
    ("21.5C", units.TEMPERATURE, Fraction("21.5")),
    ("294.65K", units.TEMPERATURE, Fraction("21.5")),
    ("1180m/s2", units.ACCELERATION, 1180 / Fraction("9.80665")),
    ("1180 m/s²", units.ACCELERATION, 1180 / Fraction("9.80665")),
    ("127,5", units.ACCELERATION, Fraction("127.5")),
    ("0,125", units.ACCELERATION, Fraction("0.125")),
    ("193in/s", units.VELOCITY, Fraction("4.9022")),
    ("6200us", units.PULSE_TIME, Fraction("6.2")),
    ("2min", units.REST_TIME, Fraction(120)),
    ("6.4oz", units.MASS, Fraction("6.4") * Fraction("453.59237") / 16),
    ("0.05mV/(m/s2)", units.SENSITIVITY, Fraction("0.05") * Fraction("9.80665")),
    ("2kHz", units.FREQUENCY, Fraction(2000)),
    ("50%", units.SHARE, Fraction(1, 2)),
    ("50%", units.PERCENTAGE, Fraction(50)),
]


@pytest.mark.parametrize(("text", "quantity", "exact"), TYPED)
def test_a_quantity_is_the_number_nearest_to_its_definition(text, quantity, exact):
    assert units.read(text, quantity) == float(exact)


@pytest.mark.parametrize("quantity", [units.LENGTH, units.TEMPERATURE, units.VELOCITY, units.MASS])
def test_what_is_shown_in_another_unit_is_what_was_typed_in_it(quantity):
    kept = units.read(f"48{quantity.us}", quantity)
    assert units.in_words(kept, quantity) == f"{kept:g} {quantity.unit}"
    with units.shown_in("us"):
        assert units.shown(kept, quantity) == pytest.approx(48, rel=1e-14)
        assert units.in_words(kept, quantity).removeprefix("48 ").endswith(quantity.us)
    assert units.unit(quantity) == quantity.unit


@pytest.fixture
def bench(store):
    store("specimen", "add", "D-1", "--kind", "dummy", "--mass-g", "6.4oz")
    store("series", "open", "S1", "--device", "D-1", "--drop-height-mm", "48in")
    return store


def drops(run):
    return run("drop", "list", "--json").json["drops"]


def entry_of(run, number):
    return run("show", "drop", "S1", number, "--json").json["command"]


def test_typed_with_units_it_is_kept_in_si_with_what_was_typed(bench):
    bench("drop", "add", "S1", "1180m/s2", "--temperature-c", "70F", "--pulse-duration-ms", "6,2",
          "--achieved-height-mm", "4 ft", "--velocity-change-m-s", "193in/s")  # fmt: skip
    bench("drop", "add", "S1", "--peak-g", "118", "--temperature-c", "-5C")
    first, second = drops(bench)
    assert first["drop_height_mm"] == first["achieved_height_mm"] == 1219.2
    assert first["peak_g"] == pytest.approx(120.3265, abs=1e-4)
    assert first["temperature_c"] == pytest.approx(21.1111, abs=1e-4)
    assert (first["pulse_duration_ms"], first["velocity_change_m_s"]) == (6.2, 4.9022)
    typed = entry_of(bench, 1).removeprefix("drop add (typed: ").removesuffix(")")
    assert set(typed.split(", ")) == {
        "peak_g 1180m/s2", "temperature_c 70F", "pulse_duration_ms 6,2", "achieved_height_mm 4 ft",
        "velocity_change_m_s 193in/s",
    }  # fmt: skip
    assert (second["peak_g"], second["temperature_c"]) == (118.0, -5.0)
    assert entry_of(bench, 2) == "drop add (typed: temperature_c -5C)"
    assert bench("specimen", "show", "D-1", "--json").json["mass_g"] == pytest.approx(181.437)


def test_a_correction_takes_units_and_keeps_what_was_typed(bench):
    bench("drop", "add", "S1", "118")
    bench("drop", "amend", "S1", "1", "--set", "temperature_c=70F", "--reason", "forgotten")
    assert drops(bench)[0]["temperature_c"] == pytest.approx(21.1111, abs=1e-4)
    last = bench("status", "--json").json["last_entries"][0]["command"]
    assert last == "drops amend (typed: temperature_c 70F)"


def test_lines_at_the_bench_take_units_glued_or_spaced(bench, monkeypatch):
    lines = (
        "1180m/s2 6,2 h48in t70F\n1180 m/s2 6.2 ms h4 ft t70 F # 3 in from the edge\nc 1 118 g\n"
    )
    piped(monkeypatch, lines)
    told = bench("record", "S1")
    assert "drop 1 stored: 1180m/s2 6,2 h48in t70F (120.33 g)" in told.out
    first, second = drops(bench)
    assert (first["peak_g"], second["note"]) == (118.0, "3 in from the edge")
    for each in (first, second):
        assert each["achieved_height_mm"] == 1219.2 and each["pulse_duration_ms"] == 6.2
        assert each["temperature_c"] == pytest.approx(21.1111, abs=1e-4)


def piped(monkeypatch, text):
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO(text))


REFUSED = [
    (("drop", "add", "S1", "1,180"), "--peak-g '1,180': ambiguous, thousands or a decimal comma;"
     " write 1180 or 1.180"),
    (("drop", "add", "S1", "118", "--temperature-c", "48in"), "in is a unit of length; give"
     " temperature in C, F, K"),
    (("drop", "add", "S1", "118", "--achieved-height-mm", "70F"), "F is a unit of temperature"),
    (("drop", "add", "S1", "118", "--achieved-height-mm", "4 furlongs"), "not a known unit"),
    (("drop", "add", "S1", "118", "--temperature-c", "-500F"), "not a number above -273.15"),
    (("forecast", "--limit-g", "48in"), "in is a unit of length; give acceleration in"),
    (("forecast", "--limit-g", "much"), "not a number, in g or with its unit, like 1157m/s2"),
    (("forecast", "--limit-rise", "5"), "--limit-rise: '5': ambiguous"),
    (("forecast", "--limit-rise", "50"), "write 5000% or 50%"),
    (("trend", "--drop-height-mm", "70F"), "F is a unit of temperature"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "said"), REFUSED)
def test_what_can_not_be_meant_is_refused_in_one_line(bench, words, said):
    told = bench(*words, expect=2)
    assert said in told.err
    assert len(told.err.strip().splitlines()) == 1
    assert drops(bench) == []


def test_options_of_answers_take_units(bench):
    for peak in (100, 101, 103, 104, 106):
        bench("drop", "add", "S1", peak)

    def forecast(*words):
        return bench("forecast", "--json", *words).json

    assert forecast("--limit-g", "1961.33m/s2") == forecast("--limit-g", "200")
    assert forecast("--limit-rise", "40%", "--level", "80%") == forecast(
        "--limit-rise", "0,4", "--level", "0.8"
    )
    assert bench("trend", "--drop-height-mm", "4ft", "--json").json["series"]


HEAD = "series,drop_number,device"


def test_columns_named_by_their_unit_are_converted(store, sheet):
    path = sheet("a.csv", f"{HEAD},peak_m_s2,drop_height_in,temperature_f,achieved_height_cm",
                 "S1,1,D-1,1180,48,70,121.5", "S1,2,D-1,1190,48,,1219 mm")  # fmt: skip
    store("import", path)
    first, second = drops(store)
    assert (first["drop_height_mm"], second["drop_height_mm"]) == (1219.2, 1219.2)
    assert (first["achieved_height_mm"], second["achieved_height_mm"]) == (1215.0, 1219.0)
    assert first["peak_g"] == pytest.approx(120.3265, abs=1e-4)
    assert second["temperature_c"] is None
    assert entry_of(store, 1) == (
        "import drops (typed: peak_m_s2, drop_height_in, temperature_f, achieved_height_cm in mm)"
    )
    assert store("import", "drops", path, "--json").json["duplicates"] == 2


def test_cells_with_units_are_converted(store, sheet):
    path = sheet("a.csv", f"{HEAD},peak_g,drop_height_mm,temperature_c",
                 'S1,1,D-1,"127,5",48in,70F', "S1,2,D-1,1180 m/s2,4 ft,21.5")  # fmt: skip
    store("import", "drops", path)
    first, second = drops(store)
    assert (first["peak_g"], second["drop_height_mm"]) == (127.5, 1219.2)
    assert entry_of(store, 2) == (
        "import drops (typed: peak_g in m/s2, drop_height_mm in ft and in, temperature_c in F)"
    )


def test_a_mapped_column_and_a_constant_may_bear_a_unit(store, sheet):
    path = sheet("a.csv", "No,Peak", "1,1180", "2,1190")
    store("import", "drops", path, "--map", "No=drop_number", "--map", "Peak=peak_m_s2", "--set",
          "series=S1", "--set", "drop_height_in=48", "--set", "temperature_c=70F")  # fmt: skip
    (first, _) = drops(store)
    assert first["drop_height_mm"] == 1219.2
    assert first["temperature_c"] == pytest.approx(21.1111, abs=1e-4)
    assert first["peak_g"] == pytest.approx(120.3265, abs=1e-4)


def test_a_height_given_twice_is_refused(store, sheet):
    path = sheet("a.csv", f"{HEAD},peak_g,drop_height_mm,drop_height_in", "S1,1,D-1,118,1220,48")
    assert "appears twice" in store("import", "drops", path, expect=2).err


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ('"1,180",48,70', "peak_g '1,180': ambiguous, thousands or a decimal comma; write 1180 or"
         " 1.180, or read the file with --decimal comma"),
        ("118,70F,70", "drop_height_in '70F': F is a unit of temperature; give length"),
        ("118,48,48in", "temperature_c '48in': in is a unit of length"),
        ("118,-3,70", "drop_height_in '-3': not a number above 0"),
    ],
)  # fmt: skip
def test_a_cell_that_can_not_be_meant_is_refused_and_comes_back_as_read(store, sheet, cells, said):
    path = sheet("a.csv", f"{HEAD},peak_g,drop_height_in,temperature_c",
                 "S1,1,D-1,118,48,20", f"S1,2,D-1,{cells}")  # fmt: skip
    told = store("import", "drops", path, "--keep-good", "--json", expect=1)
    assert said in told.err
    rejected = path.with_name("a.rejects.csv").read_text(encoding="utf-8")
    # Under the name that gives the unit: corrected, it is taken as what it is.
    assert "drop_height_in" in rejected and "drop_height_mm" not in rejected.partition("\n")[0]


def test_a_declared_decimal_comma_is_never_ambiguous(store, sheet):
    path = sheet("a.csv", "series;drop_number;peak_g;drop_height_mm", "S1;1;1,180;1,220 m")
    store("import", "drops", path, "--decimal", "comma")
    (only,) = drops(store)
    assert (only["peak_g"], only["drop_height_mm"]) == (1.18, 1220.0)


def test_a_frame_is_taken_as_a_file_is():
    readings = [981, 1001, 1020, 1040, 1060]
    plain = pd.DataFrame({"series": "S1", "drop_number": range(1, 6)})
    in_m_s2 = plain.assign(peak_m_s2=readings)
    with_unit = plain.assign(peak_g=[f"{each} m/s2" for each in readings])
    in_g = plain.assign(peak_g=[units.read(each, units.ACCELERATION) for each in with_unit.peak_g])
    for frame in (in_m_s2, with_unit):
        pd.testing.assert_frame_equal(durability.trends(frame), durability.trends(in_g))


def test_every_quantity_of_a_file_has_names_for_its_units():
    assert {"drop_height_in", "drop_height_ft", "drop_height_cm", "drop_height_m", "temperature_f",
            "peak_m_s2", "achieved_height_in", "velocity_change_in_s", "mass_oz"} <= set(
        IN_OTHER_UNITS)  # fmt: skip


SI_ONLY = re.compile(r"\bmm\b|°C|\bm/s\b")

STAYS_SI = (
    # The axes of a spectrum bear both.
    r"pseudo-velocity, m/s",
    r"in/s \([0-9.]+ m/s\)",
    # Published values.
    r"\d g, [0-9.]+ ms m/s",
    # What was typed at an amendment, under the name of its column, and a statement.
    r"drop height mm [0-9.]+ [0-9.]+",
    r"fell \{:\.4g\} mm in place of \{:\.4g\} mm",
)

SHOWN = {
    "series list": "48 in",
    "series show S1": "drop height, in",
    "specimen show D-1": "mass, oz",
    "drop list": "HEIGHT 47 in, -2.1 % of 48",
    "history C-1": "48 in",
    "trend": "",
    "forecast": "",
    "rank": "48 in",
    "compare bare sleeve": "48 in",
    "show drop S1 1": "velocity change, in/s",
    "show pulse S1 1": "in/s",
    "conditions": "18 °F warmer",
    "query fastest_degrading_cases --set min_drops=4": "48 in",
    "query same_case_at_different_heights": "",
    "plan survive --drops 3": "48 in",
}


@pytest.fixture
def shown(rig, tmp_path):
    """Two series, one with a waveform and readings of all kinds, one bare."""
    rig("series", "amend", "S1", "--set", "drop_height_mm=48in", "--reason", "measured")
    rig("specimen", "amend", "D-1", "--set", "mass_g=6.4oz", "--reason", "weighed")
    path = write_volts(tmp_path / "a.csv", half_sine_g(110.0, seed=1))
    rig("import", "waveforms", path, "--series", "S1", expect=None)
    rig("series", "open", "S2", "--device", "D-1", "--drop-height-mm", "48in")
    warmth = (60, 75, 62, 80, 61, 77)
    for count, peak in enumerate((100, 102, 104, 107, 109, 111)):
        rig("drop", "add", "S1", peak, "--pulse-duration-ms", "6.2", "--temperature-c",
            f"{warmth[count]}F", "--velocity-change-m-s", "193in/s", "--achieved-height-mm",
            f"{48 - count % 2}in")  # fmt: skip
        rig("drop", "add", "S2", 3 * peak)
    return rig


def test_answers_are_shown_in_us_units_and_json_stays_si(shown):
    for call, said in SHOWN.items():
        words = call.split()
        told = shown(*words, "--units", "us").out
        assert said in " ".join(told.split()) and not SI_ONLY.search(told), (call, told)
        assert "US units (option --units)" in " ".join(told.split())
        assert "US units" not in shown(*words).out
        in_us, in_si = (shown(*words, "--json", *more).json for more in (("--units", "us"), ()))
        assert in_us == in_si, call
    query = ("query", "peak_g_by_drop", "--format", "csv")
    assert shown(*query, "--units", "us").out == shown(*query).out


def test_page_and_pictures_are_in_us_units(shown, tmp_path):
    shown("report", "-o", "us.html", "--units", "us", "-q")
    page = re.sub(r"<style.*?</style>", "", (tmp_path / "us.html").read_text("utf-8"), flags=re.S)
    words = " ".join(re.sub(r"<[^>]*>", " ", page).split())
    for kept in STAYS_SI:
        words = re.sub(kept, "", words)
    assert "48 in" in words
    assert [words[max(0, met.start() - 60) : met.end()] for met in SI_ONLY.finditer(words)] == []
    for kind, said in (("scatter", "in/s"), ("boundary", "velocity change, in/s")):
        told = shown("plot", kind, "--units", "us", "-q").out
        drawn = (tmp_path / f"{kind}.svg").read_text("utf-8")
        assert kind != "scatter" or said in drawn
        assert not SI_ONLY.search(re.sub(r"<[^>]*>", "", drawn)), kind
        assert "US units" in told
    told = shown("report", "-o", "a.html", "--units", "us", "-q", "--json").json
    assert told["answer"] == shown("report", "-o", "b.html", "-q", "--json").json["answer"]
    kept = json.loads(shown("query", "--sql", "FROM report_issue", "--json").out)
    assert not re.search(r"\d in\b", str(kept))
