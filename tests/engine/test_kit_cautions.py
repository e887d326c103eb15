"""Cautions stand where the work can hurt someone, and no sheet claims to approve anything."""

import re

import pytest
from kit_plans import kit_plan
from scatterproof.kit.build import build_kit
from scatterproof.kit.cut import CUTTING
from scatterproof.kit.paper import CAUTION, Window, Words
from scatterproof.kit.sheets import CAUTIONS, CLIMB_M, CLIMBING, PAINTING, STANDING

CLAIMS = r"\b(?:approv\w*|certif\w*|guarantee\w*|complian\w*|permit\w*|safe|safely|safety)\b"
MEANT = (
    "Nothing here approves anything.", "Not an engineering, rigging, electrical or fire-safety approval.",
    "read label and safety data sheet", "as the safety data sheets say",
)  # fmt: skip


@pytest.fixture(scope="module")
def kit():
    return build_kit(kit_plan())


def told(pages):
    words = [
        one.text
        for page in pages
        for mark in page.marks
        for one in (mark.marks if isinstance(mark, Window) else (mark,))
        if isinstance(one, Words)
    ]
    return " ".join(" ".join(words).split())


def of_kind(kit, kind):
    return [page for page in kit.pages if page.kind == kind]


def test_all_of_them_stand_on_the_cover(kit):
    cover = told(of_kind(kit, "cover"))
    for caution in CAUTIONS:
        assert caution in cover
    assert "Local codes" in cover
    assert "licensed" in cover


@pytest.mark.parametrize(("kind", "caution"), [("stands", STANDING), ("paint", PAINTING)])
def test_where_stands_are_built_and_paint_is_mixed(kit, kind, caution):
    assert caution in told(of_kind(kit, kind)[:1])


def test_on_every_page_that_is_cut_from(kit):
    pages = of_kind(kit, "cut")
    assert len(pages) > 1
    assert all(CUTTING in told([page]) for page in pages)


def test_of_ladders_where_somebody_must_climb(kit):
    high = set()
    for row, chart in enumerate(kit.table.chart[: len(kit.needs.layout.markers.name)].tolist()):
        if kit.needs.layout.markers.centre_m[row, 2] > CLIMB_M:
            high.add(f"Set-out: {kit.table.charts[chart].name}")
    warned = {page.title for page in of_kind(kit, "setout") if CLIMBING in told([page])}
    assert warned == high
    assert high
    assert high != {page.title for page in of_kind(kit, "setout")}


def test_every_page_says_what_it_is_not(kit):
    assert all(CAUTION in told([page]) for page in kit.pages)


def test_nothing_claims_to_be_an_approval(kit):
    everything = told(kit.pages) + " ".join(kit.lists.values())
    for sentence in MEANT:
        assert sentence in everything
        everything = everything.replace(sentence, "")
    assert not re.findall(CLAIMS, everything.lower())
