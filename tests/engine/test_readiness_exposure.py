"""Stop and shutter against light: advice in words, and that following it helps."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scatterproof.plan import model as m
from scatterproof.readiness.exposure import Trade, exposure_advice, trade_exposure
from scatterproof.readiness.rehearse import rehearse
from scatterproof.sightings.photometry import light_stops


def a_trade(fits, stops=(2.8, 5.6), times=(1 / 48, 1 / 100), own=(0, 0), kept=None, blur=(3.0, 1.5), needed=9):
    stops, times, fits = np.array(stops), np.array(times), np.array(fits, bool)
    cost = np.array([[light_stops(n, t, stops[own[0]], times[own[1]]) for t in times] for n in stops])
    kept = np.where(fits, 1.0, 0.5) if kept is None else np.array(kept)
    return Trade(stops, times, kept, np.array(blur), cost, fits, own, needed, 4.0)


def test_advice_in_words():
    both = a_trade([[0, 0], [0, 1]])
    assert exposure_advice(both) == "f/5.6 instead of f/2.8 and 1/100 s instead of 1/48 s: 3.1 stops more light."
    assert exposure_advice(a_trade([[0, 0], [1, 1]])) == "f/5.6 instead of f/2.8: 2.0 stops more light."
    assert exposure_advice(a_trade([[0, 1], [0, 1]])) == "1/100 s instead of 1/48 s: 1.1 stops more light."
    cheaper = a_trade([[1, 1], [1, 1]], own=(1, 1))
    assert exposure_advice(cheaper) == (
        "f/5.6 and 1/100 s keep every needed feature within limits; so would f/2.8 instead of f/5.6 and 1/48 s instead "
        "of 1/100 s: 3.1 stops less light."
    )
    assert exposure_advice(a_trade([[1, 1], [1, 1]])) == (
        "f/2.8 and 1/48 s keep every needed feature within limits; none that wants less light does."
    )
    none = a_trade([[0, 0], [0, 0]], kept=[[0.2, 0.3], [0.4, 0.999]], blur=(9.0, 4.3))
    assert exposure_advice(none) == (
        "No usual stop and shutter keeps every needed feature; f/5.6 instead of f/2.8 and 1/100 s instead of 1/48 s "
        "would keep 99 % of the features that sharpness would keep, with 4.3 px of motion blur where 4 are allowed: "
        "3.1 stops more light."
    )
    assert "does better than f/2.8 and 1/48 s" in exposure_advice(a_trade([[0, 0], [0, 0]], kept=np.full((2, 2), 0.5)))
    assert "cannot help" in exposure_advice(a_trade([[1, 1], [1, 1]], needed=0))


def a_plan(**shot):
    """A soft, fast shot on small markers: an f/1.4 lens focused halfway."""
    return m.Plan(
        name="p",
        paints=(m.Paint(name="screen", srgb=(70, 148, 73)), m.Paint(name="marker", srgb=(83, 173, 87))),
        stage=m.Stage(walls=(m.Wall(name="wall", start=(-5, 5), end=(5, 5), height=3.5),)),
        markers=(m.MarkerSet(name="s", surfaces=("wall",), layout="grid", spacing=0.5, size=(0.08, 0.08)),),
        cameras=(
            m.Camera(
                name="A",
                film_back=(24.0, 12.0),
                resolution=(3000, 1500),
                delivery_aspect=2.0,
                focal_length=32.0,
                focus=2.5,
                stop=1.4,
            ),
        ),
        shots=(
            m.Shot(
                **(
                    {
                        "name": "s",
                        "camera": "A",
                        "frames": (1, 24),
                        "move": m.Move(kind="dolly", start=(0, 0, 1.6), aim=(0, 5, 1.6), distance=0.7, ease="linear"),
                    }
                    | shot
                )
            ),
        ),
    )


def traded(plan):
    (rehearsal,) = rehearse(plan)
    return rehearsal, trade_exposure(rehearsal)


def test_smaller_stops_and_shorter_times_keep_more():
    _, trade = traded(a_plan())
    assert trade.needed > 100
    assert not trade.fits[trade.own]
    # A sighting at its very limit may change sides where the quick covariance does.
    asked = trade.kept[:, ~np.isnan(trade.kept[0])]
    assert asked.shape[1] >= 4
    assert (np.diff(asked, axis=0) >= -0.02).all()
    assert (np.diff(asked, axis=1) >= -0.02).all()
    assert asked.min() < 0.5
    assert asked.max() == 1
    ruled_out = np.isnan(trade.kept[0])
    assert (trade.blur_px[ruled_out] > trade.limit_px).all()
    assert trade.cost[trade.own] == 0
    np.testing.assert_allclose(trade.blur_px / trade.times_s, trade.blur_px[0] / trade.times_s[0])


def test_following_the_advice_and_paying_for_it_makes_the_shot_fit():
    before, trade = traded(a_plan())
    best, cost = trade.best, float(trade.cost[trade.best])
    assert cost > 1
    assert "more light" in exposure_advice(trade)
    followed = {
        "stop": float(trade.stops[best[0]]),
        "exposure": float(trade.times_s[best[1]]),
        "light": 2**cost,
    }
    after, again = traded(a_plan(**followed))
    assert again.fits[again.own]
    assert after.looks.contrast == pytest.approx(before.looks.contrast)
    assert after.readiness.features.mean() > 1.2 * before.readiness.features.mean()
    unpaid, _ = traded(a_plan(**followed | {"light": 1.0}))
    assert (unpaid.looks.contrast < before.looks.contrast).all()


@pytest.mark.parametrize(
    "plan",
    [
        a_plan(frames=(1, 1)),
        replace(a_plan(), markers=()),
        a_plan(light=0.0),
        a_plan(exposure=0.0),
        replace(a_plan(), cameras=(replace(a_plan().cameras[0], shutter=0.0),)),
        a_plan(move=m.Move(start=(0, 0, 1.6), aim=(0, -5, 1.6))),
    ],
)
def test_shots_with_nothing_to_trade(plan):
    _, trade = traded(plan)
    assert not np.isnan(trade.kept[trade.own])
    assert exposure_advice(trade)
    assert math.isfinite(trade.cost[trade.own])
