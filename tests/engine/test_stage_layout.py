import hashlib
import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof import sources
from scatterproof.plan.model import (
    SHAPES,
    Cove,
    Floor,
    Gear,
    Keepout,
    MarkerSet,
    Panel,
    PlacedMarker,
    Plan,
    Stage,
    Stand,
    Wall,
)
from scatterproof.problems import BadInput
from scatterproof.stage import polygons, shapes
from scatterproof.stage.layout import BAND, CORNER, DISC, POINT, build_layout
from scatterproof.stage.surfaces import normal_at, to_surface, to_world

# Lopsided: a leaning back wall, a left wall that stops short of it in depth, coves of two radii.
STAGE = Stage(
    floors=(Floor(x=(-4.0, 5.5), y=(-6.0, 5.0), z=0.1),),
    walls=(
        Wall(name="back", start=(-4.0, 5.0), end=(5.5, 5.0), base=0.1, height=4.2, lean=0.12),
        Wall(name="left", start=(-4.0, -2.5), end=(-4.0, 5.0), base=0.1, height=3.1),
    ),
    coves=(
        Cove(name="floor to back", between=("floor", "back"), radius=1.1),
        Cove(name="floor to left", between=("floor", "left"), radius=1.1),
        Cove(name="corner", between=("left", "back"), radius=0.8),
    ),
)
EVERYWHERE = ("floor", "back", "left", "floor to back", "floor to left", "corner")
SCATTER = MarkerSet(name="all over", surfaces=EVERYWHERE, spacing=0.6)
LANE = Keepout(name="fire lane", surface="floor", outline=((-3, -7), (-1.4, -7), (2.2, 6), (0.6, 6)))


def plan(*groups, **more):
    return Plan(name="test", stage=STAGE, markers=groups, **more)


def outline(markers, i):
    return markers.outline_uv[markers.first[i] : markers.first[i + 1]]


def apart(points):
    away = np.linalg.norm(points[:, None] - points, axis=-1)
    np.fill_diagonal(away, np.inf)
    return away


def digest(layout):
    total = hashlib.sha256()
    for table in (layout.markers, layout.features):
        for name in table.__slots__:
            value = getattr(table, name)
            if isinstance(value, np.ndarray):
                value = value.astype("<i8" if value.dtype.kind == "i" else "<f8").tobytes()
            else:
                value = "\n".join(value).encode()
            total.update(value)
    return total.hexdigest()


RECORDED = "76056d4b01ac9221d1a200ce292e3c1468bce589362388f5433fd6e90eb3f445"
EVERY_KIND = plan(
    replace(SCATTER, count=90, spacing=None, seed=4),
    *(replace(SCATTER, name=shape, shape=shape, spacing=1.3, size=(0.08, 0.1)) for shape in SHAPES[1:]),
    replace(SCATTER, name="net", layout="grid", spacing=1.7, turn=0.3),
    MarkerSet(
        name="by hand",
        surfaces=(),
        layout="placed",
        placed=(PlacedMarker(surface="floor", at=(1.5, -2), size=0.2, turn=0.7), PlacedMarker(
            surface="back", at=(2, 3), size=0.2, outline=((-0.1, 0), (0.2, -0.1), (0.1, 0.2)))),
    ),
    keepouts=(LANE,),
    stands=(Stand(name="near", at=(2.5, -1.2), base=0.1, height=2.2, bands=(0.6, 1.4, 2.0)),),
    gear=(Gear(name="crate", at=(-2.0, -4.5, 0.1), size=(0.9, 0.6, 1.2), turn=0.4),),
)  # fmt: skip


def test_the_same_plan_gives_the_same_bits():
    """Recorded once; the same under numpy 1.26 and 2.4, with AVX and without, where the bits of cosines differ."""
    layout = build_layout(EVERY_KIND)
    assert digest(layout) == digest(build_layout(EVERY_KIND))
    assert digest(layout) == RECORDED


@settings(max_examples=12, deadline=None)
@given(
    st.sampled_from(SHAPES),
    st.floats(0.4, 1.2),
    st.floats(0.0, 0.35),
    st.tuples(st.floats(0.05, 0.12), st.floats(0.12, 0.2)),
    st.integers(0, 2**40),
    st.sampled_from(["scatter", "grid"]),
)
def test_whole_markers_keep_margins_keepouts_and_each_other(shape, spacing, margin, size, seed, layout):
    """Every outline, not only its centre: inside by the margin, clear of the keep-out, apart from all others."""
    group = replace(SCATTER, shape=shape, spacing=spacing, margin=margin, size=size, seed=seed, layout=layout)
    built = build_layout(plan(group, keepouts=(LANE,)))
    markers = built.markers
    assert len(markers.name) > 20
    for i in range(len(markers.name)):
        surface, corners = built.surfaces[markers.surface[i]], outline(markers, i)
        assert polygons.contains(surface.outline_uv, corners).all()
        assert polygons.edge_distance(surface.outline_uv, corners).min() >= margin - 2e-6
        if surface.name == "floor":
            lane = np.array(LANE.outline)
            assert not polygons.contains(lane, corners).any()
            assert polygons.edge_distance(lane, corners).min() >= margin - 2e-6
            assert polygons.edge_distance(corners, lane).min() >= margin - 2e-6
    across = apart(markers.centre_m)
    for row in range(len(built.surfaces)):
        mine = markers.surface == row
        if mine.sum() > 1:
            assert apart(markers.centre_uv[mine]).min() >= spacing - 1e-9
        across[np.ix_(mine, mine)] = np.inf
    assert across.min() >= spacing


def test_sets_do_not_touch_each_other():
    """Circles about markers of different sets keep a gap, across coves too, whichever set comes first."""
    groups = [
        replace(SCATTER, name=name, shape=shape, spacing=0.5, size=(0.1, 0.2))
        for name, shape in (("one", "random"), ("two", "thin cross"), ("three", "square"))
    ]
    markers = build_layout(plan(*groups)).markers
    reach = np.array([np.linalg.norm(outline(markers, i) - markers.centre_uv[i], axis=1).max()
                      for i in range(len(markers.name))])  # fmt: skip
    other = markers.set_index[:, None] != markers.set_index
    gap = (apart(markers.centre_m) - reach[:, None] - reach)[other]
    assert np.bincount(markers.set_index).min() > 50
    assert gap.min() > sources.MARKER_GAP.value - 1e-5


@pytest.mark.parametrize("layout", ["scatter", "grid"])
@pytest.mark.parametrize("count", [1, 7, 60, 213])
def test_a_count_is_met_exactly(count, layout):
    built = build_layout(plan(replace(SCATTER, spacing=None, count=count, layout=layout), keepouts=(LANE,)))
    assert len(built.markers.name) == count
    if count > 50 and layout == "scatter":
        assert not built.notes
        # Trimming favours no side: shares of the floor's halves as their room.
        floor = built.markers.centre_uv[built.markers.surface == 0]
        assert 0.25 < (floor[:, 1] < -1).mean() < 0.75


def test_density_counts_the_ground_that_centres_may_take():
    group = replace(SCATTER, surfaces=("floor",), spacing=None, density=1.5, margin=0.2)
    built = build_layout(plan(replace(group, shape="square", size=(0.1, 0.1))))
    clear = 0.2 + 0.1 * math.sqrt(0.5)
    floor = built.surfaces[0].outline_uv
    points = np.random.default_rng(1).uniform(floor.min(axis=0), floor.max(axis=0), (200_000, 2))
    free = polygons.contains(floor, points) & (polygons.edge_distance(floor, points) >= clear)
    area = free.mean() * np.prod(np.ptp(floor, axis=0))
    assert len(built.markers.name) == pytest.approx(1.5 * area, rel=0.01)


def test_fewer_than_asked_for_is_a_note():
    built = build_layout(plan(replace(SCATTER, surfaces=("left",), spacing=0.9, count=500)))
    assert 5 < len(built.markers.name) < 40
    assert built.notes == (f"all over: {len(built.markers.name)} of 500 markers fit, 0.900 m apart.",)


def test_markers_never_touch_even_where_the_spacing_asks_for_it():
    built = build_layout(plan(replace(SCATTER, shape="square", size=(0.3, 0.3), spacing=0.1)))
    assert apart(built.markers.centre_m).min() >= 0.3 * math.sqrt(2) + sources.MARKER_GAP.value - 1e-3
    assert "would touch" in built.notes[0]


def test_a_surface_without_room_is_a_note():
    built = build_layout(plan(replace(SCATTER, surfaces=("floor", "corner"), margin=0.6)))
    assert built.notes == ("all over: no marker fits on corner.",)


@pytest.mark.parametrize(
    ("group", "words"),
    [
        (replace(SCATTER, surfaces=("corner",), margin=0.9), ["'all over'", "no room: 0.00 m²", "corner", "0.900 m"]),
        (replace(SCATTER, surfaces=("floor",), area=((20, 20), (21, 20), (20, 21))), ["no room"]),
        (replace(SCATTER, surfaces=("ceiling",)), ["'ceiling'", "one of floor, back"]),
        (replace(SCATTER, surfaces=()), ["none", "one of floor"]),
        (replace(SCATTER, spacing=None), ["neither spacing nor count nor density"]),
        (replace(SCATTER, spacing=0.01, size=(0.002, 0.003)), ["at most", "100,000"]),
        (replace(SCATTER, spacing=None, density=1e6), ["100,000 at most"]),
        (replace(SCATTER, area=((0, 0), (1, 1), (1, 0), (0, 1))), ["area", "4 corners whose edges meet"]),
        (
            MarkerSet(
                name="hand",
                surfaces=(),
                layout="placed",
                placed=(PlacedMarker(surface="left", at=(0.05, 2), size=0.3),),
            ),
            ["'hand'.placed[0]", "outside of 'left'"],
        ),
    ],
)
def test_sets_that_cannot_be_placed_say_why(group, words):
    with pytest.raises(BadInput) as caught:
        build_layout(plan(group))
    for word in words:
        assert word in str(caught.value)


def test_keepouts_that_cover_everything():
    all_of_it = Keepout(name="paint drying", surface="floor", outline=((-9, -9), (9, -9), (9, 9), (-9, 9)))
    with pytest.raises(BadInput, match=r"no room: 0\.00 m²"):
        build_layout(plan(replace(SCATTER, surfaces=("floor",)), keepouts=(all_of_it,)))
    with pytest.raises(BadInput) as caught:
        build_layout(plan(keepouts=(replace(LANE, surface="roof"), replace(LANE, outline=((0, 0), (1, 0))))))
    assert len(caught.value.problems) == 2


def test_area_holds_whole_markers():
    area = ((-3.0, -5.0), (3.0, -5.0), (2.0, 1.0), (0.0, -3.5))
    markers = build_layout(plan(replace(SCATTER, surfaces=("floor",), area=area, spacing=0.4))).markers
    assert len(markers.name) > 25  # about 10 m² for centres
    assert polygons.contains(np.array(area), markers.outline_uv).all()


def test_stands_and_gear_clear_their_feet_and_nothing_else():
    """Where a stand is put, the markers beneath it go; every other stays as it was, name apart."""
    bare = build_layout(plan(SCATTER)).markers
    stand = Stand(name="s", at=(1.0, -1.5), base=0.1, height=2, bands=(1.0,))
    crate = Gear(name="crate", at=(-1.0, -4.0, 0.1), size=(2.0, 0.7, 1.0), turn=0.5)
    high = Stand(name="on a riser", at=(3.0, -4.0), base=0.9, height=2, bands=())
    cleared = build_layout(plan(SCATTER, stands=(stand, high), gear=(crate,))).markers
    keys = [{(s, *uv, t): o.tobytes() for s, uv, t, o in
             zip(m.surface, m.centre_uv.tolist(), m.turn_rad, np.split(m.outline_uv, m.first[1:-1]), strict=True)}
            for m in (bare, cleared)]  # fmt: skip
    keys = [{(s, u, v, t): o for (s, u, v, t), o in side.items()} for side in keys]
    assert keys[1].items() <= keys[0].items()
    gone = np.array([key[1:3] for key in keys[0].keys() - keys[1].keys()])
    assert len(gone) >= 4
    local = (gone - [-1.0, -4.0]) @ np.array([[math.cos(0.5), -math.sin(0.5)], [math.sin(0.5), math.cos(0.5)]])
    beyond_crate = np.linalg.norm(np.maximum(np.abs(local) - [1.0, 0.35], 0), axis=1)
    beyond_stand = np.linalg.norm(gone - [1.0, -1.5], axis=1) - sources.STAND_FOOT.value
    assert (np.minimum(beyond_crate, beyond_stand) < 0.16 * 0.95 + 0.06).all()
    left = cleared.centre_m[np.abs(cleared.centre_m[:, 2] - 0.1) < 1e-6][:, :2]
    assert (np.linalg.norm(left - [1.0, -1.5], axis=1) > sources.STAND_FOOT.value + 0.1).all()


def test_hand_placed_sets_come_first_whatever_their_order():
    hand = MarkerSet(
        name="hand",
        surfaces=(),
        layout="placed",
        shape="thick cross",
        placed=tuple(PlacedMarker(surface="floor", at=(x, -1.0), size=0.3) for x in (-2.0, 0.5, 3.0)),
    )
    built = build_layout(plan(SCATTER, hand))
    markers = built.markers
    np.testing.assert_array_equal(np.unique(markers.set_index), [0, 1])
    hands = markers.set_index == 1
    np.testing.assert_array_equal(markers.centre_uv[hands], [[-2.0, -1.0], [0.5, -1.0], [3.0, -1.0]])
    away = np.linalg.norm(markers.centre_m[~hands][:, None] - markers.centre_m[hands], axis=-1)
    assert away.min() > 0.3 * math.sqrt(0.5) + sources.MARKER_GAP.value
    assert markers.name[-3:] == ("hand 1", "hand 2", "hand 3")


def test_a_marker_with_its_own_outline_keeps_it():
    corners = ((0.0, 0.2), (0.3, 0.1), (-0.1, -0.2))  # clockwise: turned round
    placed = PlacedMarker(surface="back", at=(3.0, 2.5), size=0.1, turn=math.pi / 2, outline=corners)
    group = MarkerSet(name="m", surfaces=(), layout="placed", placed=(placed,))
    markers = build_layout(plan(group)).markers
    expected = np.array([3.0, 2.5]) + np.array([[-x_y[1], x_y[0]] for x_y in corners[::-1]])
    np.testing.assert_allclose(markers.outline_uv, expected, atol=1e-6)
    assert markers.size_m[0] == pytest.approx(math.sqrt(polygons.signed_area(expected)))


def test_a_hand_placed_marker_in_a_keepout_is_a_note():
    placed = PlacedMarker(surface="floor", at=(-2.0, -5.5), size=0.1)
    group = MarkerSet(name="m", surfaces=(), layout="placed", shape="square", placed=(placed,))
    assert build_layout(plan(group, keepouts=(LANE,))).notes == ("m 1 lies in the keep-out fire lane.",)


def test_an_empty_plan_has_an_empty_layout():
    for groups in ((), (MarkerSet(name="none yet", surfaces=(), layout="placed"),)):
        built = build_layout(plan(*groups))
        assert built.markers.name == ()
        assert len(built.features) == 0
        assert built.markers.first.tolist() == [0]


def test_markers_lie_bent_on_their_surfaces():
    built = build_layout(plan(replace(SCATTER, spacing=None, count=150)))
    markers = built.markers
    on_cove = 0
    for i in range(150):
        surface, corners = built.surfaces[markers.surface[i]], outline(markers, i)
        on_cove += bool(surface.radius_m)
        rows = slice(markers.first[i], markers.first[i + 1])
        np.testing.assert_allclose(to_world(surface, corners), markers.outline_m[rows], atol=1e-8)
        np.testing.assert_allclose(to_surface(surface, markers.centre_m[i]), markers.centre_uv[i], atol=1e-8)
        np.testing.assert_allclose(normal_at(surface, markers.centre_uv[i]), markers.normal[i], atol=1e-8)
        assert polygons.signed_area(corners) == pytest.approx(markers.size_m[i] ** 2, rel=1e-3)
        np.testing.assert_allclose(polygons.centroid(corners), markers.centre_uv[i], atol=1e-5)
    assert on_cove > 20
    assert len(set(markers.name)) == 150
    assert markers.name[:2] == ("all over 1", "all over 2")
    assert (markers.size_m >= 0.10).all()
    assert (markers.size_m <= 0.16).all()
    assert len(np.unique(markers.turn_rad)) > 100


def test_numbers_run_from_left_to_right_on_every_surface():
    markers = build_layout(plan(SCATTER)).markers
    for row in np.unique(markers.surface):
        assert (np.diff(markers.centre_uv[markers.surface == row, 0]) >= 0).all()


def test_corners_know_their_neighbours():
    built = build_layout(EVERY_KIND)
    markers, features = built.markers, built.features
    corner = np.flatnonzero(features.kind == CORNER)
    discs = np.array([EVERY_KIND.markers[s].shape == "disc" for s in markers.set_index])
    sides = np.diff(markers.first)
    assert len(corner) == sides[~discs].sum()
    assert (features.kind == DISC).sum() == discs.sum() > 10
    for i in np.flatnonzero(~discs)[[0, 5, -1]]:
        rows = np.flatnonzero(features.owner == i)
        ring = markers.outline_m[markers.first[i] : markers.first[i + 1]]
        np.testing.assert_array_equal(features.position_m[rows], ring)
        np.testing.assert_array_equal(features.before_m[rows], np.roll(ring, 1, axis=0))
        np.testing.assert_array_equal(features.after_m[rows], np.roll(ring, -1, axis=0))
        edge = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
        np.testing.assert_allclose(features.size_m[rows], np.minimum(edge, np.roll(edge, 1)))
    # Counter-clockwise seen from the stage: the turn at a corner that points outwards agrees with its normal.
    before, after = features.position_m - features.before_m, features.after_m - features.position_m
    square = corner[[EVERY_KIND.markers[markers.set_index[o]].shape == "square" for o in features.owner[corner]]]
    assert ((np.cross(before, after) * features.normal).sum(axis=1)[square] > 0).all()
    np.testing.assert_allclose(np.linalg.norm(features.normal[corner], axis=1), 1)


def test_discs_bands_and_hard_points():
    built = build_layout(EVERY_KIND)
    features, owners = built.features, np.array(built.owner_names)
    disc = features.kind == DISC
    i = features.owner[disc][0]
    np.testing.assert_array_equal(features.position_m[disc][0], built.markers.centre_m[i])
    np.testing.assert_array_equal(features.before_m[disc], features.position_m[disc])
    assert features.size_m[disc][0] == pytest.approx(2 * built.markers.size_m[i] / math.sqrt(math.pi))
    band = features.kind == BAND
    assert owners[features.owner[band]].tolist() == ["near"] * 3
    np.testing.assert_allclose(features.position_m[band], [[2.5, -1.2, z] for z in (0.7, 1.5, 2.1)])
    np.testing.assert_array_equal(features.normal[band], 0)
    np.testing.assert_allclose(features.size_m[band], 0.05)
    point = features.kind == POINT
    assert owners[features.owner[point]].tolist() == ["crate"] * 8
    assert (features.surface[band | point] == -1).all()
    box = features.position_m[point]
    np.testing.assert_allclose(np.ptp(box[:, 2]), 1.2)
    np.testing.assert_allclose(box.mean(axis=0), [-2.0, -4.5, 0.7])
    edge = box[1, :2] - box[0, :2]  # along the crate's own x, turned counter-clockwise
    np.testing.assert_allclose(edge, 0.9 * np.array([math.cos(0.4), math.sin(0.4)]), atol=1e-8)
    assert len(owners) == len(set(owners))


def test_own_hard_points_turn_with_their_gear():
    gear = Gear(name="g", at=(1, 2, 0), size=(1, 2, 3), turn=math.pi / 2, points=((0.5, 0.25, 2.0),))
    features = build_layout(plan(gear=(gear,))).features
    np.testing.assert_allclose(features.position_m, [[0.75, 2.5, 2.0]], atol=1e-9)
    assert features.size_m.tolist() == [1]


def test_a_marker_and_a_stand_of_one_name_are_told_apart():
    group = MarkerSet(
        name="left", surfaces=(), layout="placed", placed=(PlacedMarker(surface="floor", at=(0, 0), size=0.1),)
    )
    built = build_layout(plan(group, stands=(Stand(name="left 1", at=(1, 1), height=2, bands=()),)))
    assert built.owner_names == ("left 1*", "left 1")


def test_need_draws_markers_without_changing_their_number():
    def right_half(surface, uv):
        return (to_world(surface, uv)[:, 0] > 1.2).astype(float)

    even, drawn = (
        build_layout(plan(replace(SCATTER, surfaces=("floor", "back"), spacing=None, count=120, need=n)), right_half)
        for n in (0.0, 1.0)
    )
    share = [(built.markers.centre_m[:, 0] > 1.2).mean() for built in (even, drawn)]
    assert len(drawn.markers.name) == len(even.markers.name) == 120
    assert 0.4 < share[0] < 0.62
    assert share[1] > 0.8


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 10_000))
def test_moving_the_whole_stage_moves_the_whole_layout(seed):
    """A rigid motion of all surfaces keeps surface coordinates as they are and carries every feature along."""
    rng = np.random.default_rng(seed)
    turn = trimesh.transformations.random_rotation_matrix(rng.uniform(size=3))[:3, :3]
    shift = rng.uniform(-9, 9, 3)
    panels = (
        Panel(name="floor", corner=(-4, -6, 0.2), across=(7.5, 0, 0), up=(0, 8, 0)),
        Panel(name="back", corner=(-4, 2, 0.2), across=(7.5, 0, 0), up=(0, 0.7, 4.2)),
    )
    cove = (Cove(name="cove", between=("floor", "back"), radius=0.9),)
    moved = tuple(
        replace(p, corner=tuple(turn @ p.corner + shift), across=tuple(turn @ p.across), up=tuple(turn @ p.up))
        for p in panels
    )
    group = MarkerSet(name="m", surfaces=("floor", "back", "cove"), spacing=0.55, seed=seed)
    here, there = (
        build_layout(Plan(name="p", stage=Stage(panels=p, coves=cove), markers=(group,))) for p in (panels, moved)
    )
    np.testing.assert_array_equal(here.markers.centre_uv, there.markers.centre_uv)
    np.testing.assert_array_equal(here.markers.outline_uv, there.markers.outline_uv)
    np.testing.assert_allclose(here.features.position_m @ turn.T + shift, there.features.position_m, atol=1e-7)
    np.testing.assert_allclose(here.features.normal @ turn.T, there.features.normal, atol=1e-7)


def test_names_that_are_not_ascii_are_fine():
    built = build_layout(plan(replace(SCATTER, name="Wände, größte 標識")))
    assert built.markers.name[0] == "Wände, größte 標識 1"


def test_shapes_are_all_known():
    for shape in SHAPES:
        assert shapes.outlines(shape, (5, 8), [1], 1)[0].shape[1] == 2
