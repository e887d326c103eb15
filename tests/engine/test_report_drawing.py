import re
import xml.etree.ElementTree as ET

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scatterproof.report import drawing as d
from scipy.spatial import ConvexHull


def polygon_of(data):
    """Points of path data made of one start and relative steps."""
    numbers = np.array([float(v) for v in re.findall(r"-?[\d.]+", data)]).reshape(-1, 2)
    return np.cumsum(numbers, axis=0)


def random_polygon(rng, low=-2.0, high=2.0):
    return d.hull(rng.uniform(low, high, (rng.integers(3, 9), 2)))


@given(st.text())
def test_escaped_text_survives_an_xml_parser(text):
    element = ET.fromstring(d.element("text", d.escape(text), about=text))
    kept = re.sub("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", text)
    kept = kept.replace("\r\n", "\n").replace("\r", "\n")
    assert (element.text or "") == kept
    assert element.get("about") == kept.replace("\n", " ").replace("\t", " ")


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_number_that_is_not_finite_is_no_coordinate(value):
    with pytest.raises(ValueError, match="coordinate"):
        d.number(value)


def test_path_data_does_not_drift():
    points = np.random.default_rng(3).uniform(-500, 500, (2000, 2))
    assert np.abs(polygon_of(d.path_data(points)) - points).max() <= 0.05 + 1e-9


def test_clipping_agrees_with_opencv():
    """Area of the overlap of convex polygons: OpenCV's intersectConvexConvex."""
    rng = np.random.default_rng(11)
    window = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32)
    planes = np.array([[1, 0, 0, 1], [-1, 0, 0, 1], [0, 1, 0, 1], [0, -1, 0, 1]], float)
    for _ in range(300):
        polygon = random_polygon(rng)
        clipped = d.clip_polygon(np.column_stack([polygon, np.zeros(len(polygon))]), planes)
        area, _ = cv2.intersectConvexConvex(polygon.astype(np.float32), window)
        ours = d.polygon_area(clipped[:, :2]) if len(clipped) else 0.0
        assert ours == pytest.approx(area, abs=1e-4)


def test_clipping_leaves_nothing_outside_and_changes_nothing_inside():
    rng = np.random.default_rng(12)
    planes = np.column_stack([rng.normal(size=(5, 3)), np.full(5, 0.4)])
    for _ in range(200):
        polygon = rng.normal(size=(6, 3))
        clipped = d.clip_polygon(polygon, planes)
        assert (clipped @ planes[:, :3].T + planes[:, 3] >= -1e-9).all()
        inside = polygon[(polygon @ planes[:, :3].T + planes[:, 3] >= 0).all(axis=1)]
        assert all(any(np.array_equal(corner, kept) for kept in clipped) for corner in inside)


def test_hull_agrees_with_scipy():
    rng = np.random.default_rng(13)
    for _ in range(100):
        points = rng.normal(size=(rng.integers(3, 40), 2)).round(1)
        if np.linalg.matrix_rank(points - points[0]) < 2:
            continue
        assert d.polygon_area(d.hull(points)) == pytest.approx(ConvexHull(points).volume)


def test_loops_about_triangles_cover_what_the_triangles_cover():
    """A grid with a hole: winding numbers of the loops against the triangles, at random places."""
    cells = [(x, y) for x in range(4) for y in range(4) if (x, y) not in ((1, 1), (2, 1))]
    corner = np.array([[x, y] for x in range(5) for y in range(5)], float)
    quads = np.array([[5 * x + y, 5 * x + 5 + y, 5 * x + 6 + y, 5 * x + 1 + y] for x, y in cells])
    loops = d.boundary_loops(np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]))
    assert sum(map(len, loops)) == 16 + 6
    for x, y in np.random.default_rng(14).uniform(-0.5, 4.5, (300, 2)):
        winding = sum(turns_about(corner[loop], x, y) for loop in loops)
        assert (winding != 0) == ((int(np.floor(x)), int(np.floor(y))) in cells)


def turns_about(loop, x, y):
    """How often a closed polygon turns about a point."""
    angle = np.arctan2(loop[:, 1] - y, loop[:, 0] - x)
    turns = np.diff(np.append(angle, angle[0]))
    return round(float(((turns + np.pi) % (2 * np.pi) - np.pi).sum() / (2 * np.pi)))


@given(st.lists(st.floats(-1000, 1000), min_size=1, max_size=12), st.floats(0, 50))
def test_spread_positions_keep_their_order_and_distance(wanted, gap):
    placed = np.array(d.spread(wanted, gap))
    assert (np.diff(placed[np.argsort(wanted, kind="stable")]) >= gap - 1e-6).all()
    assert placed.mean() == pytest.approx(np.mean(wanted), abs=1e-6)


@given(st.floats(1e-4, 1e5), st.integers(1, 12))
def test_ticks_are_round_and_few(span, most):
    values = d.ticks(0.0, span, most)
    assert 1 <= len(values) <= most + 1
    assert all(-1e-9 <= value <= span * (1 + 1e-6) for value in values)


def test_scales_stop_at_their_ends():
    scale = d.Scale(0.1, 1000.0, 100.0, 20.0, log=True)
    assert scale.at(10.0) == pytest.approx(60)
    assert scale(np.array([1e-9, 1e9])).tolist() == pytest.approx([100, 20])
    assert np.isnan(scale.at(np.nan))


def test_labels_neither_overlap_nor_leave_the_picture():
    board = d.LabelBoard(300, 200)
    placed = [board.put(150 + 3 * i, 100 + 2 * i, f"a stand with a long name {i}", 5) for i in range(40)]
    assert 3 < sum(placed) < 40
    boxes = board.taken
    for i, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[2] <= 300
        assert all(a[0] >= b[2] or b[0] >= a[2] or a[1] >= b[3] or b[1] >= a[3] for b in boxes[:i])


def test_a_cut_label_still_tells_the_whole():
    name = "x" * 100 + "<"
    text = ET.fromstring(d.label(0, 0, name, 20))
    assert text.text == "x" * 19 + "…"
    assert text.find("title").text == name
