"""The job sheet on paper: one page of A4 and of Letter whatever stands on it, legible without colour."""

import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import made_measurement as made
import pytest

from holecount.decide import decide
from holecount.measurement import Measurement
from holecount.sheet import JobNotes, content_of, render_sheet
from holecount.sheet.plots import seat_outline
from holecount.sheet.strand_pages import strand_pages_of
from holecount.stats import LowConfidence
from holecount.tape import Reading, read_list
from holecount.troubles import DOUBTS

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


def picture(wide: int, high: int) -> bytes:
    import cv2
    import numpy as np

    return bytes(cv2.imencode(".jpg", np.full((high, wide, 3), 120, np.uint8))[1].tobytes())


def much() -> tuple[Measurement, tuple[Reading, ...], JobNotes]:
    """As much as there can be on one sheet."""
    low = tuple(
        LowConfidence(rail="front", first_hole=3 * k + 1, last_hole=3 * k + 2, flag=f, reason=d.words, advice=d.advice)
        for k, (f, d) in enumerate(list(DOUBTS.items())[:9])
    )
    reasons = ("About 3 holes lie under the card or ruler and are not counted, and the picture is blurred too.",) * 6
    m = replace(made.special(), verdict="check", verdict_reasons=reasons, low_confidence=low)
    tape = [
        *read_list("front: 1/2, 1/2+; left: 13 mm; back: 20 mm; right: 5/8", "pitch"),
        *read_list("front: 12, back: 11 1/2; left: 6; right: 9", "six-inches"),
        *read_list("front: 3/16; left: 6 mm; back: 5 mm", "hole"),
    ]
    notes = "Walnut, beetle in the back rail, glued and cramped.\n" * 30
    return (
        m,
        tuple(tape),
        JobNotes(name="Six dining chairs from the long table, number three of six", date="x", notes=notes),
    )


def little() -> tuple[Measurement, tuple[Reading, ...], JobNotes]:
    return made.ring(), (), JobNotes(name="Stool")


def middling() -> tuple[Measurement, tuple[Reading, ...], JobNotes]:
    m = made.special()
    return m, tuple(read_list("front: 1/2; left: 13 mm", "pitch")), JobNotes(name="Chair", notes="Oak.\nTuesday.")


@pytest.fixture
def page(browser: "Browser") -> "Iterator[Page]":
    context = browser.new_context()
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("case", [little, middling, much], ids=["little", "middling", "much"])
@pytest.mark.parametrize("shape", ["wide", "tall", "none"])
def test_one_page(case: object, shape: str, page: "Page", tmp_path: Path) -> None:
    assert callable(case)
    m, tape, notes = case()
    marked = {"wide": picture(1500, 1200), "tall": picture(1000, 1500), "none": None}[shape]
    if shape == "tall":
        m = replace(m, holes=tuple(replace(h, y_px=2.5 * h.y_px) for h in m.holes))
    old = picture(700, 500) if case is much else None
    html = render_sheet(content_of(m, decide(m, tape), notes), m, marked_jpeg=marked, old_seat_jpeg=old)
    (tmp_path / "sheet.html").write_text(html, encoding="utf-8")
    page.goto((tmp_path / "sheet.html").as_uri())
    for paper in ("A4", "Letter"):
        pdf = page.pdf(format=paper, path=tmp_path / f"{paper}.pdf")
        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1
    cut = page.evaluate(
        "() => [...document.querySelectorAll('body *')].filter((e) => e.scrollWidth > e.clientWidth + 2"
        " && getComputedStyle(e).overflow === 'hidden').length"
    )
    assert cut == 0


def test_the_plan_comes_after_two_to_a_page(page: "Page", tmp_path: Path) -> None:
    m = made.plain()
    weave = strand_pages_of(m)
    html = render_sheet(content_of(m, decide(m), JobNotes(name="x")), m, drawings=weave.pages)
    (tmp_path / "sheet.html").write_text(html, encoding="utf-8")
    page.goto((tmp_path / "sheet.html").as_uri())
    pdf = page.pdf(format="A4", path=tmp_path / "sheet.pdf")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1 + 4


def test_phones_do_not_scroll_sideways(page: "Page", tmp_path: Path) -> None:
    m, tape, notes = much()
    html = render_sheet(content_of(m, decide(m, tape), notes), m, marked_jpeg=picture(1500, 1200))
    (tmp_path / "sheet.html").write_text(html, encoding="utf-8")
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto((tmp_path / "sheet.html").as_uri())
    wide = page.evaluate("() => [document.documentElement.scrollWidth, window.innerWidth]")
    assert wide[0] <= wide[1]


def test_nothing_on_it_needs_colour() -> None:
    """Every colour of sheet and drawings is a grey, but for links and focus on the screen."""
    from importlib import resources

    css = resources.files("holecount.sheet").joinpath("templates", "sheet.css").read_text(encoding="utf-8")
    inks = re.findall(r"#[0-9a-fA-F]{3,6}\b", css) + re.findall(r"#[0-9a-fA-F]{6}\b", seat_outline(made.special()))
    assert inks
    for ink in inks:
        full = ink[1:] if len(ink) == 7 else "".join(2 * c for c in ink[1:])
        grey = full[:2].lower() == full[2:4].lower() == full[4:].lower()
        assert grey or ink == "#003d99", ink


def test_the_paper_can_be_read_back(page: "Page", tmp_path: Path) -> None:
    import shutil

    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed (Debian: poppler-utils)")
    m = made.special()
    html = render_sheet(content_of(m, decide(m), JobNotes(name="Küchenstuhl")), m)
    (tmp_path / "sheet.html").write_text(html, encoding="utf-8")
    page.goto((tmp_path / "sheet.html").as_uri())
    page.pdf(format="A4", path=tmp_path / "sheet.pdf")
    text = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "sheet.pdf", "-"], capture_output=True, text=True, check=True, timeout=30
    ).stdout
    assert "Küchenstuhl" in text
    assert "12.700 ± 0.025" in text
    assert "hole number on the marked photograph" in text  # letters in the plot stay letters
