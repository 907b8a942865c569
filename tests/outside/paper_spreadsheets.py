"""Spreadsheets: openpyxl, pandas and odfpy read what the program hands out, and the program brings in what they write."""

import datetime
import os
import subprocess
import tomllib
from pathlib import Path

import openpyxl
import pandas
import pytest
from openpyxl.styles import Font

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = os.environ.get("SPAREHAND", str(ROOT / "target/release/sparehand"))
ROUTINE = ROOT / "prompts/routines/tank-dump.toml"


def run(folder, *arguments, fails=False):
    """What the program printed and told; the configuration folder is empty."""
    environment = dict(os.environ, XDG_CONFIG_HOME=str(folder / "config"))
    done = subprocess.run([PROGRAM, *map(str, arguments)], capture_output=True, text=True, env=environment, timeout=60)
    assert (done.returncode != 0) == fails, done.stderr
    return done.stdout, done.stderr


def brought_in(folder, file, *more):
    text, told = run(folder, "from-table", file, "--yes", *more)
    return tomllib.loads(text), told


def steps_of(routine):
    return [step for section in routine["section"] for step in section.get("step", [])]


@pytest.fixture
def original():
    return tomllib.loads(ROUTINE.read_text())


def table(folder, kind):
    """The handed-out tank dump as pandas reads it."""
    file = folder / f"tank.{kind}"
    run(folder, "to-table", ROUTINE, "--as", kind, "-o", file)
    readers = {
        "csv": lambda: pandas.read_csv(file, dtype=object, keep_default_na=False, encoding="utf-8-sig"),
        "xlsx": lambda: pandas.read_excel(file, dtype=object, keep_default_na=False, engine="openpyxl"),
        "ods": lambda: pandas.read_excel(file, dtype=object, keep_default_na=False, engine="odf"),
    }
    return file, readers[kind]()


@pytest.mark.parametrize("kind", ["csv", "xlsx", "ods"])
def test_others_read_every_step_of_what_is_handed_out(tmp_path, original, kind):
    _, read = table(tmp_path, kind)
    rows = read[read["Part"] == "step"]
    steps = steps_of(original)
    assert list(rows["Id"]) == [step["id"] for step in steps]
    assert list(rows["Call"]) == [step["call"] for step in steps]
    assert [float(minutes) for minutes in rows["Minutes"]] == [float(step["minutes"]) for step in steps]
    wanted = [step["answer"].get("want", []) for step in steps]
    assert [[word.strip() for word in cell.split(";") if word.strip()] for cell in rows["Wanted words"]] == wanted


@pytest.mark.parametrize("kind", ["csv", "xlsx", "ods"])
def test_what_others_read_and_write_again_is_the_same_routine(tmp_path, original, kind):
    _, read = table(tmp_path, kind)
    again = tmp_path / f"again.{kind}"
    if kind == "csv":
        read.to_csv(again, index=False)
    else:
        read.to_excel(again, index=False, engine="openpyxl" if kind == "xlsx" else "odf")
    routine, _ = brought_in(tmp_path, again)
    assert routine == original


def test_openpyxl_sees_texts_as_texts_and_numbers_as_numbers(tmp_path):
    file, _ = table(tmp_path, "xlsx")
    sheet = openpyxl.load_workbook(file).active
    headings = [cell.value for cell in sheet[1]]
    assert sheet.freeze_panes == "D2" and sheet["A1"].font.bold
    minutes = [row[headings.index("Minutes")] for row in sheet.iter_rows(min_row=2, values_only=True) if row[0] == "step"]
    assert all(isinstance(value, (int, float)) for value in minutes)
    assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)


def household_workbook(file):
    """A list as a person makes it: a title over merged cells, sections, a merged place, dates, times, formulas, gaps."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Leaving"
    sheet["A1"] = "Our list for leaving"
    sheet.merge_cells("A1:F1")
    sheet.append([])
    sheet.append(["Done", "Task", "Where", "Time", "Last done", "Sum"])
    sheet.append([None, "Outside"])
    sheet.merge_cells("B4:F4")
    sheet.append([True, "Mat stowed", "left side", 5, datetime.date(2026, 4, 30), "=D5*2"])
    sheet.append([False, "Hose off", None, "10", datetime.datetime(2026, 4, 30, 9, 15), None])
    sheet.merge_cells("C5:C6")
    sheet.append([None, "Cord off", "post", datetime.time(0, 3), None, None])
    sheet.append([])
    sheet.append([None, "Inside", None, None, None, None])
    sheet["B9"].font = Font(bold=True)
    sheet.append([None, "Vents shut", "roof", datetime.timedelta(minutes=2), None, None])
    sheet.append([None, "Fridge barred", "galley", datetime.date(2026, 5, 10), None, None])
    sheet["XFD900"] = " "
    hidden = book.create_sheet("Names")
    hidden["A1"] = "Rowan"
    hidden.sheet_state = "hidden"
    book.save(file)


def test_a_workbook_of_a_household_keeps_all_that_is_in_it(tmp_path):
    file = tmp_path / "leaving.xlsx"
    household_workbook(file)
    routine, told = brought_in(tmp_path, file)
    text, _ = run(tmp_path, "from-table", file, "--yes")
    assert [section["title"] for section in routine["section"]] == ["Outside", "Inside", "last look"]
    steps = steps_of(routine)[:-1]
    assert [(step["name"], step.get("where", ""), step.get("minutes")) for step in steps] == [
        ("Mat stowed", "left side", 5),
        ("Hose off", "left side", 10),
        ("Cord off", "post", 3),
        ("Vents shut", "roof", 2),
        ("Fridge barred", "galley", None),
    ]
    assert "# Last done: 2026-04-30T09:15:00" in text
    # openpyxl writes formulas without their values.
    assert "# Sum: =D5*2" in text and "cell F5: a formula that was never reckoned, '=D5*2'" in told
    assert "cell D11: '2026-05-10' is no time between 0 and a day" in told
    assert "sheet 'Names': a hidden sheet" in told
    assert "'Our list for leaving'" in told


def test_several_sheets_become_sections_and_one_may_be_chosen(tmp_path):
    file = tmp_path / "two.ods"
    with pandas.ExcelWriter(file, engine="odf") as writer:
        pandas.DataFrame({"Task": ["Cap off", "Hose on"], "Minutes": [2, 3]}).to_excel(writer, sheet_name="Tanks", index=False)
        pandas.DataFrame({"Task": ["Vents shut"], "Minutes": [1]}).to_excel(writer, sheet_name="Inside", index=False)
    routine, _ = brought_in(tmp_path, file)
    assert [section["title"] for section in routine["section"]] == ["Tanks", "Inside", "last look"]
    routine, _ = brought_in(tmp_path, file, "--sheet", "Inside")
    assert [step["name"] for step in steps_of(routine)] == ["Vents shut", "nothing left open"]
    _, told = run(tmp_path, "from-table", file, "--yes", "--sheet", "Roof", fails=True)
    assert "no sheet named 'Roof', expected one of: 'Tanks', 'Inside'" in told


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252", "iso-8859-15"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_csv_files_of_pandas_are_read_in_every_common_encoding(tmp_path, encoding, separator):
    frame = pandas.DataFrame(
        {"Task": ["Schläuche spülen, gründlich", "Klappe schließen"], "Where": ["außen", "außen"], "Minutes": [4, 1]}
    )
    file = tmp_path / "liste.csv"
    frame.to_csv(file, index=False, encoding=encoding, sep=separator)
    routine, _ = brought_in(tmp_path, file)
    assert [step["name"] for step in steps_of(routine)][:2] == list(frame["Task"])
    assert steps_of(routine)[0]["where"] == "außen"


def test_nothing_is_written_over(tmp_path):
    file = tmp_path / "list.csv"
    file.write_text("Task\nCap off\n")
    out = tmp_path / "list.toml"
    run(tmp_path, "from-table", file, "--yes", "-o", out)
    before = out.read_text()
    _, told = run(tmp_path, "from-table", file, "--yes", "-o", out, fails=True)
    assert "expected none; name another, or say --replace" in told and out.read_text() == before
    run(tmp_path, "from-table", file, "--yes", "-o", out, "--replace")
    assert (tmp_path / "list.toml.old").read_text() == before
