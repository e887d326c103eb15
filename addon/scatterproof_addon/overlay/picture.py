"""What the overlay shows, as arrays and words: nothing here knows Blender's window."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scatterproof.readiness.verdict import FIRM, LOST, STATES, THIN, Reason
from scatterproof.sightings.sighting import AWAY, HIDDEN, OUTSIDE
from scatterproof.stage.layout import Layout

from ..bridge.bake import STATE_CODES, ring_spots, ring_starts, ring_states

STALE = 3  # a frame whose verdict is older than the scene; beside FIRM, THIN and LOST
GREY = (0x9A, 0x9A, 0x9A)
COLOURS = np.array([*(STATE_CODES[state] for state in (FIRM, THIN, LOST)), GREY]) / 255  # (4, 3) sRGB
HEIGHTS = (1.0, 0.6, 0.3, 0.45)  # of a frame's bar in the strip: never told by colour alone
FAINT = 0.3  # opacity of rings round what a performer hides or what is turned away
HEAT = (0xF0 / 255, 0xE4 / 255, 0x42 / 255)  # Okabe and Ito's yellow: seen on green and on grey floors
LEAST_HELP, HEAT_LIFT_M = 0.1, 0.01
MOST_REASONS = 3
Measure = Callable[[str], float]


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """R rings to draw."""

    centre_m: np.ndarray  # (R, 3) float32
    radius_m: np.ndarray  # (R,) float32
    state: np.ndarray  # (R,) FIRM all features of the marker trackable, THIN some, LOST none though in the gate
    faint: np.ndarray  # (R,) bool: every feature in the gate is hidden or turned away

    def quads(self, faint: float = FAINT) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Attributes of four vertices a ring, and (2 R, 3) triangles, for one draw call."""
        count = len(self.radius_m)
        look = np.stack([self.state, np.where(self.faint, faint, 1.0), self.radius_m], axis=1).astype(np.float32)
        corner = np.tile(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], np.float32), (count, 1))
        table = {"centre": np.repeat(self.centre_m, 4, axis=0), "corner": corner, "look": np.repeat(look, 4, axis=0)}
        return table, (np.array([[0, 1, 2], [0, 2, 3]])[None] + 4 * np.arange(count)[:, None, None]).reshape(-1, 3)


def rings_of(layout: Layout, why: np.ndarray, eye_m: np.ndarray) -> Rings:
    """The rings of one frame; what is outside the gate has none.

    why : (N,) why each feature counts or not
    eye_m : (3,) where the shot's camera is
    """
    spots = ring_spots(layout, eye_m)
    state = ring_states(layout, why[None])[0].astype(int) - 1
    starts = ring_starts(layout)
    unseen = np.isin(why, (HIDDEN, AWAY, OUTSIDE))
    faint = np.logical_and.reduceat(unseen, starts) if len(starts) else np.zeros(0, bool)
    shown = state >= FIRM
    return Rings(
        spots.centre_m[shown].astype(np.float32), spots.radius_m[shown].astype(np.float32), state[shown], faint[shown]
    )


def heat_quads(place_m: np.ndarray, cell_m: float, help_: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Triangles (6 H, 3) and colours (6 H, 4) of level squares where a stand helps: the more, the larger and denser.

    place_m : (A, 3); help_ : (A,) 0 to 1, nan where no stand may be
    """
    good = np.nan_to_num(help_) > LEAST_HELP
    worth = help_[good]
    half = 0.5 * cell_m * (0.3 + 0.6 * worth)
    corner = np.array([[-1, -1], [1, -1], [1, 1], [-1, -1], [1, 1], [-1, 1]])
    points = np.repeat(place_m[good], 6, axis=0)
    points[:, 2] += HEAT_LIFT_M
    points[:, :2] += np.tile(corner, (len(worth), 1)) * np.repeat(half, 6)[:, None]
    colour = np.tile([*HEAT, 1.0], (6 * len(worth), 1))
    colour[:, 3] = np.repeat(0.25 + 0.6 * worth, 6)
    return points.astype(np.float32), colour.astype(np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Bars:
    """Filled rectangles: x in frames, y from 0 to 1 of the strip's height."""

    box: np.ndarray  # (B, 4) left, bottom, right, top
    state: np.ndarray  # (B,) row of COLOURS

    def triangles(self) -> tuple[np.ndarray, np.ndarray]:
        """Vertices (6 B, 2) and colours (6 B, 4), sRGB."""
        corners = self.box[:, [0, 1, 2, 1, 2, 3, 0, 1, 2, 3, 0, 3]].reshape(-1, 2)
        colour = np.column_stack([COLOURS[self.state], np.ones(len(self.state))])
        return corners.astype(np.float32), np.repeat(colour, 6, axis=0).astype(np.float32)


def strip_bars(first: int, state: np.ndarray) -> Bars:
    """The readiness of F frames from ``first`` on: runs of one state are one bar; stale frames are ticks with gaps.

    state : (F,) FIRM, THIN, LOST or STALE
    """
    edges = np.flatnonzero(np.diff(state)) + 1
    starts, stops = np.concatenate([[0], edges]), np.concatenate([edges, [len(state)]])
    runs = [(a, b, int(state[a])) for a, b in zip(starts, stops, strict=True) if state[a] != STALE]
    ticks = [(a, a + 0.5, STALE) for a in np.flatnonzero(state == STALE)]
    every = [*runs, *ticks]
    box = np.array([(first + a, 0.0, first + b, HEIGHTS[s]) for a, b, s in every], float).reshape(-1, 4)
    return Bars(box, np.array([s for *_, s in every], int))


@dataclass(frozen=True, slots=True)
class Note:
    """What the overlay says of the frame in view."""

    state: int  # glyph and colour; STALE where the verdict is not known
    head: str
    lines: tuple[str, ...]


def note_of(shot: str, frame: int, state: int, reasons: Sequence[Reason]) -> Note:
    """A verdict that holds."""
    return Note(state, f"{STATES[state].upper()}   {shot}, frame {frame}", _texts(reasons))


def note_at_a_glance(shot: str, frame: int, state: int, reasons: Sequence[Reason], wait: str) -> Note:
    """What one frame says by itself while the rest of the shot is not known: lost for sure, or nothing for sure.

    wait : why, and what comes next
    """
    if state == LOST:
        return Note(LOST, f"LOST   {shot}, frame {frame}", (*_texts(reasons), wait))
    words = "so far no worse than thin" if state == THIN else "nothing against it so far"
    return Note(STALE, f"{shot}, frame {frame}: {words}", (*_texts(reasons), wait))


def note_stale(shot: str, frame: int, why: str) -> Note:
    """A verdict that no longer holds."""
    return Note(STALE, f"OUT OF DATE   {shot}, frame {frame}", (why,))


def _texts(reasons: Sequence[Reason]) -> tuple[str, ...]:
    return tuple(reason.text for reason in reasons[:MOST_REASONS])


def wrapped(text: str, width: float, measure: Measure) -> list[str]:
    """Text in lines no wider than ``width``; ``measure``: how wide words are."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and measure(longer) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
