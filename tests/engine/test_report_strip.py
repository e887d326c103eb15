import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_shots import firm_shot, made_up_shot
from scatterproof.plan.criteria import ShotCriteria
from scatterproof.report.strip import WIDTH, curves, small_strip, strip_and_curves, value_scale

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '"><script>alert(1)</script>&\x00\ud800'


def drawn_frames(svg):
    """(frame, state) of every frame in the strip, as often as it is drawn."""
    found = re.findall(r'data-frames="(-?\d+)-(-?\d+)" data-state="(\w+)"', svg)
    return [(f, state) for first, last, state in found for f in range(int(first), int(last) + 1)]


@given(st.lists(st.sampled_from([0, 1, 2]), min_size=1, max_size=80), st.integers(0, 2000))
def test_every_frame_is_drawn_once_in_its_state(state, first):
    shot = made_up_shot(state, first=first)
    names = ("firm", "thin", "lost")
    wanted = [(int(f), names[s]) for f, s in zip(shot.frame, state, strict=True)]
    assert drawn_frames(small_strip(shot)) == wanted
    assert drawn_frames(strip_and_curves(shot, ShotCriteria(), [])) == wanted


def test_the_strip_fills_its_width_without_gaps_or_overlaps():
    svg = ET.fromstring(small_strip(made_up_shot([0, 0, 1, 2, 2, 0])))
    boxes = [group.find(f"{SVG}rect") for group in svg.findall(f"{SVG}g")]
    edges = [(float(box.get("x")), float(box.get("x")) + float(box.get("width"))) for box in boxes]
    assert edges[0][0] == 0
    assert edges[-1][1] == pytest.approx(300, abs=0.02)
    assert all(before[1] == pytest.approx(after[0], abs=0.02) for before, after in pairwise(edges))


def test_states_are_never_told_by_colour_alone():
    def shapes(state):
        svg = ET.fromstring(small_strip(made_up_shot([state])))
        group = svg.find(f"{SVG}g")
        return [(rect.get("y"), rect.get("height")) for rect in group.findall(f"{SVG}rect")]

    firm, thin, lost = shapes(0), shapes(1), shapes(2)
    assert firm == [("0", "16")]
    assert thin[1] == ("8", "8")
    assert float(lost[1][1]) < 8
    assert len({tuple(firm), tuple(thin), tuple(lost)}) == 3


def test_what_is_drawn_is_well_formed_for_any_name_and_any_number():
    odd = np.array([np.nan, np.inf, -np.inf, 0.0, 1e9, 1e-12, -1.0, np.nan])
    shot = made_up_shot([0, 1, 2, 0, 1, 2, 0, 1], name=HOSTILE, out_of_plane_sigma=odd, blur_px=odd)
    svg = strip_and_curves(shot, ShotCriteria(), [("A", 1), ("B", 2), ("C", 2)])
    ET.fromstring(svg)
    assert "<script" not in svg
    assert not re.search(r"\b(nan|inf)\b", re.sub(r"<title>.*?</title>", "", svg))


@pytest.mark.parametrize("count", [1, 2, 1000])
def test_shots_of_any_length_stay_inside_the_picture(count):
    shot = firm_shot(count, features=np.arange(count) * 7)
    svg = strip_and_curves(shot, ShotCriteria(), [("A", 1), ("B", 1 + count // 2), ("C", count)])
    for path in ET.fromstring(svg).iter(f"{SVG}path"):
        if path.get("class") == "curve":
            start, *steps = [float(v) for v in re.findall(r"-?[\d.]+", path.get("d"))][::2]
            at = start + np.concatenate([[0], np.cumsum(steps)])
            assert at.min() >= 0
            assert at.max() <= WIDTH
    assert len(svg) < 60_000 + 260 * count


def test_every_limit_lies_on_its_axis():
    for value in (0.0, 5.0, 4000.0):
        shot = firm_shot(3, features=np.full(3, int(value)), depths=np.full(3, int(value)), blur_px=np.full(3, value))
        for curve in curves(shot, ShotCriteria()):
            scale = value_scale(curve, 100.0)
            assert all(scale.low < limit < scale.high for limit in curve.limits)


def test_parallax_is_not_drawn_for_a_move_that_only_turns():
    names = [curve.name for curve in curves(firm_shot(rotation_only=True), ShotCriteria())]
    assert names == ["Trackable features", "Motion blur", "Slide, drift", "Slide, jitter"]
