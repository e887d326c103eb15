"""Printed at true scale: sheets are rendered by a PDF library of its own and measured, on all four papers."""

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import cv2
import numpy as np
import pypdfium2
import pytest
from kit_plans import kit_plan
from scatterproof.kit.build import KitOptions, build_kit
from scatterproof.kit.cut import _printable, _registration, _tiles, cut_pages
from scatterproof.kit.paper import CAUTION, PAPERS, Shape, Window, Words, finished, text_width, wrapped
from scatterproof.kit.pdf import pages_pdf
from scatterproof.kit.svg import page_svg
from scipy.optimize import linear_sum_assignment

DPI = 500
MM = 25.4 / DPI
TOLERANCE_MM = 0.2
INK = 60  # darker is black: frames of strips, seams and grids are grey


@pytest.fixture(scope="module", params=list(PAPERS))
def kit(request):
    return request.param, build_kit(kit_plan(), options=KitOptions(paper=request.param))


def render(pdf, page):
    return np.asarray(pdf[page].render(scale=DPI / 72, grayscale=True).to_numpy()).squeeze()


def stops(row):
    """Middles, mm, of the dark runs in a row of pixels, weighted by how dark they are."""
    ink = 255.0 - row.astype(float)
    dark = ink > 40
    edges = np.flatnonzero(np.diff(np.concatenate([[0], dark.astype(int), [0]])))
    return np.array(
        [
            MM * (np.average(np.arange(a, b), weights=ink[a:b]) + 0.5)
            for a, b in zip(edges[::2], edges[1::2], strict=True)
        ]
    )


def test_pages_have_the_papers_size_and_rulers_their_length(kit):
    paper, made = kit
    pdf = pypdfium2.PdfDocument(pages_pdf(made.pages, "kit"))
    assert len(pdf) == len(made.pages)
    short, long = sorted(PAPERS[paper])
    for number in (0, 2, len(pdf) - 1):
        width, height = (side / 72 * 25.4 for side in pdf[number].get_size())
        assert sorted((width, height)) == pytest.approx([short, long], abs=0.01)
        picture = render(pdf, number)
        base = height - 10 - 7  # of the ruler; long strokes stand 2.6 mm up every 10 mm, and 2.6 mm down every inch
        up = stops(picture[round((base - 2.2) / MM), : round(113 / MM)])
        down = stops(picture[round((base + 2.2) / MM), : round(113 / MM)])
        assert len(up) == 11
        assert np.diff(up) == pytest.approx([10.0] * 10, abs=TOLERANCE_MM)
        assert up[-1] - up[0] == pytest.approx(100.0, abs=TOLERANCE_MM)
        assert len(down) == 5
        assert down[-1] - down[0] == pytest.approx(101.6, abs=TOLERANCE_MM)


def feret(points):
    """Smallest and largest extent of points (K, 2) over all directions, a quarter of a degree apart."""
    angle = np.radians(np.arange(0, 180, 0.25))
    hull = cv2.convexHull(np.asarray(points, np.float32).reshape(-1, 1, 2))[:, 0]
    extent = np.ptp(hull @ np.stack([np.cos(angle), np.sin(angle)]), axis=0)
    return extent.min(), extent.max()


def pieces_in(picture):
    """(P, 3) square root of the area, smallest and largest extent, mm, and the contours.

    Each outline gives a contour outside of its line and one inside; the truth lies half-way.
    """
    contours, tree = cv2.findContours((picture < INK).astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    found, outlines = [], []
    for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True):
        if parent < 0 or cv2.contourArea(contour) * MM**2 < 300:
            continue
        both = [contour, contours[parent]]
        areas = [cv2.contourArea(c) for c in both]
        if areas[1] > 1.2 * areas[0]:
            continue  # two outlines that touch, or no outline at all
        sides = [feret(c) for c in both]
        found.append([np.mean(np.sqrt(areas)) * MM, *(np.mean(sides, axis=0) * MM)])
        outlines.append(contour[:, 0] * MM)
    return np.array(found).reshape(-1, 3), outlines


def planned(group):
    """The same measures of the plan's outlines."""
    rows = []
    for corners in group.corners_mm:
        polygon = corners.astype(np.float32)
        rows.append([np.sqrt(cv2.contourArea(polygon)), *feret(polygon)])
    return np.array(rows)


def test_every_marker_is_cut_at_true_size(kit):
    paper, made = kit
    for group in made.groups:
        pages = finished(cut_pages(group, made.table, paper), "plan")
        pdf = pypdfium2.PdfDocument(pages_pdf(pages, "cut"))
        measured = np.concatenate([pieces_in(render(pdf, number))[0] for number in range(len(pdf))])
        wanted = planned(group)
        assert len(measured) == len(wanted)
        gap = np.abs(measured[:, None] - wanted).max(axis=-1)
        rows, columns = linear_sum_assignment(gap)
        assert gap[rows, columns].max() < TOLERANCE_MM


def chirality(outline):
    """Hu's seventh moment: it changes its sign in a mirror (Hu 1962)."""
    return float(cv2.HuMoments(cv2.moments(outline.astype(np.float32)))[6, 0])


def test_no_piece_is_mirrored(kit):
    paper, made = kit
    group = made.groups[1]
    pages = finished(cut_pages(group, made.table, paper), "plan")
    pdf = pypdfium2.PdfDocument(pages_pdf(pages, "cut"))
    signs = []
    for number in range(len(pdf)):
        measures, outlines = pieces_in(render(pdf, number))
        for measure, outline in zip(measures, outlines, strict=True):
            match = int(np.abs(planned(group) - measure).max(axis=1).argmin())
            true = chirality(group.corners_mm[match])
            seen = chirality(outline * [1, -1])
            if abs(true) > 1e-9:
                signs.append(np.sign(true) == np.sign(seen))
    assert len(signs) >= 10
    assert np.mean(signs) > 0.9


def test_tiles_of_a_large_sheet_meet_in_their_crosses():
    # The crosses of a page, put where its tile lies on the board, fall on those of its neighbours.
    made = build_kit(kit_plan(randoms=4, random="[0.22, 0.25]", squares=4), options=KitOptions(paper="A4"))
    group = made.groups[1]
    assert group.laid_up
    tiles = _tiles(group, 0, *_printable("A4"))
    assert len(tiles) > 2
    count = {}
    for tile in tiles:
        for x, y in _registration(group, tile):
            assert tile.left - 1e-9 <= x <= tile.right + 1e-9
            assert tile.bottom - 1e-9 <= y <= tile.top + 1e-9
            count[round(x, 3), round(y, 3)] = count.get((round(x, 3), round(y, 3)), 0) + 1
    assert min(count.values()) >= 2
    pages = finished(cut_pages(group, made.table, "A4"), "plan")
    pdf = pypdfium2.PdfDocument(pages_pdf(pages, "cut"))
    assert len(pdf) >= 2


@pytest.mark.parametrize("paper", list(PAPERS))
def test_every_page_of_a_piece_that_goes_over_several_bears_its_number(paper):
    """What shows of a piece on a page is filled by OpenCV; a part that holds a circle of 7 mm is numbered, inside."""
    made = build_kit(kit_plan(randoms=6, random="[0.25, 0.45]", squares=4), options=KitOptions(paper=paper))
    several = 0
    for group in made.groups:
        windows = [m for page in cut_pages(group, made.table, paper) for m in page.marks if isinstance(m, Window)]
        parts: dict[str, int] = {}
        for window in windows:
            left, top, right, bottom = window.box
            pixels = 4  # per mm
            outlines = [s.points for s in window.marks if isinstance(s, Shape) and s.closed and s.width == 0.25]
            labels = [w for w in window.marks if isinstance(w, Words)]
            for outline in outlines:
                mask = np.zeros((int((bottom - top) * pixels) + 1, int((right - left) * pixels) + 1), np.uint8)
                cv2.fillPoly(mask, [np.round((outline - [left, top]) * pixels).astype(np.int32)], 1)
                room = cv2.distanceTransform(np.pad(mask, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
                if room.max() / pixels < 3.5:  # 2.5 mm get none; the window shows 0.2 mm more, a pixel is 0.25 mm
                    continue
                inside = [
                    w.text
                    for w in labels
                    if mask[np.clip(int((w.y - top) * pixels), 0, len(mask) - 1),
                            np.clip(int((w.x - left) * pixels), 0, mask.shape[1] - 1)]
                ]  # fmt: skip
                assert len(inside) == 1, (window.box, labels)
                parts[inside[0]] = parts.get(inside[0], 0) + 1
        assert set(parts) == {made.table.label[int(row)] for row in group.rows}
        several += sum(count > 1 for count in parts.values())
    assert several >= 3


def test_placement_is_drawn_to_the_scale_it_tells(kit):
    _, made = kit
    layout = made.needs.layout
    page = next(page for page in made.pages if page.kind == "place" and "back wall" in page.title)
    scale = int(re.search(r"Scale 1:(\d+)", " ".join(w.text for w in words_of(page)))[1])
    chart = next(i for i, chart in enumerate(made.table.charts) if chart.name == "back wall")
    for row in made.table.on_chart(chart).tolist()[:20]:
        side = 1000 * layout.markers.size_m[row] / scale
        sizes = [
            np.linalg.norm(np.diff(s.points[:2], axis=0)) for s in shapes_of(page) if len(s.points) == 4 and s.fill
        ]
        assert min(abs(size - side) for size in sizes) < 1e-6


def words_of(page):
    for mark in page.marks:
        for one in mark.marks if isinstance(mark, Window) else (mark,):
            if isinstance(one, Words):
                yield one


def shapes_of(page):
    for mark in page.marks:
        for one in mark.marks if isinstance(mark, Window) else (mark,):
            if isinstance(one, Shape):
                yield one


@pytest.fixture(scope="module")
def crowded():
    """Names as long as a plan allows, letters from elsewhere, and 600 markers."""
    long = "An exceedingly long name that somebody pasted from a call sheet and that goes on, and on, to the limit"[
        :100
    ]
    plan = kit_plan(squares=400, randoms=200, square=0.03, random="[0.03, 0.04]", name=long)
    unbroken = "W" * 100
    stands = tuple(replace(s, name=f"{unbroken[:96]} {i:03}") for i, s in enumerate(plan.stands))
    shots = tuple(replace(s, name="灯 " + "Ωß" * 40, wants="everything. " * 30) for s in plan.shots)
    paints = tuple(replace(p, name=p.name) for p in plan.paints)
    return replace(plan, stands=stands, shots=shots, paints=paints, note="note " * 80)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_nothing_runs_off_the_paper(crowded, paper):
    made = build_kit(crowded, options=KitOptions(paper=paper))
    assert any("is shot 1" in warning for warning in made.warnings)
    assert not any("□" in word.text for page in made.pages for word in words_of(page))
    for page in made.pages:
        assert CAUTION in {word.text for word in words_of(page)}
        for word in words_of(page):
            width = text_width(word.text, word.size, word.bold)
            if word.turn:
                continue
            left = word.x - {"start": 0, "middle": 0.5, "end": 1}[word.anchor] * width
            assert left > 3, (page.title, word.text)
            assert left + width < page.width - 3, (page.title, word.text)
            assert 3 < word.y < page.height - 3
            assert word.size >= 2.7 or page.kind == "cut"
        for mark in page.marks:
            if isinstance(mark, Shape):
                assert mark.points.min() > 5
                assert (mark.points.max(axis=0) < [page.width - 5, page.height - 5]).all(), page.title


def test_black_ink_alone_tells_everything(crowded):
    made = build_kit(crowded, options=KitOptions())
    for page in made.pages:
        for shape in shapes_of(page):
            assert len(set(shape.stroke)) == 1
            assert shape.fill is None or len(set(shape.fill)) == 1
        for word in words_of(page):
            assert max(word.colour) < 0.5


def test_the_same_plan_prints_the_same_bytes():
    plan = kit_plan(squares=8, randoms=8)
    one, other = (pages_pdf(build_kit(plan).pages, "kit") for _ in range(2))
    assert one == other


def test_svg_sheets_have_the_papers_size_and_every_word(kit):
    _, made = kit
    for page in made.pages[:6]:
        root = ElementTree.fromstring(page_svg(page))
        assert root.get("width") == f"{page.width:g}mm"
        assert root.get("viewBox") == f"0 0 {page.width:g} {page.height:g}"
        told = [node.text for node in root.iter("{http://www.w3.org/2000/svg}text")]
        assert told == [word.text for word in words_of(page) if word.text]


def test_text_in_the_pdf_can_be_searched():
    made = build_kit(kit_plan(squares=4, randoms=4, name="Bühne “Ωmega”"))
    pdf = pypdfium2.PdfDocument(pages_pdf(made.pages, "kit"))
    told = pdf[0].get_textpage().get_text_range()
    assert "Bühne “Ωmega”" in told
    assert "Order of work" in told


def test_wrapping_keeps_every_letter():
    text = "one two " + "x" * 400 + " three"
    lines = wrapped(text, 40.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert max(text_width(line) for line in lines) <= 40.0
