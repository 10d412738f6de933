"""Tables as workbooks: the rows of a CSV of the same sheet, or one line that names the cell."""

import csv
import datetime as dt
import io
import zipfile

import openpyxl
import pytest

from durability.intake.tables import SheetOptions, open_table
from durability.record.errors import UnusableCall

HEAD = ["series", "drop_number", "peak_g", "dropped_at", "temperature_c", "note"]
WHEN = dt.datetime.fromisoformat("2026-03-14T10:15:30")
MIDNIGHT = dt.datetime.fromisoformat("2026-03-14")
ROWS = [
    ["S1", 1, 118.4, WHEN, 21, "first"],
    ["S1", 2, 0.1 + 0.2, MIDNIGHT, None, None],
    ["S1", 3, 121, "2026-03-15T08:00:00+01:00", -3.5, "a, b"],
]
AS_TEXT = [
    ["S1", "1", "118.4", "2026-03-14T10:15:30", "21", "first"],
    ["S1", "2", "0.3", "2026-03-14T00:00:00", "", ""],
    ["S1", "3", "121", "2026-03-15T08:00:00+01:00", "-3.5", "a, b"],
]


def book(path, *sheets, change=None):
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets:
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
        if change is not None:
            change(sheet)
    made.save(path)
    return path


def by_hand(path, cells, name="Drops", extra=""):
    """A workbook of inline cells (ECMA-376, part 1, 18.3), to hold what openpyxl can't write."""
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml."
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as made:
        made.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{package}/content-types"><Default Extension="rels"'
            f' ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kind}sheet.main+xml"/>'
            f'<Override PartName="/xl/worksheets/sheet1.xml" ContentType="{kind}worksheet+xml"/>'
            "</Types>",
        )
        made.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1"'
            f' Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        made.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1"'
            f' Type="{office}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        )
        made.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets><sheet name="{name}" sheetId="1"'
            ' r:id="r1"/></sheets></workbook>',
        )
        made.writestr(
            "xl/worksheets/sheet1.xml",
            f'<worksheet xmlns="{main}"><sheetData>{cells}</sheetData>{extra}</worksheet>',
        )
    return path


def inline(row, *cells):
    return (
        f'<row r="{row}">'
        + "".join(
            cell
            if cell.startswith("<c")
            else f'<c r="{chr(65 + i)}{row}" t="inlineStr"><is><t>{cell}</t></is></c>'
            for i, cell in enumerate(cells)
        )
        + "</row>"
    )


def sheet_of(path, kind, options=None):
    return open_table(path, kind, options).sheet()


def test_cells_are_those_of_a_csv_of_the_sheet(tmp_path):
    path = book(tmp_path / "a.xlsx", ("Drops", [["lab sheet"], [], HEAD, *ROWS]))
    found = sheet_of(path, "drops")
    assert found.frame[HEAD].to_numpy().tolist() == AS_TEXT
    assert found.frame["source_row"].tolist() == [4, 5, 6]
    with (tmp_path / "a.csv").open("w", newline="") as file:
        csv.writer(file).writerows([HEAD, *AS_TEXT])
    from_csv = sheet_of(tmp_path / "a.csv", "drops")
    assert from_csv.frame[HEAD].equals(found.frame[HEAD])


def test_the_only_sheet_with_cells_is_read_else_one_is_named(tmp_path):
    path = book(tmp_path / "a.xlsx", ("Empty", []), ("Drops", [HEAD, *ROWS]))
    assert len(sheet_of(path, "drops").frame) == 3
    two = book(tmp_path / "b.xlsx", ("May", [HEAD, ROWS[0]]), ("June", [HEAD, *ROWS]))
    with pytest.raises(UnusableCall, match="2 sheets have cells; name one of 'May', 'June'"):
        sheet_of(two, "drops")
    assert len(sheet_of(two, "drops", SheetOptions(sheet="May")).frame) == 1
    with pytest.raises(UnusableCall, match=r"--sheet 'July': not in .*it has 'May', 'June'"):
        sheet_of(two, "drops", SheetOptions(sheet="July"))


def test_formulas_are_taken_by_their_stored_value_or_refused_by_cell(tmp_path):
    known = '<c r="C2"><f>100+18</f><v>118</v></c>'
    open_ = '<c r="C3"><f>A1*2</f></c>'
    wrong = '<c r="C4" t="e"><v>#DIV/0!</v></c>'
    cells = inline(1, *HEAD[:3]) + inline(2, "S1", "1", known) + inline(3, "S1", "2", open_)
    found = sheet_of(by_hand(tmp_path / "a.xlsx", cells + inline(4, "S1", "3", wrong)), "drops")
    assert found.frame["peak_g"].tolist() == ["118"]
    first, second = (each.line() for each in found.refused)
    assert "a.xlsx, sheet 'Drops', row 3: cell C3: formula =A1*2 has no stored value;" in first
    assert "row 4: cell C4: #DIV/0! where a value belongs" in second


@pytest.mark.parametrize(("cells", "refused"), [("A3:A4", True), ("A1:F1", False)])
def test_cells_merged_below_the_header_are_refused(tmp_path, cells, refused):
    path = book(
        tmp_path / "a.xlsx",
        ("Drops", [["title"], HEAD, *ROWS]),
        change=lambda sheet: sheet.merge_cells(cells),
    )
    if refused:
        with pytest.raises(UnusableCall, match=f"sheet 'Drops', cells {cells}: merged"):
            sheet_of(path, "drops")
    else:
        assert len(sheet_of(path, "drops").frame) == 3


def test_what_is_no_usable_workbook_is_refused_in_one_line(tmp_path, monkeypatch):
    whole = book(tmp_path / "a.xlsx", ("Drops", [HEAD, *ROWS])).read_bytes()
    for content, words in (
        (whole[:-300], "not a readable workbook"),
        (b"PK\x03\x04" + bytes(range(256)) * 9, "not a readable workbook"),
        (b"\xd0\xcf\x11\xe0" + bytes(999), "old or protected workbook"),
    ):
        (tmp_path / "b.xlsx").write_bytes(content)
        with pytest.raises(UnusableCall, match=words) as refused:
            sheet_of(tmp_path / "b.xlsx", "drops")
        assert "\n" not in str(refused.value)
    far = inline(1, *HEAD[:3]) + '<row r="900000000"><c r="XFD900000000"><v>1</v></c></row>'
    with monkeypatch.context() as patched:
        patched.setattr("durability.intake.tables.MOST_CELLS", 1000)
        with pytest.raises(UnusableCall, match="more than 1,000 cells"):
            sheet_of(by_hand(tmp_path / "far.xlsx", far), "drops")
        patched.setattr("durability.intake.tables.MOST_UNPACKED_BYTES", 1000)
        with pytest.raises(UnusableCall, match="MB unpacked"):
            sheet_of(tmp_path / "a.xlsx", "drops")
    held = io.StringIO()
    csv.writer(held).writerows([HEAD, *AS_TEXT])
    (tmp_path / "c.csv").write_text(held.getvalue())
    with pytest.raises(UnusableCall, match="is not a workbook and has no sheets"):
        sheet_of(tmp_path / "c.csv", "drops", SheetOptions(sheet="May"))


def test_a_workbook_is_imported_and_its_faults_name_the_sheet(tmp_path, run):
    rows = [[*row] for row in ROWS]
    rows[2][2] = "loud"
    path = book(tmp_path / "a.xlsx", ("Drops", [HEAD, *rows]))
    run("init", expect=0)
    refused = run("import", "drops", path, expect=1)
    assert "a.xlsx, sheet 'Drops', row 4, peak_g 'loud'" in refused.err
    good = run("import", "drops", path, "--sheet", "Drops", "--keep-good", "--json", expect=1)
    assert good.json["added"] == 2
    again = run("import", "drops", book(tmp_path / "b.xlsx", ("Drops", [HEAD, *ROWS])), "--json")
    assert again.json["duplicates"] == 2
    assert again.json["added"] == 1
