"""Which features are seen: every rule by a case worked out by hand, and all of them against a plain loop."""

import dataclasses
import math
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scatterproof.camera.track import CameraTrack
from scatterproof.plan.criteria import ShotCriteria
from scatterproof.sightings import visibility
from scatterproof.sightings.blockers import Box, Rounded, place
from scatterproof.sightings.sighting import AWAY, HIDDEN, MERGED, OUTSIDE, SEEN, SHORT, SMALL, Sightings
from scatterproof.sightings.visibility import frame_chunks, sight, sight_shot, spread_of
from scatterproof.stage.layout import BAND, CORNER, DISC, POINT, Features

UPSTAGE = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])  # camera axes: x right, y down, z upstage
CRITERIA = ShotCriteria(track_frames=1)
FOCAL = 1500.0


def a_track(at=((0, 0, 0),), turn=UPSTAGE, focal=(FOCAL, FOCAL), distortion=(0, 0, 0, 0, 0), **more):
    """A camera of 1920 x 800 looking upstage, one frame for each place."""
    frames = len(at)
    pose = np.tile(np.eye(4), (frames, 1, 1))
    pose[:, :3, :3], pose[:, :3, 3] = turn, at
    known = {
        "frame": np.arange(frames) + 1,
        "world_from_cam": pose,
        "focal_px": np.tile(np.asarray(focal, float), (frames, 1)),
        "centre_px": np.array([959.5, 399.5]),
        "size_px": np.array([1920, 800]),
        "distortion": distortion,
        "delivery_px": np.array([-0.5, -0.5, 1919.5, 799.5]),
        "delivery_scale": 1.0,
        "focal_mm": np.full(frames, 32.0),
        "focus_m": np.full(frames, 4.0),
        "stop": np.full(frames, 4.0),
        "exposure_s": 1 / 48,
        "rate": 24.0,
        "read_out_s": 0.0,
    }
    return CameraTrack(**(known | more))


def points(position, kind=POINT, normal=(0, 0, 0), size=0.0):
    """Features without neighbours."""
    position = np.atleast_2d(np.asarray(position, float))
    n = len(position)
    full = np.broadcast_to
    return Features(
        position, full(normal, (n, 3)), full(kind, n), np.arange(n), np.zeros(n), position, position, full(size, n),
        np.zeros(n),
    )  # fmt: skip


def markers(outlines, normals):
    """Corners of polygons (K, 3), each with its neighbours."""
    before, after = (np.concatenate([np.roll(o, shift, axis=0) for o in outlines]) for shift in (1, -1))
    corner = np.concatenate(outlines)
    owner = np.repeat(np.arange(len(outlines)), [len(o) for o in outlines])
    size = np.minimum(np.linalg.norm(before - corner, axis=1), np.linalg.norm(after - corner, axis=1))
    n = len(corner)
    kind = np.full(n, CORNER)
    return Features(corner, np.asarray(normals)[owner], kind, owner, np.zeros(n), before, after, size, np.zeros(n))


def at_pixel(u, v, depth):
    """World places that the resting camera sees at (u, v)."""
    u, v, depth = np.broadcast_arrays(np.asarray(u, float), v, depth)
    return np.stack([(u - 959.5) / FOCAL * depth, depth, -(v - 399.5) / FOCAL * depth], axis=-1)


def why(features, track=None, occluders=(), criteria=CRITERIA):
    return sight(features, track or a_track(), occluders, criteria).why.tolist()


def test_the_whole_window_is_in_the_gate():
    # Window 15: the patch about (u, v) reaches 7.5 px to each side; the gate runs from -0.5 to 1919.5 and to 799.5.
    u = np.array([6.99, 7.01, 1911.99, 1912.01, 900, 900, 900, 900])
    v = np.array([400, 400, 400, 400, 6.99, 7.01, 791.99, 792.01])
    expected = [OUTSIDE, SEEN, SEEN, OUTSIDE, OUTSIDE, SEEN, SEEN, OUTSIDE]
    assert why(points(at_pixel(u, v, 5.0))) == [expected]
    narrower = dataclasses.replace(CRITERIA, window=14.9, apart=0.01)
    assert why(points(at_pixel(u, v, 5.0)), criteria=narrower) == [[SEEN] * 8]


def test_behind_the_camera_is_outside_and_says_nothing_else():
    found = sight(points([[0, -4, 0], [0, 0, 0], [0, 4, 0]]), a_track(), (), CRITERIA)
    assert found.why.tolist() == [[OUTSIDE, OUTSIDE, SEEN]]
    assert np.isnan(found.uv_px[0, :2]).all()
    np.testing.assert_allclose(found.depth_m, [[-4, 0, 4]], atol=1e-12)
    np.testing.assert_allclose(found.uv_px[0, 2], [959.5, 399.5], atol=1e-9)
    assert found.seen.tolist() == [[False, False, True]]


@pytest.mark.parametrize(("tilt", "expected"), [(0, SEEN), (79.9, SEEN), (80.1, AWAY), (100, AWAY), (180, AWAY)])
def test_turned_away(tilt, expected):
    # A disc off the axis; its normal is turned about the vertical away from its line of sight.
    place_m = np.array([1.0, 5.0, 0.5])
    back = -place_m / np.linalg.norm(place_m)
    aside = np.cross(back, [0, 0, 1]) / np.linalg.norm(np.cross(back, [0, 0, 1]))
    normal = np.cos(np.radians(tilt)) * back + np.sin(np.radians(tilt)) * aside
    assert why(points(place_m, DISC, normal, 1.0)) == [[expected]]


def test_corners_with_a_short_edge_are_too_small():
    # Pixels: a trapezium with edges of 3.9, 30, 4.1 and 30 px; a corner goes with its shorter edge.
    u = np.array([900, 903.9, 904.0, 899.9])
    outline = at_pixel(u, [300, 300, 330, 330], 4.0)
    assert why(markers([outline], [[0, -1, 0]])) == [[SMALL, SMALL, SEEN, SEEN]]


def test_bands_by_height_and_discs_by_their_small_axis():
    depth = 6.0
    metres = depth / FOCAL  # of a pixel
    band = points(at_pixel([600, 640], 300, depth), BAND, size=0.0)
    band = dataclasses.replace(band, size_m=metres * np.array([3.9, 4.1]))
    assert why(band) == [[SMALL, SEEN]]
    # Seen at 60 degrees a disc is half as wide as it is high.
    normal = [np.sin(np.radians(60)), -np.cos(np.radians(60)), 0]
    disc = points(at_pixel([959.5, 959.5], [300, 340], depth), DISC, normal)
    disc = dataclasses.replace(disc, size_m=metres * np.array([7.8, 8.2]))
    loose = dataclasses.replace(CRITERIA, steepest=1.5)
    assert why(disc, criteria=loose) == [[SMALL, SEEN]]
    # A squeezed picture halves widths; a hard point has no size.
    squeezed = a_track(focal=(FOCAL / 2, FOCAL))
    facing = dataclasses.replace(disc, normal=np.tile([0, -1.0, 0], (2, 1)))
    assert why(facing, squeezed) == [[SMALL, SEEN]]
    assert why(points(at_pixel([500, 600], 300, depth)), squeezed) == [[SEEN, SEEN]]


def test_a_marker_half_hidden_loses_the_hidden_corners_and_those_near_the_edge():
    # A box from -1 to 0 in x, its near face at 3 m: its right edge is seen at x = 0, pixel 959.5, at any height.
    box = place("it", Box(np.array([0.5, 0.5, 2.0])), np.array([[-0.5, 3.5, -2.0]]), np.zeros(1))
    u = np.array([939.5, 999.5, 999.5, 939.5])
    big = at_pixel(u, [300, 300, 360, 360], 8.0)
    near_edge = at_pixel([966.9, 990, 990, 967.1], [420, 420, 480, 480], 8.0)
    found = why(markers([big, near_edge], [[0, -1, 0]] * 2), occluders=(box,))
    assert found == [[HIDDEN, SEEN, SEEN, HIDDEN, HIDDEN, SEEN, SEEN, SEEN]]
    # In front of the box nothing is hidden.
    front = at_pixel(u, [300, 300, 360, 360], 2.5)
    assert why(markers([front], [[0, -1, 0]]), occluders=(box,)) == [[SEEN] * 4]


def test_the_window_is_in_pixels_at_the_edge_of_the_picture_too():
    # A narrow post at the picture's right. The window's angle shrinks with cos^1.5; across the view it should be cos^2,
    # along it cos: at these 27 degrees off the axis 6 % of the window.
    x, depth = 1.5, 3.0
    post = place("post", Box(np.array([0.02, 0.02, 3.0])), np.array([[x, depth, -3.0]]), np.zeros(1))
    edge = 959.5 + FOCAL * (x + 0.02) / (depth - 0.02)
    track = a_track(size_px=np.array([2400, 800]))
    for off, expected in ((7.5 * 0.9, HIDDEN), (7.5 * 1.1, SEEN)):
        assert why(points(at_pixel(edge + off, 399.5, 8.0)), track, (post,)) == [[expected]]


def test_both_of_a_pair_that_is_too_near_are_merged():
    u = np.array([500, 503.9, 600, 602.9, 700, 704.1, 800, 802.8])
    v = np.array([300, 300.0, 300, 303, 300, 300, 300, 302.7])
    assert why(points(at_pixel(u, v, 5.0))) == [[*[MERGED] * 2, *[SEEN] * 4, *[MERGED] * 2]]


def test_what_is_not_seen_merges_with_nothing_and_frames_stay_apart():
    # The second one faces away; the others meet it only in other frames.
    features = points(at_pixel([500, 501], 300, 5.0), DISC, size=1.0)
    features = dataclasses.replace(features, normal=np.array([[0, -1.0, 0], [0, 1.0, 0]]))
    assert why(features) == [[SEEN, AWAY]]
    # Half a metre per frame: each frame shows a feature where another one was the frame before.
    row = points([[x, 5.0, 0] for x in (-0.5, 0, 0.5)])
    track = a_track([(x, 0, 0) for x in (-0.5, 0, 0.5)])
    assert why(row, track) == [[SEEN] * 3] * 3


@settings(max_examples=30)
@given(st.integers(0, 2**32 - 1))
def test_merged_pairs_are_those_of_all_pairs(seed):
    rng = np.random.default_rng(seed)
    row = np.sort(rng.integers(0, 4, 120))
    uv = rng.uniform(0, 60, (120, 2)).round(rng.integers(0, 4))
    apart = rng.uniform(0.5, 6)
    distance = np.linalg.norm(uv[:, None] - uv[None], axis=2)
    distance[(row[:, None] != row[None]) | np.eye(120, dtype=bool)] = np.inf
    np.testing.assert_array_equal(visibility._crowded(row, uv, apart), distance.min(axis=1) < apart)


def test_motion_blur_of_a_pan():
    # A pan of 30 degrees per second, f = 1500 px, 1/48 s: f w t = 16.3625 px in the middle of the picture.
    frames = np.arange(9) - 4
    angle = np.radians(30) / 24 * frames
    c, s, o = np.cos(angle), np.sin(angle), np.zeros(9)
    turn = np.stack([c, s, o, -s, c, o, o, o, o + 1], axis=1).reshape(9, 3, 3) @ UPSTAGE
    found = sight(points([[0, 6, 0], [0, -6, 0]]), a_track(np.zeros((9, 3)), turn), (), CRITERIA)
    assert found.blur_px[4, 0] == pytest.approx(16.3625, abs=1e-3)
    assert np.isnan(found.blur_px[4, 1])
    still = sight(points([[0, 6, 0]]), a_track(np.zeros((1, 3))), (), CRITERIA)
    assert still.blur_px.tolist() == [[0]]


def a_scene(seed, frames=12, count=40):
    """Random polygons on a wall and a floor, discs, bands and hard points; a drifting camera and moving blockers."""
    rng = np.random.default_rng(seed)
    outlines, normals = [], []
    for i in range(count):
        corners = rng.integers(3, 8)
        angle = (np.arange(corners) + rng.uniform(-0.3, 0.3, corners)) * 2 * np.pi / corners
        flat = np.stack([np.cos(angle), np.sin(angle)], axis=1) * rng.uniform(0.02, 0.2)
        middle, none = rng.uniform([-4, -2.5], [4, 2.5]), np.zeros(corners)
        if i % 2:
            outlines.append(np.stack([flat[:, 0] + middle[0], none + 6, flat[:, 1] + middle[1] / 2 + 1], axis=1))
            normals.append((0, -1, 0))
        else:
            outlines.append(np.stack([flat[:, 0] + middle[0], flat[:, 1] + middle[1] + 3, none], axis=1))
            normals.append((0, 0, 1))
    parts = [markers(outlines, np.array(normals, float))]
    for kind, normal in ((DISC, (0, -1, 0)), (BAND, (0, 0, 0)), (POINT, (0, 0, 0))):
        spots = rng.uniform([-3, 2, 0], [3, 6, 2], (8, 3))
        parts.append(dataclasses.replace(points(spots, kind, normal), size_m=rng.uniform(0.005, 0.1, 8)))
    names = [field.name for field in dataclasses.fields(Features)]
    features = Features(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
    share = np.linspace(0, 1, frames)[:, None]
    tilt = -0.25
    turn = UPSTAGE @ np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    track = a_track(
        np.array([-0.5, -2, 1.6]) + share * rng.uniform(-1, 2, 3) * [1, 1, 0.3],
        turn,
        (1400.0, 1100.0),
        np.array([-0.08, 0.02, 0.001, -0.002, 0.001]),
    )
    walk = np.array([-1.5, 1.5, 0]) + share * rng.uniform(-2, 3, 3) * [1, 0.3, 0]
    occluders = (
        place("capsule", Rounded(np.array([0.275, 0.2, 0.275]), 0.625), walk, 5 * share[:, 0]),
        place("box", Box(np.array([0.4, 0.3, 0.5])), walk + np.array([1.5, 0.5, 0]), -3 * share[:, 0]),
    )
    return features, track, occluders


def by_loop(features, track, occluders, criteria):
    """The rules one by one in plain words: a feature, a frame at a time."""
    fx, fy = track.focal_px[0]
    k1, k2, p1, p2, k3 = track.distortion
    out = np.full((len(track), len(features)), -1)

    def pixel(frame, p):
        pose = track.world_from_cam[frame]
        x, y, z = pose[:3, :3].T @ (p - pose[:3, 3])
        if z <= 0:
            return None
        x, y = x / z, y / z
        r2 = x * x + y * y
        radial = 1 + k1 * r2 + k2 * r2**2 + k3 * r2**3
        xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
        yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
        return np.array([fx * xd + track.centre_px[0], fy * yd + track.centre_px[1]]), z

    half = criteria.window / 2
    for frame in range(len(track)):
        eye, seen = track.centre_m[frame], []
        for n, p in enumerate(features.position_m):
            found = pixel(frame, p)
            if found is None or not all(
                half - 0.5 <= c <= size - 0.5 - half for c, size in zip(found[0], track.size_px, strict=True)
            ):
                out[frame, n] = OUTSIDE
                continue
            uv, z = found
            distance, normal = np.linalg.norm(eye - p), features.normal[n]
            if normal.any() and (eye - p) @ normal < math.cos(criteria.steepest) * distance:
                out[frame, n] = AWAY
                continue
            kind, size = features.kind[n], features.size_m[n]
            if kind == CORNER:
                px = min(np.linalg.norm(pixel(frame, q)[0] - uv) for q in (features.before_m[n], features.after_m[n]))
            elif kind == BAND:
                rise = np.array([0, 0, size / 2])
                px = np.linalg.norm(pixel(frame, p + rise)[0] - pixel(frame, p - rise)[0])
            elif kind == DISC:  # the narrowest of many diameters' extents
                spokes = [(np.cos(a), 0, np.sin(a)) for a in np.linspace(0, 2 * np.pi, 361)]
                rim = np.array([pixel(frame, p + np.array(s) * size / 2)[0] for s in spokes])
                ways = np.array([(np.cos(a), np.sin(a)) for a in np.linspace(0, np.pi, 361)])
                px = np.ptp(rim @ ways.T, axis=0).min()
            else:
                px = np.inf
            if px < criteria.smallest_edge:
                out[frame, n] = SMALL
                continue
            window = half / math.sqrt(fx * fy) * (z / distance) ** 1.5
            one = [np.array([a]) for a in (frame, eye, p, window)]
            out[frame, n] = HIDDEN if any(o.hides(*one)[0] for o in occluders) else SEEN
            if out[frame, n] == SEEN:
                seen.append((n, uv))
        for n, uv in seen:
            if any(m != n and np.linalg.norm(uv - other) < criteria.apart for m, other in seen):
                out[frame, n] = MERGED
    return out


@pytest.mark.parametrize("seed", range(3))
def test_everything_against_a_plain_loop(seed):
    features, track, occluders = a_scene(seed)
    criteria = dataclasses.replace(CRITERIA, steepest=math.radians(65), apart=12.0, window=21.0)
    found = sight(features, track, occluders, criteria).why
    np.testing.assert_array_equal(found, by_loop(features, track, occluders, criteria))
    assert set(np.unique(found)) == {SEEN, OUTSIDE, AWAY, SMALL, HIDDEN, MERGED}, "the scene shows every reason"


def test_chunks_equal_the_whole_and_the_last_one_drops_short_tracks():
    features, track, occluders = a_scene(5, frames=15)
    whole = sight(features, track, occluders, CRITERIA)
    for first in range(0, 15, 4):
        part = sight(features, track, occluders, CRITERIA, slice(first, first + 4))
        for name in ("uv_px", "depth_m", "why", "blur_px"):
            np.testing.assert_allclose(getattr(part, name), getattr(whole, name)[first : first + 4], rtol=0, atol=1e-9)
    four = visibility.BYTES_PER_SIGHTING * len(features) * 4
    strict = dataclasses.replace(CRITERIA, track_frames=6)
    done, tables = zip(*sight_shot(features, track, occluders, strict, budget_bytes=four), strict=True)
    assert done == (4, 8, 12, 15)
    assert all(table is tables[0] for table in tables)
    assert isinstance(tables[-1], Sightings)
    changed = tables[-1].why != whole.why
    assert np.all(whole.why[changed] == SEEN)
    assert np.all(tables[-1].why[changed] == SHORT)
    assert changed.any()


def test_memory_of_a_chunk_stays_within_its_budget():
    features, track, occluders = a_scene(7, frames=400, count=200)
    spread = spread_of(features)
    wide = dataclasses.replace(track, focal_px=track.focal_px * 0.3)  # nearly all in view
    loose = dataclasses.replace(CRITERIA, smallest_edge=0.1, apart=0.1, steepest=1.57)
    rows = next(frame_chunks(len(track), len(features), 20_000_000))
    assert 20 < rows.stop < 400
    tracemalloc.start()
    sight(features, wide, occluders, loose, rows, spread)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20_000_000


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_moving_stage_and_camera_rigidly_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    features, track, occluders = a_scene(seed % 7, frames=4)
    angle, shift = rng.uniform(-4, 4), rng.normal(size=3) * 20
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    moved = dataclasses.replace(
        features,
        **{name: getattr(features, name) @ turn.T + shift for name in ("position_m", "before_m", "after_m")},
        normal=features.normal @ turn.T,
    )
    pose = np.eye(4)
    pose[:3, :3], pose[:3, 3] = turn, shift
    there = dataclasses.replace(track, world_from_cam=pose @ track.world_from_cam)
    others = [place(o.name, o.shape, o.at_m @ turn.T + shift, o.turn_rad + angle) for o in occluders]
    before, after = sight(features, track, occluders, CRITERIA), sight(moved, there, others, CRITERIA)
    assert np.sum(before.why != after.why) <= 1  # a number may lie on its limit to the last digit
    np.testing.assert_allclose(before.blur_px, after.blur_px, atol=1e-6)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_one_more_blocker_reveals_nothing_but_what_was_merged(seed):
    features, track, occluders = a_scene(seed % 11, frames=4)
    at = np.random.default_rng(seed).uniform([-3, 0, 0], [3, 5, 0])
    more = place("more", Rounded(np.array([0.5, 0.5, 0.5]), 0.5), np.tile(at, (4, 1)), np.zeros(4))
    few, many = (sight(features, track, o, CRITERIA).why for o in (occluders, (*occluders, more)))
    gained = (many == SEEN) & (few != SEEN)
    assert np.all(few[gained] == MERGED)
    assert np.all((many == HIDDEN) | (few != HIDDEN))


def test_each_point_is_projected_once():
    features, _, _ = a_scene(1)
    spread = spread_of(features)
    corners = np.sum(features.kind == CORNER)
    assert len(spread.points_m) == corners + 8 * 3 + 8 * 2 + 8 * 2  # two more for each disc and each band
    np.testing.assert_array_equal(spread.points_m[: len(features)], features.position_m)
    np.testing.assert_array_equal(spread.points_m[spread.arms[0, :corners]], features.before_m[:corners])
    np.testing.assert_array_equal(spread.points_m[spread.arms[1, :corners]], features.after_m[:corners])


def test_nothing_to_see():
    none = sight(points(np.zeros((0, 3))), a_track(), (), CRITERIA)
    assert none.why.shape == (1, 0)
    assert none.uv_px.shape == (1, 0, 2)
    assert list(frame_chunks(0, 10)) == []
    assert [rows.stop for rows in frame_chunks(3, 0)] == [3]
    # Two features in one place are one to a tracker.
    assert why(points(at_pixel([500, 500], 300, 5.0))) == [[MERGED, MERGED]]
