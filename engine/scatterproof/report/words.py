"""The verdict in words: headlines, ranges of frames, and reasons merged over frames."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from ..plan.units import FOOT_M, format_length
from ..readiness.verdict import FIRM, LOST, STATES, THIN, Reason, ShotReadiness

# What a reason's code stands for, and the unit of its number. A code that is not here is told by its own name.
CAUSES = {
    "features": ("Trackable features", ""),
    "depths": ("Depths told apart", ""),
    "out_of_plane": ("Out-of-plane signal", "sigma"),
    "one_plane": ("All features on one plane", "sigma"),
    "blur": ("Motion blur", "px"),
    "contrast": ("Marker contrast", "stops"),
    "drift": ("Slide, drift", "px"),
    "jitter": ("Slide, jitter", "px"),
}


def cause(code: str) -> tuple[str, str]:
    """The name of a criterion and the unit of its number.

    >>> cause("blur"), cause("lens_heat")
    (('Motion blur', 'px'), ('Lens heat', ''))
    """
    return CAUSES.get(code, (code.replace("_", " ").capitalize(), ""))


def quantity(value: float, unit: str = "") -> str:
    """A measured number for people.

    >>> quantity(1234.5), quantity(9.96, "px"), quantity(0.034), quantity(float("nan"))
    ('1234', '10 px', '0.03', 'none')
    """
    if math.isnan(value):
        return "none"
    if math.isinf(value):
        return "no end" if value > 0 else "-no end"
    shown = f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}" if abs(value) >= 1 else f"{value:.2f}"
    shown = shown.rstrip("0").rstrip(".") if "." in shown else shown
    return f"{shown} {unit}".rstrip()


def from_afar(metres: float, unit: str) -> str:
    """A length no finer than people care for from afar: 5 cm or an inch.

    >>> from_afar(4.5678, "m"), from_afar(4.5678, "ft"), from_afar(float("inf"), "m")
    ('4.55 m', "15'", 'infinity')
    """
    if not math.isfinite(metres):
        return "infinity"
    step = float(FOOT_M) / 12 if unit in ("ft", "in") else 0.05
    return format_length(round(metres / step) * step, unit)


def between(low: float, high: float, unit: str = "") -> str:
    """A range of measured numbers, or the one number it comes to.

    >>> between(5, 5), between(0.5, 12, "px")
    ('5', '0.5 to 12 px')
    """
    first, last = quantity(low), quantity(high)
    return quantity(high, unit) if first == last else f"{first} to {quantity(high, unit)}"


def frame_ranges(frames: Iterable[int]) -> list[tuple[int, int]]:
    """First and last of every run of consecutive frames.

    >>> frame_ranges([1, 2, 3, 7, 9, 10])
    [(1, 3), (7, 7), (9, 10)]
    """
    ranges: list[tuple[int, int]] = []
    for frame in map(int, frames):
        if ranges and ranges[-1][1] == frame - 1:
            ranges[-1] = (ranges[-1][0], frame)
        else:
            ranges.append((frame, frame))
    return ranges


def say_range(first: int, last: int) -> str:
    """One range of frames.

    >>> say_range(31, 88), say_range(4, 4)
    ('31 to 88', '4')
    """
    return str(first) if first == last else f"{first} to {last}"


def say_ranges(frames: Iterable[int], most: int = 4) -> str:
    """Frames in words; where there are more than ``most`` ranges, how many, and the longest.

    >>> say_ranges([1, 2, 3, 7]), say_ranges([1, 3, 5, 6, 9], most=2)
    ('1 to 3, 7', '4 ranges, the longest 5 to 6')
    """
    ranges = frame_ranges(frames)
    if len(ranges) > most:
        return f"{len(ranges)} ranges, the longest {say_range(*max(ranges, key=lambda r: r[1] - r[0]))}"
    return ", ".join(say_range(*r) for r in ranges)


def sentence(text: str) -> str:
    """``text`` with a capital and a full stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def severity(shot: ShotReadiness) -> np.ndarray:
    """Frame rows from the best to the worst: by state, then by the leading reason's distance from its limit."""
    headroom = np.array([_headroom(shot.reasons[row], int(shot.state[row])) for row in range(len(shot.frame))])
    return np.lexsort((-shot.features, -headroom, shot.state))


def _headroom(reasons: Sequence[Reason], state: int) -> float:
    """How many times over the leading limit is met (above 1) or missed (below 1)."""
    if not reasons or not math.isfinite(reasons[0].value):
        return 1.0 if state == FIRM else 0.0
    value, limit = abs(reasons[0].value), abs(reasons[0].limit)
    small, large = min(value, limit), max(value, limit)
    met = small / large if large > 0 else 1.0
    return met if state != FIRM else 1 / met if met > 0 else math.inf


@dataclass(frozen=True, slots=True)
class Headline:
    """What is said of a shot first: which frames, and why."""

    state: int  # the worst that occurs
    verdict: str
    why: str


def headline(shot: ShotReadiness) -> Headline:
    """The worst state of a shot, the frames that are in it, and the reason told most often, at its worst."""
    if not len(shot.frame):
        return Headline(LOST, "No frames.", "")
    state = int(shot.state.max())
    rows = np.flatnonzero(shot.state == state)
    verdict = f"{STATES[state].capitalize()}: {_how_many(shot, rows)}."
    thin = np.flatnonzero(shot.state == THIN)
    if state == LOST and len(thin):
        verdict += f" Thin: {_how_many(shot, thin)}."
    worst = [row for row in severity(shot)[::-1] if shot.state[row] == state and shot.reasons[row]]
    if not worst:
        return Headline(state, verdict, "")
    leading = Counter(shot.reasons[row][0].code for row in worst).most_common(1)[0][0]
    row = int(worst[0]) if state == FIRM else next(int(r) for r in worst if shot.reasons[r][0].code == leading)
    text, frame = shot.reasons[row][0].text, shot.frame[row]
    if state == FIRM:
        return Headline(state, verdict, f"Tightest at frame {frame}: {text}.")
    alike = all(shot.reasons[other][0].text == text for other in rows if shot.reasons[other])
    return Headline(state, verdict, sentence(text if alike else f"{text} (at worst, frame {frame})"))


def _how_many(shot: ShotReadiness, rows: np.ndarray) -> str:
    total = len(shot.frame)
    if len(rows) == total:
        return "every frame" if total > 1 else "its one frame"
    return f"{len(rows)} of {total} frames ({say_ranges(shot.frame[rows])})"


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason over a run of frames."""

    code: str
    limit: float
    state: int  # worst state of its frames
    first: int  # frames
    last: int
    low: float  # smallest and largest number
    high: float
    worst: Reason
    worst_frame: int


def findings(shot: ShotReadiness) -> list[Finding]:
    """Reasons of the frames that are not firm, each merged over consecutive frames with the same limit.

    Lost before thin, longer before shorter.
    """
    held: dict[tuple[str, float], list[tuple[int, Reason]]] = {}
    for row in np.flatnonzero(shot.state != FIRM):
        for reason in shot.reasons[row]:
            held.setdefault((reason.code, reason.limit), []).append((int(row), reason))
    found = []
    for (code, limit), told in held.items():
        by_frame = {int(shot.frame[row]): (row, reason) for row, reason in told}
        for first, last in frame_ranges(by_frame):
            run = [by_frame[frame] for frame in range(first, last + 1)]
            values = np.array([reason.value for _, reason in run])
            known = values[~np.isnan(values)]
            far = np.where(np.isnan(values), np.inf, abs(values - limit))
            worst_row, worst = run[int(far.argmax())]
            low, high = (float(known.min()), float(known.max())) if len(known) else (math.nan, math.nan)
            state = max(int(shot.state[r]) for r, _ in run)
            found.append(Finding(code, limit, state, first, last, low, high, worst, int(shot.frame[worst_row])))
    return sorted(found, key=lambda f: (-f.state, f.first - f.last, f.first, f.code))
