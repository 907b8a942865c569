"""The printed sheet as an independent reader of PDF (pypdf) sees it."""

import os
import re
import subprocess
import tomllib
from pathlib import Path

import pytest
from pypdf import PdfReader

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = os.environ.get("SPAREHAND", str(ROOT / "target/release/sparehand"))
ROUTINES = sorted((ROOT / "prompts/routines").glob("*.toml"))


def sheet(folder, *arguments):
    file = folder / "sheet.pdf"
    environment = dict(os.environ, XDG_CONFIG_HOME=str(folder / "config"))
    subprocess.run([PROGRAM, "sheet", *map(str, arguments), "-o", file], check=True, env=environment, timeout=60)
    return PdfReader(file)


def words(reader):
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))


@pytest.mark.parametrize("routine", ROUTINES, ids=lambda file: file.stem)
@pytest.mark.parametrize("large", [False, True])
def test_the_words_can_be_selected_and_every_page_says_which_it_is(tmp_path, routine, large):
    reader = sheet(tmp_path, routine.stem, *(["--large"] if large else []))
    pages = len(reader.pages)
    for number, page in enumerate(reader.pages, 1):
        assert f"page {number} of {pages}" in re.sub(r"\s+", " ", page.extract_text())
    text = words(reader)
    title = tomllib.loads(routine.read_text())["title"]
    assert title[1:].lower() in text.lower()
    assert reader.metadata.title.lower() == title.lower()


def test_the_tank_dump_is_whole_on_one_page_with_its_cautions_and_clocks(tmp_path):
    reader = sheet(tmp_path, "tank-dump")
    assert len(reader.pages) == 1
    text = words(reader)
    routine = tomllib.loads((ROOT / "prompts/routines/tank-dump.toml").read_text())
    # The common rig fills and releases.
    steps = [s for part in routine["section"] for s in part["step"] if "rinse-through" not in s.get("needs", [])]
    assert len(steps) > 25
    for step in steps:
        assert step["short"] in text, step["id"]
        if step.get("caution"):
            assert "CAUTION: " + step["caution"] in text, step["id"]
    assert "5 min, from" in text and "30 s, from" in text
    for part in routine["section"]:
        title = part["title"]
        assert title[0].upper() + title[1:] in text, "a heading is whole, on more than one line where it is long"


@pytest.mark.parametrize("paper, size", [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_pages_have_the_size_of_the_paper(tmp_path, paper, size):
    # ISO 216 A4 and ANSI A, in millimetres.
    box = sheet(tmp_path, "tank-dump", "--paper", paper).pages[0].mediabox
    assert (float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72) == pytest.approx(size, abs=0.05)


def test_fonts_are_inside_the_file(tmp_path):
    page = sheet(tmp_path, "tank-dump").pages[0]
    fonts = [font.get_object() for font in page["/Resources"]["/Font"].values()]
    assert len(fonts) == 2
    for font in fonts:
        descriptor = font["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        assert "NotoSans" in font["/BaseFont"] and any(key.startswith("/FontFile") for key in descriptor)


def test_nothing_on_the_sheet_is_coloured(tmp_path):
    # Operators of PDF 2.0 table 73: only those of grey and of colour spaces, no RG, rg, K, k.
    content = sheet(tmp_path, "tank-dump").pages[0].get_contents().get_data().decode("latin-1")
    assert not re.search(r"[\d.]+ [\d.]+ [\d.]+ (rg|RG|k|K)\b", content)
