"""Plans into text and back: nothing is lost, and a person's own file keeps what did not change."""

import dataclasses
import os
import re
import stat
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_strategy import plans
from scatterproof.plan import write
from scatterproof.plan.fields import kind_of
from scatterproof.plan.model import LENGTH_UNITS, Plan, Stand
from scatterproof.plan.read import parse_plan
from scatterproof.plan.write import dump_plan, paired, save_text, updated
from scatterproof.problems import BadInput

FILE = """\
# Stage Wren, the harbour.
# Measured on the first day.

schema = 2
name = "Harbour"   # ours
units = "ft"
colour = "blue"   # unknown, and kept

[[paint]]
name = "screen"
srgb = [60, 170, 80]

[[paint]]
name = "marker"
linear = [0.3, 0.5, 0.3]

[[paint]]
name = "band"
linear = [0.3, 0.5, 0.3]

[stage]
[[stage.floor]]
x = [-10, "10 ft"] # wide
y = [0, 20]

[[stage.wall]]
name = "back"
start = [-10, 20]
end = [10, 20]
height = "12' 6\\""

# ==== Stands ====

# The near one: mind the cable.
[[stand]]
name = "near"
at = [0, "2 m"]
height = 6 # high
bands = [1, 2, 5]

# The far one.
[[stand]]
name = "far"
at = [1, "2 m"]
height = 6
bands = [ # three
  1, # low
  2,
  5,
]
owner = "rigging"

# ==== Camera ====

[[camera]]
name = "A"
film_back = [24.89, 18.66]
resolution = [2048, 1536]
delivery_aspect = 1.85
focal_length = 35
focus = "12 ft"
exposure = "1/50 s"
shutter = "172.8 deg"

[[shot]]
name = "push"
camera = "A"
frames = [1, 48]
move.kind = "push" # the kind
move.start = [0, -10, 5]
move.aim = [0, 10, 5]
move.distance = "6 ft"

# The crane.
[[shot]]
name = "keys"
camera = "A"
frames = [1, 48]
[[shot.key]] # opens
frame = 1
at = [0, -3, 5]
pan = 30
[[shot.key]] # closes
frame = 48
at = [1, -3, 5]
# done
"""


@pytest.fixture
def harbour():
    return parse_plan(FILE)


def difference(before, after):
    """Lines gone and lines come, as sets."""
    gone, come = set(before.splitlines()), set(after.splitlines())
    return gone - come, come - gone


@settings(max_examples=50, deadline=None)
@given(plans())
def test_a_dumped_plan_reads_back_as_itself(plan):
    file = parse_plan(dump_plan(plan))
    assert file.plan == plan
    assert file.warnings == ()


def test_every_field_is_explained_once(harbour):
    text = dump_plan(harbour.plan)
    assert text.count("# heights of the band centres above its foot") == 1
    assert text.count("A free-standing pole") == 1
    assert "shutter = 172.8  # shutter angle, degrees" in text


def test_nothing_changes_when_nothing_changed(harbour):
    assert updated(harbour, harbour.plan) == FILE
    assert updated(harbour, dataclasses.replace(harbour.plan)) == FILE


def test_one_value_changes_one_line(harbour):
    near, far = harbour.plan.stands
    text = updated(harbour, replace(harbour.plan, stands=(replace(near, height=0.3048 * 7), far)))
    assert difference(FILE, text) == ({"height = 6 # high"}, {"height = 7 # high"})


def test_one_number_of_a_row_keeps_the_others_as_they_were_written(harbour):
    near, far = harbour.plan.stands
    moved = replace(near, at=(0.9144, near.at[1])), replace(far, bands=(0.3048, 0.3048 * 2.5, 0.3048 * 5))
    text = updated(harbour, replace(harbour.plan, stands=moved))
    assert difference(FILE, text) == ({'at = [0, "2 m"]', "  2,"}, {'at = [3, "2 m"]', "  2.5,"})


def test_another_unit_rewrites_bare_lengths_only(harbour):
    text = updated(harbour, replace(harbour.plan, units="m"))
    gone, come = difference(FILE, text)
    assert parse_plan(text).plan == replace(harbour.plan, units="m")
    assert 'height = "12\' 6\\""' in text
    assert 'x = [-10, "10 ft"] # wide' in gone
    assert 'x = [-3.048, "10 ft"] # wide' in come


def test_comments_travel_with_their_table(harbour):
    near, far = harbour.plan.stands
    text = updated(harbour, replace(harbour.plan, stands=(far, near)))
    assert sorted(text.splitlines()) == sorted(FILE.splitlines())
    far_at, near_at = text.index("# The far one."), text.index("# The near one")
    assert text.index("# ==== Stands") < far_at < text.index('name = "far"') < near_at < text.index('name = "near"')
    assert near_at < text.index("# ==== Camera")


def test_a_removed_table_takes_its_comment_and_no_other(harbour):
    text = updated(harbour, replace(harbour.plan, stands=harbour.plan.stands[1:]))
    assert "# The near one" not in text
    assert "mind the cable" not in text
    for kept in ("# The far one.", "# ==== Stands ====", "# ==== Camera ====", 'owner = "rigging"'):
        assert kept in text
    text = updated(harbour, replace(harbour.plan, stands=()))
    assert "[[stand]]" not in text
    assert "# ==== Stands ====" in text
    assert parse_plan(text).plan.stands == ()


def test_a_renamed_table_keeps_its_comment_and_unknown_keys(harbour):
    near, far = harbour.plan.stands
    text = updated(harbour, replace(harbour.plan, stands=(near, replace(far, name="upstage"))))
    assert difference(FILE, text) == ({'name = "far"'}, {'name = "upstage"'})
    text = updated(harbour, replace(harbour.plan, stands=(near, replace(far, name="upstage", height=2.0))))
    assert "# The far one." in text


def test_added_tables_stand_beside_their_kind(harbour):
    plan = harbour.plan
    third = Stand(name="third", at=(1.0, 1.0), height=2.0, bands=(1.0,))
    text = updated(harbour, replace(plan, stands=(*plan.stands, third)))
    gone, _ = difference(FILE, text)
    assert not gone
    assert text.index('owner = "rigging"') < text.index('name = "third"') < text.index("# ==== Camera")
    text = updated(harbour, replace(plan, stands=(third, *plan.stands)))
    assert text.index('name = "third"') < text.index("# The near one")


def test_nested_lists_change_inside_their_own_table(harbour):
    push, keys = harbour.plan.shots
    first, last = keys.keys
    middle = replace(last, frame=20, pan=0.1)
    text = updated(harbour, replace(harbour.plan, shots=(push, replace(keys, keys=(first, middle, last)))))
    assert text.index("# opens") < text.index("frame = 20") < text.index("# closes")
    text = updated(harbour, replace(harbour.plan, shots=(replace(push, move=None, keys=keys.keys), keys)))
    assert "move." not in text
    assert text.index("frame = 1") < text.index("# The crane.")


def test_dotted_keys_are_edited_where_they_stand(harbour):
    push, keys = harbour.plan.shots
    moved = replace(push, move=replace(push.move, distance=0.9144, ease="linear"))
    text = updated(harbour, replace(harbour.plan, shots=(moved, keys)))
    gone, come = difference(FILE, text)
    assert gone == {'move.distance = "6 ft"'}
    assert come == {"move.distance = 3", 'move.ease = "linear"'}


def test_line_endings_stay(harbour):
    crlf = parse_plan(FILE.replace("\n", "\r\n"))
    assert crlf.plan == harbour.plan
    plan = replace(harbour.plan, note="two\nlines")
    text = updated(crlf, plan)
    assert re.search(r"(?<!\r)\n", text) is None
    assert parse_plan(text).plan == plan


def test_a_plan_that_does_not_hold_together_is_refused(harbour):
    near, far = harbour.plan.stands
    with pytest.raises(BadInput, match="height"):
        updated(harbour, replace(harbour.plan, stands=(replace(near, height=float("nan")), far)))
    with pytest.raises(BadInput, match="a name of its own"):
        updated(harbour, replace(harbour.plan, stands=(near, replace(far, name="near"))))


def test_tables_are_paired_by_name_then_content():
    a, b, c = (Stand(name=n, at=(x, 0.0), height=2.0, bands=(1.0,)) for n, x in (("a", 0), ("b", 1), ("c", 2)))
    assert paired((a, b, c), (c, a)) == [2, 0]
    assert paired((a, b), (replace(b, name="z"), a)) == [1, 0]
    assert paired((a,), (Stand(name="q", at=(9.0, 9.0), height=5.0, bands=(3.0,)),)) == [None]


# -- any plan into any other, in three layouts


def with_comments(text):
    """Every header gets a comment of its own above it and every table an unknown key."""
    count = iter(range(10**6))
    return re.sub(
        r"(?m)^(\[+[\w.]+\]+)$", lambda m: f"# about {(k := next(count))}\n{m[1]}\nunknown_{k} = [{k}, 'x']", text
    )


def inline(plan):
    """The plan with all its tables as values."""
    parts = []
    for field in dataclasses.fields(plan):
        kind, value = kind_of(field), getattr(plan, field.name)
        if kind.quantity == "table" and value not in (None, ()):
            rows = ", ".join(write._inline_text(item, plan.units) for item in (value if kind.rows else (value,)))
            parts.append(f"{kind.key or field.name} = {f'[{rows}]' if kind.rows else rows} # c\n")
    head = dump_plan(Plan(name="x", stage=plan.stage)).partition("\n\n")[0]
    head = head.replace('"x"', write.tomlkit.item(plan.name).as_string()).replace('"m"', f'"{plan.units}"')
    note = f"note = {write.tomlkit.item(plan.note).as_string()}\n" if plan.note else ""
    return head + "\n" + note + "".join(parts)


@st.composite
def edits(draw, plan):
    """A valid plan that differs from the given one as a person's edits would: some removed, moved, renamed, changed."""
    change = {"units": draw(st.sampled_from(LENGTH_UNITS)), "note": draw(st.sampled_from([plan.note, "", "ä\n# b"]))}
    for key in ("keepouts", "markers", "stands", "gear", "paints", "cameras"):
        items = list(draw(st.permutations(getattr(plan, key))))
        if key not in ("paints", "cameras"):
            items = [item for item in items if draw(st.integers(0, 3))]
        if items and key == "stands" and draw(st.booleans()):
            items[0] = replace(items[0], name=items[0].name + "~", base=draw(st.floats(-1, 1)))
            items.append(replace(items[0], name=items[0].name + "+"))
        change[key] = tuple(items)
    shots = []
    for shot in draw(st.permutations(plan.shots)):
        keys = shot.keys[draw(st.integers(0, 1)) :] or shot.keys
        shots.append(replace(shot, keys=keys, action_point=draw(st.sampled_from([shot.action_point, (1.0, 2.0, 0.1)]))))
    stage = replace(plan.stage, walls=tuple(draw(st.permutations(plan.stage.walls))))
    return replace(plan, shots=tuple(shots), stage=stage, **change)


@settings(max_examples=50, deadline=None)
@given(st.data(), plans())
def test_any_edit_keeps_comments_and_unknown_keys(data, plan):
    text = with_comments(dump_plan(plan))
    file = parse_plan(text)
    assert file.plan == plan
    new = data.draw(edits(plan))
    result = updated(file, new)
    assert parse_plan(result).plan == new
    stayed = set(re.findall(r"^unknown_(\d+) = \[\1, 'x'\]$", result, re.MULTILINE))
    for number in stayed:  # the comment above a header stays above that header
        assert re.search(rf"# about {number}\n\[+[\w.]+\]+\nunknown_{number} ", result)
    named = {s.name for s in new.stands} & {s.name for s in plan.stands}
    assert len(stayed) >= 1 + len(named) + len(new.paints) + len(new.cameras) + len(new.shots)


@settings(max_examples=10, deadline=None)
@given(st.data(), plans(most=2), plans(most=2))
def test_inline_tables_and_other_plans(data, plan, other):
    file = parse_plan(inline(plan))
    assert file.plan == plan
    for new in (data.draw(edits(plan)), other):
        assert parse_plan(updated(file, new)).plan == new
    assert parse_plan(updated(parse_plan(dump_plan(plan)), other)).plan == other


# -- saving


def test_saving_replaces_the_whole_file(tmp_path):
    path = tmp_path / "Bühne 7 灯.toml"
    save_text(path, "a\n")
    save_text(path, "ü\n")
    assert path.read_bytes() == "ü\n".encode()
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


@pytest.mark.skipif(os.name == "nt", reason="permissions of the kind that chmod sets")
def test_saving_keeps_permissions_and_links(tmp_path):
    path, link = tmp_path / "plan.toml", tmp_path / "link.toml"
    save_text(path, "a")
    mask = os.umask(0)
    os.umask(mask)
    assert stat.S_IMODE(path.stat().st_mode) == 0o666 & ~mask
    path.chmod(0o640)
    link.symlink_to(path)
    save_text(link, "b")
    assert link.is_symlink()
    assert path.read_text() == "b"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_failure_leaves_the_original_and_no_litter(tmp_path, monkeypatch, step):
    path = tmp_path / "plan.toml"
    save_text(path, "old")

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, fail)
    with pytest.raises(BadInput, match="no space left"):
        save_text(path, "new")
    monkeypatch.undo()
    assert path.read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_places_that_cannot_be_written_to(tmp_path):
    for bad in (tmp_path, tmp_path / "no" / "such" / "plan.toml", Path("/dev/null"), tmp_path / "a\0b"):
        with pytest.raises(BadInput, match="a place that can be written to"):
            save_text(bad, "x")
    with pytest.raises(BadInput):
        save_text(tmp_path / "plan.toml", "\ud800")
    assert list(tmp_path.iterdir()) == []


def test_a_read_only_folder(tmp_path, monkeypatch):
    tmp_path.chmod(0o555)
    if os.access(tmp_path, os.W_OK):  # the superuser may write anywhere
        monkeypatch.setattr(Path, "open", lambda *_: exec("raise PermissionError(13, 'Permission denied')"))
    with pytest.raises(BadInput, match="permission denied"):
        save_text(tmp_path / "plan.toml", "x")
    assert list(tmp_path.iterdir()) == []


def test_canonical_text_is_plain_toml(harbour):
    assert tomllib.loads(dump_plan(harbour.plan))["stand"][0]["name"] == "near"
