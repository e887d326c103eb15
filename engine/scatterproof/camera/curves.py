"""Keyed values between their keys, as Blender's F-curves run.

All thirteen interpolations and four easings, keys with auto-clamped handles under "continuous acceleration" (what
Blender gives every new curve), constant before the first and after the last key. Blender computes in single precision,
here it is double; the tests compare the two. The easing shapes go back to Robert Penner (*Programming Macromedia
Flash MX*, 2002; cited from memory), Blender's additions to them are told where they stand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from ..problems import require_shape

# What Blender gives a new key.
BACK, AMPLITUDE, PERIOD_FRAMES = 1.70158, 0.8, 4.1
# From 0 to 1 while the share of the way goes from 0 to 1, slow at the start.
SHAPES: Mapping[str, Callable[[np.ndarray], np.ndarray]] = {
    "quad": lambda share: share**2,
    "cubic": lambda share: share**3,
    "quart": lambda share: share**4,
    "quint": lambda share: share**5,
    "sine": lambda share: 1 - np.cos(share * (np.pi / 2)),
    # Blender shifts and stretches the power, so that it starts at exactly nothing.
    "expo": lambda share: (np.exp2(10 * (share - 1)) - 2**-10) / (1 - 2**-10),
    "circ": lambda share: 1 - np.sqrt(np.maximum(0, 1 - share**2)),
    "bounce": lambda share: _bounced(share),
}
# "Auto" eases out of the key where the motion swings about its end, and into it otherwise.
SWINGING = ("back", "bounce", "elastic")


def evaluate(
    frames: np.ndarray,
    key_frame: np.ndarray,
    key_value: np.ndarray,
    interpolation: str | Sequence[str],
    easing: str | Sequence[str] = "auto",
) -> np.ndarray:
    """Values of C channels that share their K keys, at F frames.

    frames : (F,) whole or not
    key_frame : (K,) strictly rising
    key_value : (K, C)
    interpolation, easing : one for all keys or K of them; a key's own rules up to the next key
    returns : (F, C)
    Raises ValueError for no keys, keys out of order, and unknown words.

    >>> evaluate(np.array([1, 3, 9]), np.array([1, 5]), np.array([[0.0], [2.0]]), "linear").ravel().tolist()
    [0.0, 1.0, 2.0]
    """
    frames, x, y = (np.asarray(a, float) for a in (frames, key_frame, key_value))
    keys = len(require_shape("key_frame", x, (None,)))
    require_shape("key_value", y, (keys, None))
    if keys == 0 or np.any(np.diff(x) <= 0):
        raise ValueError(f"key_frame is {x.tolist()}; wanted one key at least, strictly rising")
    kinds = [interpolation] * keys if isinstance(interpolation, str) else list(interpolation)
    eases = [easing] * keys if isinstance(easing, str) else list(easing)
    last = np.maximum(np.searchsorted(x, frames, side="right") - 1, 0)  # the key at or before each frame
    out: np.ndarray = y[last]
    between = (frames > x[last]) & (last < keys - 1)
    for kind, ease in sorted({(kinds[i], eases[i]) for i in last[between]}):
        mine = np.array([(kinds[i], eases[i]) == (kind, ease) for i in range(keys)])
        rows = np.flatnonzero(between & mine[last])
        begin = last[rows]
        duration = (x[begin + 1] - x[begin])[:, None]
        share = (frames[rows] - x[begin])[:, None] / duration
        if kind == "bezier":
            left, right = auto_clamped_handles(x, y)
            near, far = y[begin] + right[begin], y[begin + 1] - left[begin + 1]
            # The handles reach a third of the way, so the cubic's parameter is the share of time.
            rest = 1 - share
            out[rows] = (rest**3 * y[begin] + share**3 * y[begin + 1]) + 3 * rest * share * (rest * near + share * far)
        elif kind == "linear":
            out[rows] += share * (y[begin + 1] - y[begin])
        elif kind != "constant":
            out[rows] += _eased(kind, ease, share, y[begin + 1] - y[begin], duration)
    return out


def _eased(kind: str, easing: str, share: np.ndarray, change: np.ndarray, duration: np.ndarray) -> np.ndarray:
    """What has been added to the first key's value after a share of the way. All (F, 1) or (F, C)."""
    if easing == "auto":
        easing = "out" if kind in SWINGING else "in"
    if easing == "in":
        return _eased_in(kind, share, change, duration)
    out: np.ndarray
    if easing == "out":
        out = change - _eased_in(kind, 1 - share, change, duration)
    elif easing == "in-out":
        early = share < 0.5
        half = _eased_in(kind, np.where(early, 2 * share, 2 - 2 * share), change, duration, BACK * 1.525) / 2
        out = np.where(early, half, change - half)
    else:
        raise ValueError(f"easing is {easing!r}; wanted auto, in, out or in-out")
    return out


def _eased_in(
    kind: str, share: np.ndarray, change: np.ndarray, duration: np.ndarray, overshoot: float = BACK
) -> np.ndarray:
    out: np.ndarray
    if kind == "elastic":
        out = _elastic(share - 1, change, duration)
    elif kind == "back":
        out = change * share**2 * ((overshoot + 1) * share - overshoot)
    elif kind in SHAPES:
        out = change * SHAPES[kind](share)
    else:
        raise ValueError(f"interpolation {kind!r} is unknown")
    return out


def _bounced(share: np.ndarray) -> np.ndarray:
    """One minus four parabolas, each with its foot on a bounce; ``share`` runs backwards from the last."""
    back = 2.75 * (1 - share)
    foot = np.select([back < 1, back < 2, back < 2.5], [0.0, 1.5, 2.25], 2.625)
    height = np.select([back < 1, back < 2, back < 2.5], [0.0, 0.75, 0.9375], 0.984375)
    out: np.ndarray = 1 - height - (back - foot) ** 2
    return out


def _elastic(ahead: np.ndarray, change: np.ndarray, duration: np.ndarray) -> np.ndarray:
    """A growing swing with a period in frames; ``ahead`` runs from -1 to 0.

    A change below the amplitude swings with the amplitude (even a change of nothing does). A larger change would
    swing too far: Blender scales the swing down to the amplitude and blends back within a quarter period of the end.
    """
    large = np.abs(change) > AMPLITUDE
    quarter = PERIOD_FRAMES / 4
    near = np.minimum(1, np.abs(ahead * duration) / quarter)
    scale = 1 + near * (AMPLITUDE / np.where(large, np.abs(change), 1.0) - 1)
    swing = np.where(large, scale * change, AMPLITUDE)
    delay = np.where(large, quarter, PERIOD_FRAMES / (2 * np.pi) * np.arcsin(np.clip(change / AMPLITUDE, -1, 1)))
    out: np.ndarray = swing * np.exp2(10 * ahead) * np.sin((delay - ahead * duration) * (2 * np.pi / PERIOD_FRAMES))
    return out


def auto_clamped_handles(key_frame: np.ndarray, key_value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Blender's auto-clamped handles under continuous acceleration.

    Every handle reaches a third of the way to its neighbour in time. The first key, the last and every extremum have
    level handles. The runs of keys between those have handles that keep the second derivative continuous, none of which
    passes its neighbours' values.

    key_frame : (K,)
    key_value : (K, C)
    returns : two (K, C), how far the value rises from the left handle to the key, and from the key to the right handle
    """
    x, y = np.asarray(key_frame, float), np.asarray(key_value, float)
    left, right = np.zeros_like(y), np.zeros_like(y)
    gap = np.diff(x)
    for channel, value in enumerate(y.T):
        step = np.diff(value)
        free = np.r_[False, np.sign(step[1:]) * np.sign(step[:-1]) > 0, False]
        edges = np.flatnonzero(np.diff(free.astype(int)))
        for level, stop in zip(edges[::2], edges[1::2] + 1, strict=True):  # the two level keys about a run
            run, inner = slice(level, stop), slice(level + 1, stop)
            right[inner, channel] = _smooth_rise(gap[run], step[run])
            left[inner, channel] = right[inner, channel] * gap[run][:-1] / gap[run][1:]
    return left, right


def _smooth_rise(gap: np.ndarray, step: np.ndarray) -> np.ndarray:
    """(M,) rise to the right handle of M keys between two level ones, all M + 1 steps going the same way.

    Equal second derivatives on both sides of each key are a tridiagonal system. A handle that would go beyond a
    neighbour's value or turn back is held at that limit, and let go again (twice at most) where it pulls inwards.
    """
    ratio = gap[1:] / gap[:-1]
    low, high = np.abs(step[:-1]), np.abs(step[1:])
    top = np.minimum(high, low * ratio)
    lower, diagonal, target = ratio**2, 2 * ratio + 2, low * ratio**2 + high
    upper = np.r_[1 / ratio[1:], 0.0]
    held, releases = np.zeros(len(top), bool), np.zeros(len(top), int)
    limit = np.zeros(len(top))
    while True:
        bands = np.where(held, [[0.0], [1.0], [0.0]], [lower, diagonal, upper])
        rise = _solve_tridiagonal(bands, np.where(held, limit, target))
        above, below = rise > top, rise < 0
        if above.any() or below.any():
            # Those that would turn back often recover by themselves once the others are held.
            caught = above if above.any() else below
            held |= caught
            limit = np.where(caught, np.clip(rise, 0, top), limit)
            continue
        pull = target - lower * np.r_[0, rise[:-1]] - diagonal * rise - upper * np.r_[rise[1:], 0]
        freed = held & (releases < 2) & (((pull > 0) & (rise < top)) | ((pull < 0) & (rise > 0)))
        if not freed.any():
            rise *= np.sign(step[0])
            return rise
        held &= ~freed
        releases += freed


def _solve_tridiagonal(bands: np.ndarray, target: np.ndarray) -> np.ndarray:
    """(M,) by Thomas' elimination; the systems here need no pivoting.

    bands : (3, M) below, on and above the diagonal; the first and the last number count for nothing
    """
    below, main, above = bands.tolist()
    out = target.tolist()
    for i in range(1, len(out)):
        factor = below[i] / main[i - 1]
        main[i] -= factor * above[i - 1]
        out[i] -= factor * out[i - 1]
    out[-1] /= main[-1]
    for i in range(len(out) - 2, -1, -1):
        out[i] = (out[i] - above[i] * out[i + 1]) / main[i]
    return np.array(out)
