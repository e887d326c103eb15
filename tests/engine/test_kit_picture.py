"""Sheets as pixels: against a PDF library's rendering of the same pages, and against areas known beforehand."""

import math

import cv2
import numpy as np
import pypdfium2
import pytest
from kit_plans import kit_plan
from scatterproof.kit.build import build_kit
from scatterproof.kit.font import load_font
from scatterproof.kit.glyphs import outline
from scatterproof.kit.paper import Page, Shape, Window
from scatterproof.kit.pdf import pages_pdf
from scatterproof.kit.picture import page_pixels

DPI = 110


def sheet(width=30.0, height=20.0):
    return Page("sheet", "sheet", width, height)


def ink(page, per_mm=10.0):
    """Area of black, mm2."""
    return float((1 - page_pixels(page, per_mm)[..., 0]).sum()) / per_mm**2


def test_every_page_of_a_kit_looks_as_the_pdf_does():
    """PDFium draws the PDF; both blurred by a pixel, since its lines and letters are hinted otherwise."""
    kit = build_kit(kit_plan())
    pdf = pypdfium2.PdfDocument(pages_pdf(kit.pages, "kit"))
    for number, page in enumerate(kit.pages):
        ours = page_pixels(page, DPI / 25.4)
        theirs = np.asarray(pdf[number].render(scale=DPI / 72).to_numpy())[..., ::-1] / 255
        assert np.abs(np.subtract(ours.shape, theirs.shape)).max() <= 1
        rows, columns = np.minimum(ours.shape, theirs.shape)[:2]
        a, b = (cv2.blur(np.ascontiguousarray(p[:rows, :columns]), (3, 3)) for p in (ours, theirs))
        assert np.corrcoef(a.ravel(), b.ravel())[0, 1] > 0.95, (number, page.title)
        assert 1 - ours.mean() == pytest.approx(1 - theirs.mean(), rel=0.08), (number, page.title)


def test_fills_lines_and_dashes_have_their_areas():
    page = sheet()
    page.box(2.03, 3.07, 7.03, 11.07, width=0.0, fill=(0, 0, 0))
    assert ink(page) == pytest.approx(40, abs=1e-6)
    page = sheet()
    page.outline(np.array([[2, 2], [12, 2], [2, 14]]), width=0.0, fill=(0, 0, 0))
    assert ink(page) == pytest.approx(60, abs=0.02)
    page = sheet()
    page.line((4, 5), (24, 5), width=0.5, dash=(3.0, 1.0))
    assert ink(page) == pytest.approx(15 * 0.5, abs=1e-6)
    page = sheet()
    page.circle(10, 10, 6, width=0.0, fill=(0.5, 0.5, 0.5))
    assert ink(page) == pytest.approx(0.5 * 24 * 36 * math.sin(math.pi / 24), rel=1e-3)  # 48 sides


def test_two_shapes_that_turn_opposite_ways_do_not_take_each_other_out():
    page = sheet()
    square = np.array([[2.0, 2], [12, 2], [12, 12], [2, 12]])
    page.outline(square, width=0.0, fill=(0, 0, 0))
    page.outline(square[::-1] + 3, width=0.0, fill=(0, 0, 0))
    assert ink(page) == pytest.approx(2 * 100 - 49, abs=1e-6)


def test_windows_cut_off_and_what_lies_off_the_page_is_left_out():
    page = sheet()
    big = Shape(np.array([[-5.0, -5], [50, -5], [50, 50], [-5, 50]]), closed=True, width=0.0, fill=(0, 0, 0))
    page.marks.append(Window((3, 4, 8, 10), (big,)))
    assert ink(page) == pytest.approx(30, abs=1e-6)
    page.marks.append(Window((20, 10, 60, 60), (big,)))
    assert ink(page) == pytest.approx(30 + 100, abs=1e-6)
    page.marks.append(Window((8, 4, 3, 10), (big,)))
    assert ink(page) == pytest.approx(130, abs=1e-6)
    assert ink(sheet()) == 0


@pytest.mark.parametrize("bold", [False, True])
def test_letters_have_their_holes_and_accents(bold):
    font = load_font(bold)
    count = {letter: len(outline(font.glyph_of[letter], bold)) for letter in "lOB8ié "}
    assert count == {"l": 1, "O": 2, "B": 3, "8": 3, "i": 2, "é": 3, " ": 0}
    turns = [float(np.linalg.det(np.stack([c[1] - c[0], c[2] - c[1]]))) for c in outline(font.glyph_of["l"], bold)]
    assert all(turn < 0 for turn in turns)  # clockwise, y up
    for letter in "HxÅж":
        points = np.concatenate(outline(font.glyph_of[letter], bold))
        assert points.min() > -0.3
        assert points.max() < 1.2
        assert np.ptp(points[:, 0]) <= font.advance[font.glyph_of[letter]] / 1000 + 0.1


def test_turned_words_run_up_the_page():
    level, turned = sheet(40, 40), sheet(40, 40)
    level.words(5, 20, "HHHH", 5)
    turned.words(20, 35, "HHHH", 5, turn=90.0)
    assert ink(turned) == pytest.approx(ink(level), rel=0.02)
    rows, columns = np.nonzero(page_pixels(turned, 10)[..., 0] < 0.5)
    assert np.ptp(rows) > 2 * np.ptp(columns)
    assert rows.max() < 350
    assert columns.max() <= 201
