"""Which stop and shutter keep a shot's features within limits, and what they cost in light.

A smaller stop narrows the defocus discs, a shorter exposure the smear; both are paid in light, so that the recording
stays as bright as it is planned. Diffraction is left out: it softens most lenses from about f/16 on (common practice,
no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..camera.lens import project
from ..sightings.blur import defocus_px, round_disc_px
from ..sightings.photometry import light_stops
from ..sightings.sighting import BLURRED, SEEN, SHORT, Sightings, larger_sigma
from ..sightings.signal import Frames, matcher
from ..sightings.visibility import spread_of
from .rehearse import Rehearsal

STOPS = (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0)  # as engraved
PARTS = (24, 32, 48, 60, 100, 125, 200, 250, 400, 500, 1000)  # of a second
FRAMES = 5  # that are looked at: the fastest one, and others evenly over the shot
SIGHTINGS = 1000  # that are looked at
ROOM = 0.5  # part of the limit that a sharp, still match may take up where softness is to be afforded
NEAR_STOPS = 1 / 3  # costs nearer than this are one to a gaffer


@dataclass(frozen=True, slots=True, eq=False)
class Trade:
    """S stops by T exposure times. Costs are stops of light over what the shot has now."""

    stops: np.ndarray  # (S,) f-numbers
    times_s: np.ndarray  # (T,) longest first
    kept: np.ndarray  # (S, T) share of the needed sightings that track; nan where the motion blur rules it out
    blur_px: np.ndarray  # (T,) motion blur of the frame where it is worst, median over its features; nan without any
    cost: np.ndarray  # (S, T) stops of light
    fits: np.ndarray  # (S, T) bool: every needed sighting tracks and the blur is firm
    own: tuple[int, int]  # where the shot stands now
    needed: int  # sightings looked at that track when sharp and still, with room to spare
    limit_px: float  # firm limit of the motion blur

    @property
    def best(self) -> tuple[int, int]:
        """The cheapest pair that fits; where none does, the cheapest of those that keep most at the least blur."""
        calm = np.broadcast_to(calm_enough(self.blur_px, self.limit_px), self.kept.shape)
        good = self.fits if self.fits.any() else calm & (self.kept >= self.kept[calm].max() - 1e-9)
        here = abs(np.arange(len(self.stops)) - self.own[0])[:, None] + abs(np.arange(len(self.times_s)) - self.own[1])
        rank = np.where(good, self.cost + 1e-6 * here, np.inf)
        row, column = divmod(int(rank.argmin()), len(self.times_s))
        return row, column


def calm_enough(blur_px: np.ndarray, limit_px: float) -> np.ndarray:
    """(T,) bool: motion blur within the limit, or the least there is."""
    blur = np.nan_to_num(blur_px, nan=0.0)
    calm: np.ndarray = blur <= max(limit_px, float(blur.min()))
    return calm


def trade_exposure(rehearsal: Rehearsal) -> Trade:
    """Try every engraved stop with every usual exposure time that fits into a frame, on some of the shot's sightings.

    A sighting is needed when it passes by geometry and would track sharp and still with room to spare: what a stop and
    a shutter can be asked for.
    """
    track, criteria, looks = rehearsal.track, rehearsal.criteria, rehearsal.looks
    blur = rehearsal.readiness.blur_px
    rows = _frames(blur)
    part = Sightings(**{name: getattr(rehearsal.sightings, name)[rows] for name in Sightings.__slots__})
    features = rehearsal.layout.features
    spread = spread_of(features)
    uv = np.concatenate([project(spread.points_m, track, slice(row, row + 1))[0] for row in rows])
    view = Frames(rows, uv, spread.arms, spread.rings)
    matches = matcher(part, view, features, looks, track, criteria)
    asked = _some(np.isin(part.why, (SEEN, BLURRED, SHORT)), SIGHTINGS)
    sharp, _ = matches(asked, 0.0, np.zeros((1, 1)), np.zeros((*part.why.shape, 2), np.float32))
    needed = asked & (larger_sigma(sharp) < ROOM * criteria.match)
    stop, time_s = float(track.stop[0]), track.exposure_s
    stops = np.array(sorted({*STOPS, stop}))
    fit = {1 / n for n in PARTS if 1 / n <= 1 / track.rate + 1e-9}
    times = np.array(sorted({*fit, time_s}, reverse=True)) if time_s > 0 else np.zeros(1)
    own = int(np.argmin(abs(stops - stop))), int(np.argmin(abs(times - time_s)))
    worst = float(np.nanmax(blur)) if np.isfinite(blur).any() else math.nan
    blurs, limit = worst * (times / time_s if time_s > 0 else np.ones(1)), criteria.blur[0]
    asked_times = calm_enough(blurs, limit) | (np.arange(len(times)) == own[1])
    count, (frame, _) = int(needed.sum()), np.nonzero(needed)
    kept = np.where(asked_times, np.ones((len(stops), 1)), math.nan)
    for i, number in enumerate(stops if count else ()):
        soft = np.zeros(part.why.shape)
        soft[needed] = round_disc_px(defocus_px(track, part.depth_m[needed], rows[frame], stop=float(number)))
        for j, seconds in enumerate(times):
            known = (i and kept[i - 1, j] == 1) or (j and kept[i, j - 1] == 1)
            if known or not asked_times[j]:
                continue  # what a wider stop or a longer exposure keeps, this one keeps
            motion = part.motion_px * np.float32(seconds / time_s if time_s > 0 else 1.0)
            _, tracked = matches(needed, 0.0, soft, motion)
            kept[i, j] = tracked.sum() / count
    cost = np.array([[light_stops(float(n), float(t), stop, time_s) for t in times] for n in stops])
    fits = (kept >= 1.0) & ~(blurs > limit)[None]
    return Trade(stops, times, kept, blurs, cost, fits, own, count, limit)


def exposure_advice(trade: Trade) -> str:
    """What to do about stop and shutter, in words.

    "f/5.6 instead of f/2.8 and 1/100 s instead of 1/48 s: 3.1 stops more light."
    """
    if not trade.needed:
        return "No feature would track even sharp and still: stop and shutter cannot help."
    best, own = trade.best, trade.own
    change, cost = _change(trade, own, best), float(trade.cost[best])
    if not trade.fits.any():
        share = f"{math.floor(100 * trade.kept[best])} % of the features that sharpness would keep"
        if trade.blur_px[best[1]] > trade.limit_px:
            share += f", with {trade.blur_px[best[1]]:.1f} px of motion blur where {trade.limit_px:g} are allowed"
        if best == own:
            return f"No usual stop and shutter does better than {_pair(trade, own)}: {share}."
        return f"No usual stop and shutter keeps every needed feature; {change} would keep {share}: {_light(cost)}."
    if not trade.fits[own]:
        return f"{change}: {_light(cost)}."
    kept = f"{_pair(trade, own)} keep every needed feature within limits"
    if cost > -NEAR_STOPS:
        return f"{kept}; none that wants less light does."
    return f"{kept}; so would {change}: {_light(cost)}."


def _change(trade: Trade, own: tuple[int, int], best: tuple[int, int]) -> str:
    parts = []
    for words, now, then in (
        (f_number, float(trade.stops[own[0]]), float(trade.stops[best[0]])),
        (seconds_text, float(trade.times_s[own[1]]), float(trade.times_s[best[1]])),
    ):
        if now != then:
            parts.append(f"{words(then)} instead of {words(now)}")
    return " and ".join(parts)


def _pair(trade: Trade, at: tuple[int, int]) -> str:
    return f"{f_number(float(trade.stops[at[0]]))} and {seconds_text(float(trade.times_s[at[1]]))}"


def _light(cost: float) -> str:
    size = f"{abs(cost):.1f} stop{'' if f'{abs(cost):.1f}' == '1.0' else 's'}"
    return "the same light" if abs(cost) < 0.05 else f"{size} {'more' if cost > 0 else 'less'} light"


def f_number(stop: float) -> str:
    """A stop as it is engraved.

    >>> f_number(5.6), f_number(4.0)
    ('f/5.6', 'f/4')
    """
    return f"f/{stop:g}"


def seconds_text(seconds: float) -> str:
    """An exposure time as it is spoken.

    >>> seconds_text(1 / 48), seconds_text(0.0), seconds_text(1 / 66.6)
    ('1/48 s', 'no time', '1/66.6 s')
    """
    return f"1/{1 / seconds:.4g} s" if seconds > 0 else "no time"


def _frames(blur_px: np.ndarray) -> np.ndarray:
    """Rows of some frames: the most smeared one and others evenly spread."""
    even = np.linspace(0, len(blur_px) - 1, min(FRAMES, len(blur_px))).astype(int)
    fastest = int(np.nanargmax(blur_px)) if np.isfinite(blur_px).any() else 0
    return np.unique(np.append(even, fastest))


def _some(wanted: np.ndarray, most: int) -> np.ndarray:
    """At most so many of the wanted (F, N), evenly taken."""
    at = np.flatnonzero(wanted)
    taken = np.zeros(wanted.shape, bool)
    taken.reshape(-1)[at[np.linspace(0, len(at) - 1, min(most, len(at))).astype(int)]] = True
    return taken
