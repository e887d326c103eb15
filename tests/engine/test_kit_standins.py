"""Names in letters that the sheets' fonts lack: stand-ins on paper, the names themselves in lists and warnings."""

import csv
import io
import re
from dataclasses import fields, is_dataclass, replace

import numpy as np
import pytest
from kit_plans import kit_plan
from scatterproof.kit.build import build_kit
from scatterproof.kit.font import lacking
from scatterproof.kit.paper import Window, Words
from scatterproof.kit.standins import renamed, stand_ins
from scatterproof.plan.read import parse_plan
from scatterproof.plan.write import dump_plan

FOREIGN = {
    "Kite yard": "\u51e7\u306e\u5ead",  # Japanese
    "floor": "\u5e8a", "back wall": "\u0627\u0644\u062c\u062f\u0627\u0631", "left wall": "\u5de6",
    "cove": "\u05e2\u05d2\u05d5\u05dc", "left cove": "\u5de6\u66f2", "corner": "\u89d2",
    "squares": "\u0935\u0930\u094d\u0917", "scatter": "\u6563\u5e03", "near stand": "\u8fd1",
    "far stand": "\u9060\u65b9", "push": "\u524d\u9032", "light": "\u660e", "dark": "\u6697",
    "coat": "\u4e0a\u7740", "screen": "\u30b9\u30af\u30ea\u30fc\u30f3", "band": "\u5e2f", "A": "\u7532",
}  # fmt: skip


@pytest.fixture(scope="module")
def plan():
    """A plan in which nearly everything has a name in another script; one wish besides."""
    text = dump_plan(replace(kit_plan(squares=20, randoms=10)))
    for name, foreign in FOREIGN.items():
        text = re.sub(f'(?<!layout = )(?<!kind = )"{name}"', f'"{foreign}"', text)
    return parse_plan(text, "kit.toml").plan


@pytest.fixture(scope="module")
def kit(plan):
    return build_kit(plan)


def texts_of(pages):
    for page in pages:
        yield page.title
        for mark in page.marks:
            for one in mark.marks if isinstance(mark, Window) else (mark,):
                if isinstance(one, Words):
                    yield one.text


def test_no_sheet_asks_for_a_letter_that_it_lacks(kit):
    written = " ".join(texts_of(kit.pages))
    assert not lacking(written)
    for name in ("wall 1", "wall 2", "floor 1", "stand 2", "shot 1", "markers A", "paint 2", "camera 1", "cove 3"):
        assert name in written, name
    assert "names.csv" in written


def test_the_lists_keep_the_plans_names_and_one_tells_which_is_which(kit, plan):
    rows = list(csv.DictReader(io.StringIO(kit.lists["names.csv"])))
    assert {row["in_the_plan"]: row["on_the_sheets"] for row in rows} == stand_ins(plan)
    assert {row["in_the_plan"] for row in rows} == set(FOREIGN.values())
    assert FOREIGN["near stand"] in kit.lists["stands.csv"]
    assert f"{FOREIGN['scatter']} 1," in kit.lists["set-out.csv"]
    assert FOREIGN["push"] in kit.lists["camera-report.csv"]
    assert kit.needs.shots[0].planned.name == FOREIGN["push"]


def test_the_warning_names_them(kit):
    assert kit.warnings[0].startswith("The sheets can't print the letters of some names")
    assert f"“{FOREIGN['Kite yard']}” is this stage" in kit.warnings[0]
    assert f"and {len(FOREIGN) - 6} more" in kit.warnings[0]


def test_as_many_pages_as_with_plain_names(kit):
    plain = build_kit(kit_plan(squares=20, randoms=10))
    assert "names.csv" not in plain.lists
    assert [p.kind for p in plain.pages] == [p.kind for p in kit.pages]
    assert not any("names" in warning for warning in plain.warnings)


def test_stand_ins_are_unlike_each_other_and_every_name(plan):
    walls = (replace(plan.stage.walls[0], name="wall 2"), *plan.stage.walls[1:])
    other = replace(plan, stage=replace(plan.stage, walls=walls))
    names = stand_ins(other)
    assert len(set(names.values())) == len(names)
    assert "wall 2" not in names.values()
    assert "wall 2" not in names
    assert not stand_ins(kit_plan())


def test_other_letters_in_wishes_are_told(plan):
    wishing = replace(plan, shots=tuple(replace(s, wants="\u5168\u90e8") for s in plan.shots))
    assert any(w.startswith("Notes or wishes") for w in build_kit(wishing).warnings)


def test_renaming_reaches_every_text_and_nothing_else(kit, plan):
    names = stand_ins(plan)
    there = renamed((plan, kit.needs, kit.table, kit.groups), names)
    assert not lacking(" ".join(texts_in(there)))
    assert there[0].stage.walls[0].start == plan.stage.walls[0].start
    np.testing.assert_array_equal(there[2].told_m, kit.table.told_m)
    assert renamed(plan, {}) is plan


def texts_in(thing):
    if isinstance(thing, str):
        yield thing
    elif isinstance(thing, (tuple, list)):
        for part in thing:
            yield from texts_in(part)
    elif isinstance(thing, dict):
        for key, value in thing.items():
            yield from texts_in(key)
            yield from texts_in(value)
    elif is_dataclass(thing):
        for field in fields(thing):
            yield from texts_in(getattr(thing, field.name))
