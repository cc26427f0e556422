"""The job sheet: what stands on it is what was measured, escaped, self-contained, and the same again next time."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import cv2
import made_measurement as made
import numpy as np
import pytest
from numpy.typing import NDArray

from holecount.cautions import Work
from holecount.decide import Wishes, decide
from holecount.measurement import Measurement
from holecount.photo import Photo
from holecount.sheet import Drawing, JobNotes, content_of, render_sheet
from holecount.sheet.pictures import marked_jpeg, photo_of, small_jpeg
from holecount.sheet.plots import round_the_seat, seat_outline
from holecount.tape import read_list
from holecount.troubles import BadInput

JOB = JobNotes(name="Kitchen chair", date="2026-11-25", notes="Walnut.")


class Page(HTMLParser):
    """Every element with its attributes, and all text outside style."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self._inside: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._inside.append(tag)
        self.words += " "

    def handle_endtag(self, tag: str) -> None:
        if tag in self._inside:
            while self._inside.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if "style" not in self._inside:
            self.words += data

    @property
    def text(self) -> str:
        return " ".join(self.words.split())


def sheet(m: Measurement, job: JobNotes = JOB, readings: str = "", **how: object) -> str:
    tape = read_list(readings, "pitch") if readings else ()
    return render_sheet(content_of(m, decide(m, tape), job), m, **how)  # type: ignore[arg-type]


def photo(m: Measurement, sha256: str | None = None) -> Photo:
    picture = np.full((m.height_px, m.width_px, 3), 120, np.uint8)
    return Photo(path=Path("seat.jpg"), sha256=sha256 or m.photo_sha256, bgr=picture)


def test_every_figure_by_rail_is_on_it() -> None:
    m = made.special()
    text = Page(sheet(m)).text
    for rail in (*m.rails, m.seat):
        assert rail.pitch
        assert rail.diameter
        assert f"{rail.pitch.min_mm:.2f} ({rail.pitch.min_at[0]}-{rail.pitch.min_at[1]})" in text
        assert f"{rail.diameter.max_mm:.2f} ({rail.diameter.max_at[0]})" in text
    assert f"{m.seat.six_inches.least} to {m.seat.six_inches.most}" in text
    assert "12.700 ± 0.025 mm 1/2 in" in text
    assert m.verdict_reasons[0] in text
    assert "Kitchen chair" in text
    assert "Walnut." in text


def test_size_runner_up_binder_and_assumptions_are_on_it() -> None:
    m = made.special()
    choice = decide(m).choice
    assert choice
    assert choice.choice
    text = Page(sheet(m)).text
    assert f"{choice.choice.width_mm:g} mm" in text
    for words in choice.binder.words:
        assert words in text
    for other in choice.candidates[1:]:
        assert f"{other.width_mm:g} mm" in text
    for reason in choice.reasons:
        assert " ".join(reason.words.split()) in text
        assert reason.source in text
    assert "bank card (ISO/IEC 7810 ID-1)" in text
    assert "focal length from EXIF" in text


def test_tape_stands_beside_the_photograph_with_its_verdict() -> None:
    text = Page(sheet(made.special(), readings="front: 1/2; left: 1 1/2")).text
    assert "front pitch 1/2" in text
    assert "left pitch 1 1/2" in text
    assert "agrees" in text
    assert "wrong" in text
    assert "likely slip" in text


def test_wrong_readings_are_left_out_of_the_size() -> None:
    m = made.special()
    alone = decide(m)
    with_slip = decide(m, read_list("1 1/2", "pitch"))
    assert alone.choice
    assert with_slip.choice
    assert [c.verdict for c in with_slip.checks] == ["wrong"]
    assert with_slip.choice.choice == alone.choice.choice


def test_it_needs_nothing_else_and_runs_nothing() -> None:
    html = sheet(made.special(), marked_jpeg=b"\xff\xd8\xff", old_seat_jpeg=b"\xff\xd8\xff", readings="1/2")
    page = Page(html)
    assert "script" not in {tag for tag, _ in page.elements}
    for tag, attributes in page.elements:
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("src", "href", "srcset", "action", "data"):
                assert (value or "").startswith("data:image/"), (tag, name, value)
    assert not re.search(r"url\(|@import|https?://", html.split("</style>")[0])
    assert not re.search(r"url\(|@import", html)
    assert any(a.get("http-equiv") == "Content-Security-Policy" for _, a in page.elements)


EVIL = "</title><script>alert(1)</script><img src=x onerror=alert(2)>\"'&"


def test_what_was_typed_stays_text() -> None:
    job = JobNotes(name=EVIL, date=EVIL, notes=EVIL)
    page = Page(sheet(replace(made.special(), photo_name=EVIL), job))
    assert "script" not in {tag for tag, _ in page.elements}
    assert all("onerror" not in attributes for _, attributes in page.elements)
    assert page.text.count("<script>alert(1)</script>") >= 3


def test_every_picture_has_words_and_tables_have_headings() -> None:
    page = Page(sheet(made.special(), marked_jpeg=b"\xff\xd8\xff", readings="1/2"))
    pictures = [a for tag, a in page.elements if tag == "img"]
    assert len(pictures) == 2
    assert all(a.get("alt") for a in pictures)
    assert all(a.get("scope") for tag, a in page.elements if tag == "th")
    assert ("html", {"lang": "en"}) in page.elements


def test_the_same_figures_make_the_same_file() -> None:
    assert sheet(made.special()) == sheet(made.special())


def test_without_the_photograph_the_holes_are_drawn_and_it_says_so() -> None:
    assert "photograph was not at hand" in Page(sheet(made.special())).text
    assert "photograph was not at hand" not in Page(sheet(made.special(), marked_jpeg=b"\xff\xd8\xff")).text


def test_another_photograph_is_refused() -> None:
    m = made.special()
    with pytest.raises(BadInput, match="not the photograph that was measured"):
        marked_jpeg(photo(m, sha256="f" * 64), m)
    picture = cv2.imdecode(np.frombuffer(marked_jpeg(photo(m), m), np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert 200 < max(picture.shape) <= 1700


def test_pixels_give_no_size_and_no_inches() -> None:
    m = replace(made.special(), scale=None)
    text = Page(sheet(m)).text
    assert "No size" in text
    assert "px" in text
    assert "in six inches" not in text
    assert not re.search(r"\d/\d+ in\b", text)


def test_cautions_follow_what_is_known() -> None:
    known = JobNotes(name="x", work=Work(cracks=False, old_finish=False))
    text = Page(sheet(made.special(), known)).text
    assert "lead" not in text
    assert "stand or sit" not in text
    assert "rags" in text
    assert "Local rules" in text


def test_only_the_paper_is_cut_short() -> None:
    reasons = tuple(f"Reason number {k}." for k in range(9))
    page = Page(sheet(replace(made.special(), verdict_reasons=reasons)))
    assert all(reason in page.text for reason in reasons)
    hidden = [a for tag, a in page.elements if tag == "li" and a.get("class") == "screen-only"]
    assert len(hidden) >= 6
    assert "and 6 more, on the screen" in page.text or "and 7 more, on the screen" in page.text


def test_drawings_come_on_pages_of_their_own() -> None:
    page = Page(sheet(made.special(), drawings=[Drawing(title="Step 1", svg="<svg></svg>", words=("24 strands",))]))
    assert "Step 1" in page.text
    assert "24 strands" in page.text


def test_plot_shows_every_gap_and_hole_and_shades_the_doubtful() -> None:
    m = made.special()
    svg = round_the_seat(m)
    assert svg.startswith("<svg")
    assert "hole number on the marked photograph" in svg
    for rail in ("front", "right", "back", "left"):
        assert f">{rail}<" in svg
    plain = replace(m, low_confidence=(), holes=tuple(replace(h, status="open") for h in m.holes))
    assert "pattern" in svg
    assert "pattern" not in round_the_seat(plain)
    assert "<svg" in seat_outline(m)


def test_old_seat_is_made_small_and_loses_everything_but_the_picture() -> None:
    big: NDArray[np.uint8] = np.random.default_rng(1).integers(0, 255, (900, 1600, 3), dtype=np.uint8)
    data = small_jpeg(big)
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    assert picture.shape == (394, 700, 3)
    assert b"Exif" not in data


def test_photo_is_found_beside_only_when_it_is_the_one(tmp_path: Path) -> None:
    import hashlib

    m = replace(made.special(), photo_name="seat.jpg", photo_sha256=hashlib.sha256(b"right").hexdigest())
    assert photo_of(m, tmp_path) is None
    (tmp_path / "seat.jpg").write_bytes(b"wrong")
    assert photo_of(m, tmp_path) is None
    (tmp_path / "seat.jpg").write_bytes(b"right")
    assert photo_of(m, tmp_path) == tmp_path / "seat.jpg"
    assert photo_of(replace(m, photo_name="../seat.jpg"), tmp_path / "inner") is None


def test_wishes_reach_the_size() -> None:
    m = made.special()
    couched = decide(m, (), Wishes(couched=True)).choice
    plain = decide(m).choice
    assert couched
    assert plain
    assert couched.couched
    assert {f.n_strands for f in couched.fits} >= {6}
    assert not plain.couched
