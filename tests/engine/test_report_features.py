"""Why features count or not, and stop and shutter, as the report tells them."""

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from scatterproof.plan import model as m
from scatterproof.readiness.rehearse import rehearse
from scatterproof.report.exposure import exposure_section, in_focus
from scatterproof.report.features import crop_picture, feature_name, feature_section, reason_text, telling
from scatterproof.sightings.sighting import (
    AWAY,
    BLURRED,
    HIDDEN,
    MERGED,
    PALE,
    SEEN,
    SHORT,
    SMALL,
    WHY,
    larger_sigma,
)
from scatterproof.stage.layout import BAND, CORNER, DISC, POINT

SVG = "{http://www.w3.org/2000/svg}"


def a_plan(**shot):
    """A pan past everything that can go wrong: pale and small markers, a steep side wall, a performer, soft bands."""
    sets = (
        m.MarkerSet(name="good", surfaces=("wall",), layout="grid", spacing=0.9, size=(0.2, 0.2)),
        m.MarkerSet(name="small", surfaces=("wall",), layout="scatter", shape="square", count=12, size=(0.008, 0.008)),
        m.MarkerSet(name="pale", surfaces=("wall",), layout="scatter", count=8, size=(0.2, 0.2), paint="pale", seed=2),
        m.MarkerSet(name="steep", surfaces=("side",), layout="scatter", count=12, size=(0.2, 0.2), seed=3),
        m.MarkerSet(name="near", surfaces=("floor",), layout="scatter", count=20, size=(0.1, 0.1), seed=4),
        m.MarkerSet(name="disc", surfaces=("wall",), shape="disc", layout="scatter", count=4, size=(0.1, 0.1), seed=5),
    )
    return m.Plan(
        name="p",
        paints=(
            m.Paint(name="screen", srgb=(70, 148, 73)),
            m.Paint(name="marker", srgb=(83, 173, 87)),
            m.Paint(name="pale", srgb=(71, 149, 74)),
            m.Paint(name="band", srgb=(232, 119, 34)),
        ),
        stage=m.Stage(
            floors=(m.Floor(x=(-4, 4), y=(-1, 5)),),
            walls=(
                m.Wall(name="wall", start=(-4, 5), end=(4, 5), height=4),
                m.Wall(name="side", start=(2.2, 5), end=(0.7, 1), height=3),
            ),
            key_light=m.Light(azimuth=math.pi, elevation=0.6, share=0.5),
        ),
        markers=sets,
        stands=(m.Stand(name="stand", at=(-0.6, 2.5), height=2, bands=(1.0, 1.5), pole=0.04),),
        gear=(m.Gear(name="case", at=(0.9, 3.2, 0), size=(0.5, 0.4, 1.2)),),
        blockers=(m.Blocker(name="walker", at=(-1.3, 3.0, 0)),),
        cameras=(
            m.Camera(name="A", film_back=(24, 12), resolution=(2400, 1200), delivery_aspect=2.0, focal_length=24,
                     focus=4.5, stop=4.0, read_out=0.01),
        ),
        shots=(
            m.Shot(
                **(
                    {
                        "name": "s",
                        "camera": "A",
                        "frames": (1, 30),
                        "move": m.Move(kind="dolly", start=(-0.3, -0.8, 1.5), aim=(-0.3, 5, 1.4), distance=0.6),
                    }
                    | shot
                )
            ),
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def rehearsal():
    (one,) = rehearse(a_plan())
    return one


def some(rehearsal, code, kind=None):
    """Some sighting with that reason."""
    found = rehearsal.sightings.why == code
    if kind is not None:
        found = found & (rehearsal.layout.features.kind == kind)
    assert found.any(), WHY[code]
    row, column = np.argwhere(found)[0]
    return int(row), int(column)


def test_every_reason_comes_with_its_number(rehearsal):
    wanted = {
        SEEN: r"^trackable: sigma of a match 0\.\d\d px, 0\.4 px allowed$",
        SMALL: r"^too small: [0-3]\.?\d* px, 4 px wanted$",
        AWAY: r"^turned away or too oblique: \d+\.\d degrees, 80 allowed$",
        HIDDEN: r"(behind|at the silhouette of) (walker|case|stand)",
        PALE: r"^too little contrast: sigma of a match (lost|\d+\.\d\d px), 0\.4 px allowed$",
    }
    for code, pattern in wanted.items():
        row, column = some(rehearsal, code)
        assert re.search(pattern, reason_text(rehearsal, row, column)), reason_text(rehearsal, row, column)
    row, column = some(rehearsal, AWAY)
    told = float(re.search(r"(\d+\.\d) degrees", reason_text(rehearsal, row, column))[1])
    away = rehearsal.track.centre_m[row] - rehearsal.layout.features.position_m[column]
    normal = rehearsal.layout.features.normal[column]
    assert told == pytest.approx(np.degrees(np.arccos(away @ normal / np.linalg.norm(away))), abs=0.06)
    assert told > 79.9


def test_neighbours_and_short_views_are_counted(rehearsal):
    narrow = replace(rehearsal.plan, criteria=m.Criteria(apart=60, track_frames=29))
    (close,) = rehearse(narrow)
    row, column = some(close, MERGED)
    gap = float(re.search(r"([\d.]+) px apart, 60 px wanted", reason_text(close, row, column))[1])
    uv = close.sightings.uv_px[row]
    assert gap == pytest.approx(np.sort(np.hypot(*(uv - uv[column]).T))[1], abs=0.06)
    row, column = some(close, SHORT)
    length = int(re.search(r": (\d+), 29 wanted", reason_text(close, row, column))[1])
    assert 1 <= length < 29


def test_the_most_telling_features(rehearsal):
    columns = telling(rehearsal, 4)
    assert len(columns) == len(set(columns)) <= 6
    why, covariance = rehearsal.sightings.why[4], rehearsal.sightings.covariance[4]
    seen = np.flatnonzero(why == SEEN)
    sigma = larger_sigma(covariance[seen])
    assert columns[:2] == [seen[sigma.argmin()], seen[sigma.argmax()]]
    rest = [int(why[column]) for column in columns[2:]]
    assert len(rest) == len(set(rest))
    assert SEEN not in rest


def test_names_say_which_of_the_owner_s_features_it_is(rehearsal):
    kind = rehearsal.layout.features.kind
    corner, disc, band, point = (int(np.flatnonzero(kind == k)[1]) for k in (CORNER, DISC, BAND, POINT))
    assert feature_name(rehearsal, corner) == "good 1, corner 2"
    assert feature_name(rehearsal, disc) == "disc 2"
    assert feature_name(rehearsal, band) == "stand, band 2"
    assert feature_name(rehearsal, point) == "case, point 2"


@pytest.mark.parametrize("code", [SEEN, SMALL, AWAY, HIDDEN, PALE])
def test_crops_are_drawn_about_the_feature(rehearsal, code):
    row, column = some(rehearsal, code)
    svg = ET.fromstring(crop_picture(rehearsal, row, column))
    x, y, wide, tall = map(float, svg.get("viewBox").split())
    assert wide == pytest.approx(150, abs=0.02)
    zoom = 150 / wide * (wide / (2 * 22.0))
    middle = (rehearsal.sightings.uv_px[row, column] + 0.5) * zoom
    np.testing.assert_allclose([x + wide / 2, y + tall / 2], middle, atol=0.02)
    window = [rect for rect in svg.findall(f"{SVG}rect") if rect.get("stroke-dasharray")]
    assert {float(rect.get("width")) for rect in window} == {round(15 * zoom, 2)}
    assert not re.search(r"\b(nan|inf)\b", ET.tostring(svg, encoding="unicode"))


@pytest.mark.parametrize("kind", [CORNER, DISC, BAND, POINT])
def test_every_kind_of_feature_has_a_crop(rehearsal, kind):
    row, column = some(rehearsal, SEEN, kind)
    svg = ET.fromstring(crop_picture(rehearsal, row, column))
    assert len(svg.findall(f".//{SVG}path")) > 2


def test_smeared_pictures_are_drawn_smeared():
    (fast,) = rehearse(a_plan(move=m.Move(kind="pan", start=(-0.3, -0.8, 1.5), aim=(-0.3, 5, 1.4), angle=2.0)))
    row, column = some(fast, BLURRED)
    groups = ET.fromstring(crop_picture(fast, row, column)).findall(f"{SVG}g/{SVG}g")
    assert len(groups) == 7
    shifts = np.array([[float(v) for v in re.findall(r"[-\d.]+", g.get("transform"))] for g in groups])
    smear = fast.sightings.motion_px[row, column] * 150 / 44
    np.testing.assert_allclose(shifts[-1] - shifts[0], smear * 6 / 7, atol=0.2)


def test_the_section_is_well_formed_and_names_are_data():
    hostile = '</title></svg><script>alert("1")</script>'
    plan = a_plan(frames=(1, 9))
    plan = replace(plan, markers=tuple(replace(group, name=f"{hostile} {i}") for i, group in enumerate(plan.markers)))
    (one,) = rehearse(plan)
    section = feature_section(one, 3)
    ET.fromstring(f"<div>{section}</div>")
    assert "<script" not in section
    assert section.count("<figure>") == len(telling(one, 3))


def test_nothing_in_the_gate_says_nothing():
    (away,) = rehearse(a_plan(frames=(1, 2), move=m.Move(start=(0, 0, 1.5), aim=(0, -5, 30))))
    assert feature_section(away, 0) == ""
    bare = replace(a_plan(frames=(1, 2)), markers=(), stands=(), gear=())
    (empty,) = rehearse(bare)
    assert feature_section(empty, 0) == exposure_section(empty) == ""


def test_stop_and_shutter_as_the_page_tells_them(rehearsal):
    section = exposure_section(rehearsal)
    tree = ET.fromstring(f"<div>{section}</div>")
    rows = tree.findall(".//tbody/tr")
    assert [row[0].text for row in rows][:3] == ["f/1.4", "f/2", "f/2.8"]
    (own,) = [cell for row in rows for cell in row if "own" in (cell.get("class") or "")]
    assert own.find("small").text == "+0.0"
    assert "nan" not in section
    # f^2 / (N c) + f = 24^2 / (4 x 0.02) + 24 = 7224 mm for discs of 2 px; Ray 2002.
    near = 4500 * (7224 - 24) / (7224 + 4500 - 48)
    far = 4500 * (7224 - 24) / (7224 - 4500)
    assert (round(near, -1), round(far, -1)) == (2770, 11890)
    assert in_focus(rehearsal) == "At f/4 the disc stays within 2 px from 2.75 m to 11.9 m (first frame)."
