"""The paint sheet's figures, amounts, and which costumes the key will hurt."""

import math
from dataclasses import replace

import numpy as np
import pytest
from kit_plans import kit_plan
from scatterproof.kit.clash import clashes
from scatterproof.kit.cut import cut_groups
from scatterproof.kit.paintwork import amounts_for, corrections, mixes_for, targets_for
from scatterproof.kit.setout import set_out
from scatterproof.plan.model import Paint, Patch
from scatterproof.stage.layout import build_layout


def test_half_stop_targets_of_a_measured_screen():
    # Chart green 70, 148, 73 in sRGB: 83, 173, 87 up and 59, 126, 61 down (recomputed outside of the project).
    plan = kit_plan()
    screen, up, down, *planned = targets_for(plan, "screen", plan.cameras[0])
    assert screen.codes == pytest.approx([70, 148, 73])
    assert np.rint(up.codes).tolist() == [83, 173, 87]
    assert np.rint(down.codes).tolist() == [59, 126, 61]
    assert (up.stops, down.stops) == pytest.approx((0.5, -0.5))
    assert up.codes10 == pytest.approx(up.codes * 1023 / 255)
    assert [t.name for t in planned] == ["planned: light", "planned: dark"]
    assert planned[0].stops == pytest.approx(0.5, abs=0.02)
    assert up.headroom_stops == pytest.approx(-math.log2(up.linear.max()))


def test_narrow_range_has_ten_bit_codes_four_times_as_large():
    plan = kit_plan()
    camera = replace(plan.cameras[0], encoding="BT.709", code_range="narrow")
    target = targets_for(plan, "screen", camera)[0]
    assert target.codes10 == pytest.approx(4 * target.codes)
    assert 16 < target.codes[0] < 235


def test_a_bright_screen_clips_and_is_told():
    plan = kit_plan()
    bright = replace(plan, paints=(Paint(name="screen", srgb=(4, 244, 4)), *plan.paints[1:]))
    _, up, down, *_ = targets_for(bright, "screen", plan.cameras[0])
    assert up.headroom_stops < 0 < down.headroom_stops


def test_mixes_depend_on_the_pigment_and_not_on_a_linear_guess():
    white = [mix for mix in mixes_for(kit_plan(), "screen") if mix.tint == "white"]
    assert [mix.strength for mix in white] == ["weak", "usual", "strong"]
    assert white[0].stops < white[1].stops < white[2].stops
    assert len({round(mix.linear_stops, 6) for mix in white}) == 1
    assert white[0].parts < 4 < white[2].parts  # a weak white needs less green, a strong one more


def test_a_patch_on_target_is_left_alone():
    for reading, white, black in corrections(kit_plan(), "screen"):
        if reading == 0.5:
            assert (white, black) == pytest.approx((1.0, 1.0))
        else:
            assert (white > 1) == (black > 1) == (reading < 0.5)


def test_amounts_follow_from_the_tape_that_is_cut():
    plan = kit_plan()
    layout = build_layout(plan)
    groups = cut_groups(plan, layout, set_out(plan, layout, "m"), "m", "A4", "auto")
    light, dark = amounts_for(plan, groups)
    assert (light.tint, dark.tint) == ("white", "black")
    assert light.litres == pytest.approx(groups[0].tape_m2 * 3 / 10 * 1.15)
    assert light.tint_litres == pytest.approx(light.litres / 5)
    assert dark.tint_litres == pytest.approx(dark.litres / 71)


def test_costumes_that_the_key_will_hurt():
    plan = kit_plan()
    patches = (
        Patch(name="dark green coat", srgb=(20, 66, 24)),
        Patch(name="red scarf", srgb=(190, 30, 60)),
        Patch(name="white shirt", srgb=(230, 230, 226)),
        Patch(name="olive bag", srgb=(96, 118, 66), use="prop"),
        Patch(name="screen green itself", srgb=(70, 148, 73), use="prop"),
    )
    found = {clash.patch: clash for clash in clashes(replace(plan, patches=patches))}
    assert found["screen green itself"].hurt == found["dark green coat"].hurt == 2
    assert found["dark green coat"].measured > 20  # far off as measured, the same in the shade
    assert found["dark green coat"].same_light < 12
    assert found["olive bag"].hurt >= 1
    assert found["red scarf"].hurt == found["white shirt"].hurt == 0
    order = [clash.hurt for clash in clashes(replace(plan, patches=patches))]
    assert order == sorted(order, reverse=True)


def test_no_patches_no_clashes():
    assert clashes(replace(kit_plan(), patches=())) == ()
