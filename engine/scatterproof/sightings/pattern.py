"""What a tracker sees around a point: the structure tensor of flat outlines, blurred, in a square window.

A pattern is 1 inside one or more closed outlines and 0 outside. Blurred by a Gaussian of covariance S its gradient is
an integral over the outline's edges, so the structure tensor ``T = integral over the window of grad grad^T`` is a
double one (Gauss's theorem). With e_j the vector of edge j, and n_j that turned by a right angle,

    T = 1 / (4 pi sqrt det S)  sum_jk J_jk n_j n_k^T,
    J_jk = integral over 0 < s, t < 1 of exp(-|a_j(s) - a_k(t)|^2 / 2) W(s, t),

where a are points of the edges in coordinates whitened by 2 S, and W is the window seen by their midpoint, itself
blurred by S / 2 (the product of two Gaussians is a Gaussian about their midpoint). :func:`exact_tensor` sums the
squared gradient over the window instead: the same thing without approximation. :func:`fast_tensor` takes J_jk for

* an edge with itself: closed form, the length inside the window averaged over four shifts of the window;
* two edges that meet: ``integral over 0 < t < 1 of h(|p - t q|^2) + h(|q - t p|^2)``, ``h(x) = (1 - exp(-x / 2)) / x``,
  the radial integral over the two triangles of the parallelogram p, q: exact but for the window;
* any other two: each edge replaced by the Gaussian of its own first two moments;

and the window at the mean midpoint of each two. Where the window holds one corner of long edges and nothing else, the
second is ``angle / |p x q|`` and everything a closed form. Whitened, one unit is sqrt(2) sigmas of the blur.

Arrays are laid out coordinates first here: points (2, K, R) for R patterns of K points, symmetric tensors (3, R) as xx,
xy, yy. Point k is followed along its outline by point ``following[k]``.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

F32 = np.float32
LINES = F32(np.sqrt(2 * np.pi))
STEEP = F32(0.85)  # tanh(0.85 x) is the error function of a normal law to 0.02
WIDER = F32(1.5)  # edges count up to this many sigmas of the blur beyond the window
FAR = F32(3.5)  # two edges whose ends stay farther apart than this, whitened, do not matter to each other
CLEAR = F32(2.0)  # a lone corner's edges are this far apart, whitened, where they leave the window
SHARP = F32(0.25)  # and its blur is below this part of the window
BLURRED = 0.4  # edges are halved where the blur is above this part of half the window
FLAT = 1e-5  # determinant over squared trace below which a tensor counts as that of a straight edge
ROWS, EDGES = 8192, 24576  # at a time: what a processor core keeps at hand
TWELFTH, TINY, SMALL = F32(1 / 12), F32(1e-6), F32(1e-4)
NODES = [(F32((x + 1) / 2), F32(w / 2)) for x, w in zip(*np.polynomial.legendre.leggauss(3), strict=True)]


def blur_tensor(defocus_px: np.ndarray, motion_px: np.ndarray, pixel_px: float) -> np.ndarray:
    """Covariance (3, ...) of the blur, px^2: pixel and derivative kernel, defocus disc and straight motion (2, ...).

    Second moments: a disc of diameter D has D^2 / 16 across, a line m has m m^T / 12.
    """
    mx, my = motion_px
    round_px2 = pixel_px**2 + defocus_px**2 / 16
    return np.stack([round_px2 + mx * mx / 12, mx * my / 12, round_px2 + my * my / 12])


def ring(count: int) -> np.ndarray:
    """What follows each of ``count`` points along one closed outline."""
    return np.roll(np.arange(count), -1)


def erf(x: np.ndarray) -> np.ndarray:
    """The error function to 1.5e-7 (Abramowitz & Stegun, Handbook of Mathematical Functions, 1964, 7.1.26).

    >>> erf(np.array([-0.5, 0.0, 1.0])).round(6)
    array([-0.5205  ,  0.      ,  0.842701])
    """
    a = np.abs(x)
    t = 1 / (1 + F32(0.3275911) * a)
    tail = F32(1.421413741) + t * (F32(-1.453152027) + t * F32(1.061405429))
    tail = t * (F32(0.254829592) + t * (F32(-0.284496736) + t * tail)) * np.exp(-a * a)
    result: np.ndarray = np.copysign(1 - tail, x)
    return result


def exact_tensor(
    points: np.ndarray,
    blur: np.ndarray,
    half: float,
    following: np.ndarray | None = None,
    level: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Structure tensor (3, R) and its first moments (3, 2, R) about (0, 0), by Gauss-Legendre over the window.

    points : (2, K, R) px from the window's centre; blur (3, R) px^2; half : half the window's side, px
    level : (K, R) step across the edge that starts at each point; absent: 1
    """
    k, r = points.shape[1:]
    following = ring(k) if following is None else following
    node, weight = np.polynomial.legendre.leggauss(int(np.ceil(6.4 * half)) + 8)
    grid = np.stack(np.meshgrid(node * half, node * half)).reshape(2, -1)
    area = np.outer(weight, weight).ravel() * half**2
    tensor, moment = np.empty((3, r)), np.empty((3, 2, r))
    for i in range(r):
        gradient = np.zeros_like(grid)
        sxx, sxy, syy = blur[:, i].astype(float)
        det = sxx * syy - sxy * sxy
        for start, end in zip(range(k), following, strict=True):
            a, e = points[:, start, i].astype(float), (points[:, end, i] - points[:, start, i]).astype(float)
            if not e.any():
                continue
            # Along the edge e t and away from it: exp(-(q (t - t0)^2 + away^2 / (n S n)) / 2).
            q = (syy * e[0] ** 2 - 2 * sxy * e[0] * e[1] + sxx * e[1] ** 2) / det
            d = grid - a[:, None]
            t0 = ((syy * d[0] - sxy * d[1]) * e[0] + (sxx * d[1] - sxy * d[0]) * e[1]) / (det * q)
            away = d[0] * e[1] - d[1] * e[0]
            root = np.sqrt(q / 2)
            mass = np.exp(-(away**2) / (2 * q * det)) * (erf((1 - t0) * root) + erf(t0 * root))
            mass *= np.sqrt(np.pi) / (4 * np.pi * np.sqrt(det) * root) * (1 if level is None else level[start, i])
            gradient += mass * np.array([[e[1]], [-e[0]]])
        gx, gy = gradient
        squares = np.stack([gx * gx, gx * gy, gy * gy]) * area
        tensor[:, i], moment[:, :, i] = squares.sum(axis=1), squares @ grid.T
    return tensor, moment


def fast_tensor(
    points: np.ndarray,
    blur: np.ndarray,
    half: float,
    following: np.ndarray | None = None,
    level: np.ndarray | None = None,
    moments: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """As :func:`exact_tensor`, but quick; the moments are left 0 unless asked for.

    ``following`` absent: one closed outline whose first point lies in the window's centre, as a tracked corner does;
    its last point may come several times, to fill up K.
    """
    points, blur = np.asarray(points, F32), np.asarray(blur, F32)
    k, r = points.shape[1:]
    total = np.zeros((9, r))  # tensor, then its moments
    soft = np.maximum(blur[0], blur[2]) > (BLURRED * half) ** 2
    if following is not None or level is not None or k < 3:
        following, start = ring(k) if following is None else following, points
        edge, groups = points[:, following] - points, [(np.flatnonzero(soft == z), z) for z in (False, True)]
        for rows, halve in _batches(groups, k):
            steps = None if level is None else level.take(rows, 1)
            edges = start.take(rows, 2), edge.take(rows, 2), following, steps
            total[:, rows] = _crowded(*edges, blur.take(rows, 1), half, bool(halve), moments)
        return total[:3], total[3:].reshape(3, 2, r)
    parts = [np.s_[i : i + ROWS] for i in range(0, r, ROWS)]
    found = [_lone(points[:, :, part], blur[:, part], half, total[:, part], moments) for part in parts]
    near = np.concatenate([*found, np.empty((k, 0), bool)], axis=1)
    # The others, sorted by how many edges come near the window; only those are looked at.
    count, near = np.count_nonzero(near, axis=0), near.T
    flat = points.reshape(2, -1)
    for n in range(2, k + 1):
        groups = [(np.flatnonzero((count == n) & (soft == z)), z) for z in (False, True)]
        for rows, halve in _batches(groups, n):
            which = (np.flatnonzero(near[rows]).reshape(-1, n) - np.arange(len(rows))[:, None] * k).T
            start = flat.take(which * r + rows, 1)
            edge = flat.take((which + 1) % k * r + rows, 1) - start
            total[:, rows] = _crowded(start, edge, ring(n), None, blur.take(rows, 1), half, halve, moments)
    return total[:3], total[3:].reshape(3, 2, r)


def _batches(groups: list[tuple[np.ndarray, bool]], edges: int) -> Iterator[tuple[np.ndarray, bool]]:
    for rows, halve in groups:
        step = max(1, EDGES // edges // (1 + halve))
        yield from ((rows[i : i + step], halve) for i in range(0, len(rows), step))


def _lone(xy: np.ndarray, s: np.ndarray, half: float, out: np.ndarray, moments: bool) -> np.ndarray:
    """Adds to out (9, R) the corners in closed form; (K, R) bool: the edges near the window of all the others."""
    sxx, sxy, syy = s
    wide = F32(half) + WIDER * np.sqrt(s[::2])[:, None]
    over, under = xy > wide, xy < -wide
    far = (over | under).any(axis=0)
    # An edge misses the window for sure where both its ends lie beyond the same side; one without length is none.
    after = ring(xy.shape[1])
    near: np.ndarray = ~((over & over[:, after]) | (under & under[:, after])).any(axis=0)
    near &= (xy != xy[:, after]).any(axis=0)
    a, b = xy[:, 1], xy[:, -1]
    scale = F32(0.5) / (sxx * syy - sxy * sxy)
    ia, ja = syy * a[0] - sxy * a[1], sxx * a[1] - sxy * a[0]
    aa = (ia * a[0] + ja * a[1]) * scale + TINY  # whitened: a^T (2 S)^-1 a
    bb = (syy * b[0] * b[0] - 2 * sxy * b[0] * b[1] + sxx * b[1] * b[1]) * scale + TINY
    ab = (ia * b[0] + ja * b[1]) * scale
    cross = np.abs(a[0] * b[1] - a[1] * b[0]) * np.sqrt(F32(0.5) * scale) + TINY
    reach_a, reach_b = (F32(half) / (np.maximum(np.abs(v[0]), np.abs(v[1])) + TINY) for v in (a, b))
    apart2 = np.minimum(reach_a * reach_a * aa, reach_b * reach_b * bb)
    apart2 *= 1 - np.square(np.maximum(ab, 0)) / (aa * bb)
    closed = ~near[1:-1].any(axis=0) & far[1] & far[-1]
    closed &= (apart2 > CLEAR**2) & (np.maximum(sxx, syy) < (2 * SHARP * half) ** 2)
    size = closed * np.sqrt(scale) * F32(2**0.5 / (4 * np.pi))
    for v, vv, reach in ((a, aa, reach_a), (b, bb, reach_b)):
        line = size * LINES * reach / np.sqrt(vv)
        _add(out, line - size / vv, v, v)
        if moments:
            _add(out, line, v, v, F32(0.5) * reach * v, only_moments=True)
    _add(out, F32(-2) * size * np.arctan2(cross, -ab) / cross, a, b)
    near &= ~closed
    return near


def _crowded(
    start: np.ndarray,
    edge: np.ndarray,
    following: np.ndarray,
    level: np.ndarray | None,
    s: np.ndarray,
    half: float,
    halve: bool,
    moments: bool,
) -> np.ndarray:
    """(9, R) of K edges each, given by start and vector (2, K, R), by pairs of them.

    Halved first where the blur is no longer small beside the window: an edge's first two moments then tell too little.
    """
    h, (sxx, sxy, syy) = F32(half), s
    wide = (h + WIDER * np.sqrt(s[::2]))[:, None]
    if halve:
        start, edge, following, level = _halves(start, edge, following, level, wide)
    k, r = edge.shape[1:]
    l11 = np.sqrt(2 * sxx)  # 2 S = L L^T, L = [l11 0; l21 l22]
    l21 = 2 * sxy / l11
    l22 = np.sqrt(np.maximum(2 * syy - l21 * l21, TINY))
    soft2, cross = F32(0.5) * s[::2], F32(0.5) * sxy  # the window's own blur is S / 2
    centre, per = _crossing(start, edge)
    span = np.abs(per)
    lo, hi = _part(centre, span * wide)
    # The blurred window is the mean over shifts of it: four of them, at sqrt(2) sigma along L's columns.
    span *= h
    low, high = centre - span, centre + span
    inside, along = np.zeros_like(lo), np.zeros((2, *lo.shape), F32)
    none = np.zeros_like(l22)
    for dx, dy in F32(0.5**0.5) * np.array([(l11, l21), (-l11, -l21), (none, l22), (none, -l22)]):
        x, y = dx * per[0], dy * per[1]
        begin, end = np.maximum(low[0] + x, low[1] + y), np.minimum(high[0] + x, high[1] + y)
        begin, end = np.maximum(begin, 0, out=begin), np.minimum(end, 1, out=end)
        np.maximum(begin, end, out=end)
        if moments:
            middle_t = F32(0.5) * (begin + end)
            along += (end - begin) * (start + middle_t * edge - np.stack([dx, dy])[:, None])
        end -= begin
        inside += end
    # Of each edge's part near the window: whitened vector and middle, vector and middle in px, vector times level.
    table = np.empty((10, k, r), F32)
    p, pm, e, m, flux = table[:2], table[2:4], table[4:6], table[6:8], table[8:]
    np.multiply(hi - lo, edge, out=e)
    np.multiply(F32(0.5) * (hi + lo), edge, out=m)
    m += start
    for plain, white in ((e, p), (m, pm)):
        np.divide(plain[0], l11, out=white[0])
        np.divide(plain[1] - l21 * white[0], l22, out=white[1])
    np.multiply(e, 1 if level is None else level, out=flux)
    p2 = p[0] * p[0] + p[1] * p[1]
    length = np.sqrt(p2) + TINY

    sums = 9 if moments else 3
    out = np.zeros((sums, k, r), F32)
    loss, stop, soft = _h(p2), start + edge, soft2[:, None]
    opens, ends = _window(start, h, soft), _window(stop, h, soft)
    line = LINES * erf(F32(0.5**0.5) * length) / length * (F32(0.25) * inside / (hi - lo + TINY))
    _add(out, line - (opens + ends) * loss, flux, flux)
    if moments:
        _add(out, line, flux, flux, along / (inside + TINY), only_moments=True)
        _add(out, -opens * loss, flux, flux, _mean(start, h, soft, cross), only_moments=True)
        _add(out, -ends * loss, flux, flux, _mean(stop, h, soft, cross), only_moments=True)
    total = np.zeros((9, r))
    total[:sums] = out.sum(axis=1)
    before = np.s_[0 if k > 2 else 1 :]  # two edges of an outline meet once: before the corner and after it
    after = following[before]
    one, two = table[:, before], table[:, after]
    far, seen, middle = _pair(one, two, h, soft, cross, moments)
    p2, q2, pq = p2[before], p2[after], one[0] * two[0] + one[1] * two[1]
    meet = np.zeros_like(far)
    for t, weight in NODES:
        meet += weight * (_h(p2 + 2 * t * pq + t * t * q2) + _h(q2 + 2 * t * pq + t * t * p2))
    joined = (hi[before] >= 1) & (lo[after] <= 0)
    out = np.zeros((sums, *far.shape), F32)
    _add(out, 2 * seen * np.where(joined, meet, far), one[8:], two[8:], middle)
    total[:sums] += out.sum(axis=1)

    first, second = np.triu_indices(k, 1)
    apart = (following[first] != second) & (following[second] != first)
    first, second = first[apart], second[apart]
    gap = pm[:, first] - pm[:, second]
    reach = F32(0.5) * (length[first] + length[second]) + FAR
    near = np.flatnonzero((gap[0] * gap[0] + gap[1] * gap[1] < reach * reach) & (hi > lo)[first] & (hi > lo)[second])
    if len(near):
        pair, row = np.divmod(near, r)
        flat = table.reshape(10, -1)
        one, two = flat.take(first[pair] * r + row, 1), flat.take(second[pair] * r + row, 1)
        far, seen, middle = _pair(one, two, h, soft2.take(row, 1), cross.take(row), moments)
        some = np.zeros((sums, len(row)), F32)
        _add(some, 2 * seen * far, one[8:], two[8:], middle)
        for i in range(sums):
            total[i] += np.bincount(row, some[i], r)
    total /= 4 * np.pi * np.sqrt(np.maximum(sxx * syy - sxy * sxy, TINY))
    return total


def _pair(
    one: np.ndarray, two: np.ndarray, h: np.float32, soft2: np.ndarray, cross: np.ndarray, moments: bool
) -> tuple[np.ndarray, np.ndarray, np.ndarray | None]:
    """J of the Gaussians of two edges, how much of their mean midpoint the window sees, and where in it that is."""
    p, pm, e, m = one[:2], one[2:4], one[4:6], one[6:8]
    q, qm, f, n = two[:2], two[2:4], two[4:6], two[6:8]
    d = pm - qm
    a = 1 + TWELFTH * (p[0] * p[0] + q[0] * q[0])
    b = TWELFTH * (p[0] * p[1] + q[0] * q[1])
    c = 1 + TWELFTH * (p[1] * p[1] + q[1] * q[1])
    over = 1 / (a * c - b * b)
    u, v = (c * d[0] - b * d[1]) * over, (a * d[1] - b * d[0]) * over
    far = np.exp(F32(-0.5) * (u * d[0] + v * d[1])) * np.sqrt(over)
    # The midpoint moves towards where the two come nearest.
    along, back = p[0] * u + p[1] * v, q[0] * u + q[1] * v
    middle = F32(0.5) * (m + n - TWELFTH * (along * e - back * f))
    spread2 = (e * e + f * f) * F32(1 / 48) + soft2
    return far, _window(middle, h, spread2), _mean(middle, h, spread2, cross) if moments else None


def _halves(
    start: np.ndarray, edge: np.ndarray, following: np.ndarray, level: np.ndarray | None, wide: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray | None]:
    """Every edge as two, cut in the middle of its part within the widened window."""
    centre, per = _crossing(start, edge)
    lo, hi = _part(centre, np.abs(per) * wide)
    first = F32(0.5) * (lo + hi) * edge
    k, r = lo.shape
    starts = np.stack([start, start + first], axis=2).reshape(2, 2 * k, r)
    edges = np.stack([first, edge - first], axis=2).reshape(2, 2 * k, r)
    after = np.stack([2 * np.arange(k) + 1, 2 * following], axis=1).ravel()
    return starts, edges, after, None if level is None else np.repeat(level, 2, axis=0)


def _crossing(start: np.ndarray, edge: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where along an edge each coordinate is 0, and how far along it changes by 1 px."""
    per = 1 / np.copysign(np.maximum(np.abs(edge), TINY), edge)
    return -start * per, per


def _part(centre: np.ndarray, span: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    low, high = centre - span, centre + span
    lo = np.maximum(np.maximum(low[0], low[1]), 0)
    return lo, np.maximum(np.minimum(np.minimum(high[0], high[1]), 1), lo)


def _window(at: np.ndarray, h: np.float32, soft2: np.ndarray) -> np.ndarray:
    """How much of a point (2, ...) a square window of half side h sees that is blurred by variances soft2."""
    steep = STEEP / np.sqrt(soft2)
    seen = np.tanh((h - at) * steep) + np.tanh((h + at) * steep)
    out: np.ndarray = F32(0.25) * seen[0] * seen[1]
    return out


def _mean(at: np.ndarray, h: np.float32, soft2: np.ndarray, cross: np.ndarray) -> np.ndarray:
    """Where what the window sees of a blurred point lies on average: by the gradient of the window's logarithm."""
    steep = STEEP / np.sqrt(soft2)
    low, high = np.tanh((h + at) * steep), np.tanh((h - at) * steep)
    pull = steep * (high * high - low * low) / (high + low + TINY)
    mean: np.ndarray = at + soft2 * pull + cross * pull[::-1]
    return mean


def _h(x: np.ndarray) -> np.ndarray:
    x = x + SMALL
    out: np.ndarray = (1 - np.exp(F32(-0.5) * x)) / x
    return out


def _add(
    out: np.ndarray,
    weight: np.ndarray,
    e: np.ndarray,
    f: np.ndarray,
    middle: np.ndarray | None = None,
    only_moments: bool = False,
) -> None:
    """Adds weight n n^T of two edges' normals, and its moment about a middle."""
    for i, product in enumerate((e[1] * f[1], F32(-0.5) * (e[0] * f[1] + e[1] * f[0]), e[0] * f[0])):
        product *= weight
        if not only_moments:
            out[i] += product
        if middle is not None:
            out[3 + 2 * i] += product * middle[0]
            out[4 + 2 * i] += product * middle[1]
