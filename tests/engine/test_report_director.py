"""The director's sheet: which frames it shows, and that it says of every one what the engine says."""

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from scatterproof.advise.critical import STAND, Critical
from scatterproof.plan.read import parse_plan
from scatterproof.plan.templates import example
from scatterproof.readiness.rehearse import rehearse
from scatterproof.readiness.verdict import FIRM, LOST, THIN
from scatterproof.report.director import MOST_TILES, SAFE, WIDTH, director_sheet, stay_text, tile_picture, tiles


@pytest.fixture(scope="module")
def rehearsed():
    return next(rehearse(parse_plan(example("lantern-yard"), "lantern-yard").plan))


def a_stand(rehearsed, first, last, after=LOST):
    name = rehearsed.plan.stands[0].name
    return Critical(rehearsed.shot.name, name, STAND, first, last, FIRM, after)


def test_it_shows_both_ends_the_middle_and_where_something_begins_or_ends_to_matter(rehearsed):
    frame = rehearsed.track.frame
    one = a_stand(rehearsed, int(frame[10]), int(frame[20]))
    sheet = tiles(rehearsed, [one], first_number=7)
    assert [tile.row for tile in sheet] == [0, 10, 20, (len(frame) - 1) // 2, len(frame) - 1]
    assert [tile.number for tile in sheet] == [7, 8, 9, 10, 11]
    assert [len(tile.stay) for tile in sheet] == [0, 1, 1, 0, 0]
    many = [a_stand(rehearsed, int(f), int(f)) for f in frame[::2]]
    assert len(tiles(rehearsed, many)) == MOST_TILES
    assert tiles(rehearsed, many)[-1].row == len(frame) - 1


def test_it_says_what_must_stay_and_what_may_go(rehearsed):
    one = a_stand(rehearsed, int(rehearsed.track.frame[0]), int(rehearsed.track.frame[0]), THIN)
    first, *others = tiles(rehearsed, [one])
    assert stay_text(rehearsed, first).startswith(f"Keep {one.name}: else firm to thin")
    assert "any one marker or stand may go" in stay_text(rehearsed, others[-1])


def test_rings_stand_on_what_must_stay_and_crosses_on_all_else_that_is_seen(rehearsed):
    frame = int(rehearsed.track.frame[0])
    tile = tiles(rehearsed, [a_stand(rehearsed, frame, frame)])[0]
    picture = ElementTree.fromstring(tile_picture(rehearsed, tile))
    rings = [e for e in picture.iter() if e.tag.endswith("circle")]
    owner = rehearsed.layout.owner_names.index(rehearsed.plan.stands[0].name)
    seen = rehearsed.sightings.seen[tile.row]
    mine = np.flatnonzero(seen & (rehearsed.layout.features.owner == owner))
    assert len(mine)
    assert len(rings) == 2 * len(mine)
    wanted = (rehearsed.sightings.uv_px[tile.row, mine] + 0.5) * WIDTH / rehearsed.track.size_px[0]
    found = np.array([[float(e.get("cx")), float(e.get("cy"))] for e in rings[::2]])
    np.testing.assert_allclose(found, wanted, atol=0.06)
    crosses = [e for e in picture.iter() if e.get("d", "").endswith("l6 6m0-6l-6 6")]
    assert len(crosses) == seen.sum() - len(mine)


def test_the_safe_line_is_nine_tenths_of_the_delivery_frame(rehearsed):
    picture = tile_picture(rehearsed, tiles(rehearsed, [])[0])
    dashed = next(e for e in ElementTree.fromstring(picture).iter() if e.get("stroke-dasharray"))
    steps = np.array(re.findall(r"-?\d+(?:\.\d+)?", dashed.get("d")), float)
    left, _, right, _ = rehearsed.track.delivery_px
    width = (right - left) * WIDTH / rehearsed.track.size_px[0]
    assert np.abs(np.abs(steps) - SAFE * width).min() < 0.2


def test_the_page_numbers_tiles_through_all_shots_and_fetches_nothing(rehearsed):
    page = director_sheet([(rehearsed, []), (rehearsed, [])], "Yard <1>")
    assert re.findall(r"class='number'>(\d+)<", page) == ["1", "2", "3", "4", "5", "6"]
    assert "Yard &lt;1&gt;" in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "").replace("http-equiv", "")
