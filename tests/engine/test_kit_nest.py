"""Nesting keeps pieces apart, on the tape, and as large as they were."""

import cv2
import numpy as np
import pytest
from kit_plans import kit_plan
from scatterproof.kit.cut import cut_groups, roomiest
from scatterproof.kit.nest import fits, least_width, nest
from scatterproof.kit.setout import set_out
from scatterproof.problems import BadInput
from scatterproof.stage import polygons
from scatterproof.stage.layout import build_layout
from scatterproof.stage.shapes import random_polygons

PX = 4  # per mm


def random_pieces(count=30, size=(40, 60), seed=2):
    rng = np.random.default_rng(seed)
    return [rng.uniform(*size) * shape for shape in random_polygons(6, [seed], count)]


def filled(outline, length, width):
    """Area covered by a piece as a picture; OpenCV knows nothing of the nesting."""
    picture = np.zeros((int(width * PX) + 8, int(length * PX) + 8), np.uint8)
    cv2.fillPoly(picture, [np.rint(outline * PX).astype(np.int32)], 1)
    return picture


@pytest.mark.parametrize(("width", "length"), [(72.0, 277.0), (96.0, 400.0), (200.0, 277.0)])
def test_pieces_lie_on_their_boards_and_never_overlap(width, length):
    pieces = random_pieces()
    nesting = nest(pieces, width, length)
    for board in range(len(nesting.used_mm)):
        total = np.zeros((int(width * PX) + 8, int(nesting.length_mm[board] * PX) + 8), np.uint8)
        for piece in np.flatnonzero(nesting.board == board):
            laid = nesting.laid(piece, pieces[piece])
            assert laid.min() > -1e-6
            assert laid[:, 0].max() < nesting.length_mm[board] + 1e-6
            assert laid[:, 1].max() < width + 1e-6
            total += filled(laid, nesting.length_mm[board], width)
        assert total.max() == 1


def test_pieces_keep_their_shape_and_are_not_mirrored():
    pieces = random_pieces()
    nesting = nest(pieces, 96.0, 277.0)
    for piece, corners in enumerate(pieces):
        laid = nesting.laid(piece, corners)
        assert polygons.signed_area(laid) == pytest.approx(polygons.signed_area(corners), rel=1e-12)
        sides = [np.linalg.norm(np.roll(c, -1, axis=0) - c, axis=1) for c in (laid, corners)]
        assert sides[0] == pytest.approx(sides[1])


def test_squares_as_wide_as_the_tape_waste_only_the_gaps():
    square = 25 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]])
    nesting = nest([square] * 20, 50.0, 277.0, gap_mm=2.0)
    assert len(nesting.used_mm) == 4
    assert nesting.used_mm == pytest.approx([5 * 50 + 4 * 2.0] * 4)


def test_interlocking_beats_boxes():
    triangle = np.array([[0, 0], [40, 0], [0, 40.0]])
    nesting = nest([triangle] * 20, 40.0, 5000.0, gap_mm=1.0)
    waste = 1 - 20 * 800 / (40 * nesting.used_mm.sum())
    assert waste < 0.15  # boxes around each would waste half; the best there is, a twentieth


def shelves_mm(pieces, width, gap):
    """Length of strip that shelves of smallest boxes take, the highest first (first fit, decreasing height)."""
    boxes = sorted((sorted(cv2.minAreaRect(p.astype(np.float32))[1]) for p in pieces), key=lambda b: -b[1])
    shelves = []  # [width left, length]
    for narrow, long in boxes:
        shelf = next((s for s in shelves if s[0] >= narrow), None)
        if shelf is None:
            shelf = [width + gap, long]
            shelves.append(shelf)
        shelf[0] -= narrow + gap
    return sum(length for _, length in shelves) + gap * (len(shelves) - 1)


def test_less_waste_than_shelves_of_boxes():
    ratios = []
    for seed in (2, 3, 4, 5):
        pieces = random_pieces(80, seed=seed)
        ratios.append(nest(pieces, 300.0, 1e5).used_mm.sum() / shelves_mm(pieces, 300.0, 2.0))
    assert max(ratios) < 1
    assert np.mean(ratios) < 0.96


def test_least_width_against_opencv():
    for piece in random_pieces(40):
        width, turn = least_width(piece)
        box = cv2.minAreaRect(piece.astype(np.float32))[1]
        assert width <= min(box) + 1e-3
        assert fits(piece, width + 1e-6, 1000)
        assert not fits(piece, 0.95 * width, 1000)
        cos, sin = np.cos(turn), np.sin(turn)
        assert np.ptp(piece @ np.array([[cos, sin], [-sin, cos]]), axis=0)[1] == pytest.approx(width)


def test_the_roomiest_place_is_inside():
    for piece in random_pieces(30):
        place, reach = roomiest(piece)
        assert cv2.pointPolygonTest(piece.astype(np.float32), place.tolist(), True) == pytest.approx(reach, abs=1e-3)


def test_a_long_piece_gets_a_long_board():
    bar = np.array([[0, 0], [600, 0], [600, 20], [0, 20.0]])
    nesting = nest([bar], 25.0, 277.0)
    assert nesting.length_mm[0] >= 600


@pytest.mark.parametrize(("unit", "tape"), [("m", "auto"), ("ft", "auto"), ("m", "sheet"), ("m", 25.0), ("ft", 50.8)])
def test_cut_pieces_have_the_areas_of_the_plan(unit, tape):
    plan = kit_plan()
    layout = build_layout(plan)
    table = set_out(plan, layout, unit)
    groups = cut_groups(plan, layout, table, unit, "A4", tape)
    assert sorted(row for group in groups for row in group.rows) == list(range(len(layout.markers.name)))
    for group in groups:
        areas = np.array([float(polygons.signed_area(corners)) for corners in group.corners_mm])
        assert areas == pytest.approx(1e6 * layout.markers.size_m[group.rows] ** 2, rel=2e-4)
        assert 0 < group.waste < 0.7
        assert group.tape_m2 * (1 - group.waste) == pytest.approx(group.area_m2)
        if not group.laid_up:
            assert max(least_width(corners)[0] for corners in group.corners_mm) <= group.tape_mm + 0.05


def test_pieces_point_up_on_their_chart():
    plan = kit_plan()
    layout = build_layout(plan)
    table = set_out(plan, layout, "m")
    group = cut_groups(plan, layout, table, "m", "A4", "auto")[0]
    for piece, row in enumerate(group.rows.tolist()):
        chart = table.charts[table.chart[row]]
        surface = int(layout.markers.surface[row])
        outline = layout.markers.outline_uv[layout.markers.first[row] : layout.markers.first[row + 1]]
        there = chart.from_surface(surface, outline)
        centre = chart.from_surface(surface, layout.markers.centre_uv[row])
        assert group.corners_mm[piece] / 1000 + centre == pytest.approx(there, abs=1e-9)


def test_unknown_tape_is_refused():
    plan = kit_plan()
    layout = build_layout(plan)
    with pytest.raises(BadInput, match="33 mm"):
        cut_groups(plan, layout, set_out(plan, layout, "m"), "m", "A4", 33.0)


def test_squares_narrower_than_the_tape_are_not_turned_askew():
    rng = np.random.default_rng(0)
    square = 15 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]])
    turns = rng.uniform(0, 6, 60)
    pieces = [square @ np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]]) for t in turns]
    assert nest(pieces, 50.0, 1e4, gap_mm=2.0).used_mm.sum() == pytest.approx(60 * 32 - 2)
