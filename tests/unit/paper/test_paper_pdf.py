"""Typesetting: the PDF's text is the data's, whatever it looks like to a markup language."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from nightreel.errors import FailureError
from nightreel.paper.pdf import typeset

FRAME = {"paper": "a4", "title": "Patch", "show": "Autumn", "version": "1f", "date": "2026-11-28", "note": "tonight"}


def words_of(pdf: bytes, folder: Path) -> str:
    """Poppler's pdftotext: a reader that is not ours."""
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True)
    return done.stdout


def test_every_page_carries_show_date_version_and_its_number(tmp_path: Path) -> None:
    rows = [[str(k), f"name {k}"] for k in range(1, 121)]
    source = '#sheet(("Line", "Name"), data.rows, columns: (auto, 1fr))'
    pages = words_of(typeset(source, {"frame": FRAME, "rows": rows}), tmp_path).rstrip("\f").split("\f")
    assert len(pages) > 1
    for number, page in enumerate(pages, start=1):
        assert "Autumn" in page
        assert "2026-11-28" in page
        assert "version 1f" in page
        assert f"page {number} of {len(pages)}" in page
        assert "Line" in page  # the head repeats


def test_data_is_never_markup(tmp_path: Path) -> None:
    hostile = '#panic("x") *b* _i_ $1$ = h @ref \\ "q" <l> [x] // c'
    text = words_of(typeset('#sheet(("N",), ((data.name,),))', {"frame": FRAME, "name": hostile}), tmp_path)
    assert '#panic("x") *b* _i_ $1$' in text


@pytest.mark.parametrize(("paper", "size"), [("a4", "595.276 x 841.89"), ("us-letter", "612 x 792")])
def test_paper_sizes_are_those_of_iso_216_and_letter(tmp_path: Path, paper: str, size: str) -> None:
    # ISO 216 A4 is 210 x 297 mm, Letter 8.5 x 11 inches; in points of 1/72 inch.
    path = tmp_path / "sheet.pdf"
    path.write_bytes(typeset("x", {"frame": {**FRAME, "paper": paper}}))
    done = subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=True)
    assert f"Page size:       {size}" in done.stdout


def test_a_source_that_does_not_compile_is_named_as_our_fault() -> None:
    with pytest.raises(FailureError, match="could not be typeset"):
        typeset("#nonsense(", {"frame": FRAME})
