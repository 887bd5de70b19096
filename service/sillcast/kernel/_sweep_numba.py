"""Sweep of fans, compiled; arguments and results of `_sweep_numpy`."""

from math import atan2, ceil, cos, hypot, inf, pi, sin, sqrt

import numba
import numpy as np
import numpy.typing as npt

from sillcast.kernel._numpy import TOUCH_M
from sillcast.kernel._outline_numba import _shares, slab_sums
from sillcast.kernel._pieces_numba import _put
from sillcast.kernel._sweep_numpy import ANGLE_RAD, ARC_M, SAME_M, TIE, Frame, Walls
from sillcast.kernel.frame import FloatArray

__all__ = ["passes", "seen", "slab_sums", "wedges"]

IntArray = npt.NDArray[np.int64]

_compiled = numba.njit(cache=True, nogil=True, error_model="numpy")


def wedges(fan: Frame, scene: Walls) -> tuple[FloatArray, FloatArray]:
    """Far corners (m, 2) of the visible triangles in the fan's own axes, by rising angle. [m]"""
    axes = np.stack([fan.origin, fan.start, fan.side])
    first, last, count = _wedges(axes, fan.sweep_rad, fan.range_m, scene)
    return first[:count], last[:count]


def seen(axes: FloatArray, limits: FloatArray, scene: Walls) -> tuple[FloatArray, IntArray]:
    """Visible triangles (m, 3, 3) of fans in the door frame [m], and the fan of each (m,)."""
    corners, fan = _seen(axes, limits, scene)
    return corners, fan


def passes(corners: FloatArray, height_m: float) -> tuple[FloatArray, FloatArray]:
    """Ends (q, 2) of the lines in which triangles pass a height, seen from above, pieces of a line put together. [m]"""
    first, last = np.empty((2 * len(corners), 2)), np.empty((2 * len(corners), 2))
    count = _joined(first, last, _passes(corners, height_m, first, last))
    return first[:count], last[:count]


# --- what the plane cuts --------------------------------------------------------------------------------------------


@_compiled
def _add(cuts, count, axes, reach, line):  # type: ignore[no-untyped-def]
    """One more line (2 places), in the plane's axes and inside the range circle, if any of it is; lines then."""
    a0, a1, b0, b1 = 0.0, 0.0, 0.0, 0.0
    for c in range(3):
        a, b = line[0, c] - axes[0, c], line[1, c] - axes[0, c]
        a0, a1, b0, b1 = a0 + a * axes[1, c], a1 + a * axes[2, c], b0 + b * axes[1, c], b1 + b * axes[2, c]
    dx, dy = b0 - a0, b1 - a1
    size = hypot(dx, dy)
    if size <= 1e-12:
        return count
    aside = abs(a0 * dy - a1 * dx) / size
    middle, half = -(a0 * dx + a1 * dy) / size**2, sqrt(max(reach**2 - aside**2, 0.0)) / size
    low, high = max(middle - half, 0.0), min(middle + half, 1.0)
    if high <= low or aside <= TOUCH_M:
        return count
    _put(cuts, 2 * count, a0 + low * dx, a1 + low * dy)
    _put(cuts, 2 * count + 1, a0 + high * dx, a1 + high * dy)
    return count + 1


@_compiled
def _place(line, i, x, y, z):  # type: ignore[no-untyped-def]
    line[i, 0], line[i, 1], line[i, 2] = x, y, z


@_compiled
def _wall(axes, normal, edge, base, top, line):  # type: ignore[no-untyped-def]
    """Cut with one wall, if there is one."""
    ex, ey = edge[2] - edge[0], edge[3] - edge[1]
    rest = (edge[0] - axes[0, 0]) * normal[0] + (edge[1] - axes[0, 1]) * normal[1]
    slope = ex * normal[0] + ey * normal[1]
    if abs(normal[2]) <= 1e-12:
        cut = -rest / slope if abs(slope) > 1e-12 else -1.0
        _place(line, 0, edge[0] + cut * ex, edge[1] + cut * ey, base)
        _place(line, 1, edge[0] + cut * ex, edge[1] + cut * ey, top)
        return 0.0 <= cut <= 1.0
    low, high = 0.0, 1.0
    if abs(slope) > 1e-12:
        one = -(rest + normal[2] * (base - axes[0, 2])) / slope
        two = -(rest + normal[2] * (top - axes[0, 2])) / slope
        low, high = min(max(min(one, two), 0.0), 1.0), min(max(one, two, 0.0), 1.0)
    z_low, z_high = axes[0, 2] - (rest + low * slope) / normal[2], axes[0, 2] - (rest + high * slope) / normal[2]
    _place(line, 0, edge[0] + low * ex, edge[1] + low * ey, z_low)
    _place(line, 1, edge[0] + high * ex, edge[1] + high * ey, z_high)
    return high > low and max(z_low, z_high) >= base and min(z_low, z_high) <= top


@_compiled
def _cap(axes, normal, ring, z, found):  # type: ignore[no-untyped-def]
    """Crossings of a ring with the plane at a height, in order along the line; how many."""
    flat = hypot(normal[0], normal[1])
    count = 0
    if flat <= 1e-12:
        return count
    shift = normal[2] * (z - axes[0, 2])
    for i in range(len(ring)):
        ax, ay, bx, by = ring[i, 0], ring[i, 1], ring[i, 2], ring[i, 3]
        side_a = (ax - axes[0, 0]) * normal[0] + (ay - axes[0, 1]) * normal[1] + shift
        side_b = (bx - axes[0, 0]) * normal[0] + (by - axes[0, 1]) * normal[1] + shift
        if (side_a > 0.0) != (side_b > 0.0):
            share = side_a / (side_a - side_b)
            x, y = ax + share * (bx - ax), ay + share * (by - ay)
            along, j = (y * normal[0] - x * normal[1]) / flat, count
            while j > 0 and found[j - 1, 2] > along:
                _place(found, j, found[j - 1, 0], found[j - 1, 1], found[j - 1, 2])
                j -= 1
            _place(found, j, x, y, along)
            count += 1
    return count


@_compiled
def _chord(axes, reach, nx, ny, nz, offset, line):  # type: ignore[no-untyped-def]
    """Chord of the range circle on the plane n . p = offset, if the circle reaches it."""
    s = axes[1, 0] * nx + axes[1, 1] * ny + axes[1, 2] * nz
    w = axes[2, 0] * nx + axes[2, 1] * ny + axes[2, 2] * nz
    rest = offset - (axes[0, 0] * nx + axes[0, 1] * ny + axes[0, 2] * nz)
    size = hypot(s, w)
    if size <= 1e-12 or abs(rest) >= size * reach:
        return False
    fs, fw = s * rest / size**2, w * rest / size**2
    half = sqrt(reach**2 - fs * fs - fw * fw) / size
    for i in range(2):
        sign = 2.0 * i - 1.0
        p, q = fs - sign * half * w, fw + sign * half * s
        for c in range(3):
            line[i, c] = axes[0, c] + p * axes[1, c] + q * axes[2, c]
    return True


@_compiled
def _share(line, a, b):  # type: ignore[no-untyped-def]
    """The part of a line between two shares, in place."""
    for c in range(3):
        start, along = line[0, c], line[1, c] - line[0, c]
        line[0, c], line[1, c] = start + a * along, start + b * along


@_compiled
def _floors(cuts, count, axes, reach, floor):  # type: ignore[no-untyped-def]
    """Cuts with the floor of each side and with the step between them at y = 0; lines then."""
    line = np.empty((2, 3))
    for side in range(2):
        sign = 2.0 * side - 1.0
        if _chord(axes, reach, 0.0, -sign * floor[2 * side + 1], 1.0, floor[2 * side], line):
            y0, y1 = sign * line[0, 1], sign * line[1, 1]
            at = y0 / (y0 - y1) if (y0 >= 0.0) != (y1 >= 0.0) else 0.0
            if y0 >= 0.0 and y1 < 0.0:
                _share(line, 0.0, at)
            elif y1 >= 0.0 and y0 < 0.0:
                _share(line, at, 1.0)
            if y0 >= 0.0 or y1 >= 0.0:
                count = _add(cuts, count, axes, reach, line)
    low, high = min(floor[0], floor[2]), max(floor[0], floor[2])
    if high > low and _chord(axes, reach, 0.0, 1.0, 0.0, 0.0, line) and abs(line[1, 2] - line[0, 2]) > 1e-12:
        one, two = (low - line[0, 2]) / (line[1, 2] - line[0, 2]), (high - line[0, 2]) / (line[1, 2] - line[0, 2])
        one, two = min(max(one, 0.0), 1.0), min(max(two, 0.0), 1.0)
        _share(line, min(one, two), max(one, two))
        count = _add(cuts, count, axes, reach, line)
    return count


@_compiled
def _cuts(axes, reach, scene):  # type: ignore[no-untyped-def]
    """Ends (2 m, 2) of the lines in which the plane cuts walls, caps and floors, in its own axes, and m."""
    ring, normal = scene.ring, np.cross(axes[1], axes[2])
    cuts, line, found = np.empty((2 * (3 + 2 * len(ring)), 2)), np.empty((2, 3)), np.empty((len(ring) + 1, 3))
    count = _floors(cuts, 0, axes, reach, scene.floor)
    for prism in range(len(scene.heights)):
        own, base, top = (
            ring[scene.first[prism] : scene.first[prism + 1]],
            scene.heights[prism, 0],
            scene.heights[prism, 1],
        )
        for i in range(len(own)):
            if _wall(axes, normal, own[i], base, top, line):
                count = _add(cuts, count, axes, reach, line)
        for end in range(2):
            z = scene.heights[prism, end]
            crossings = _cap(axes, normal, own, z, found)
            for i in range(0, crossings - 1, 2):
                _place(line, 0, found[i, 0], found[i, 1], z)
                _place(line, 1, found[i + 1, 0], found[i + 1, 1], z)
                count = _add(cuts, count, axes, reach, line)
    return cuts, count


# --- the sweep ------------------------------------------------------------------------------------------------------


@_compiled
def _crossing(cuts, i, j):  # type: ignore[no-untyped-def]
    """Angle at which two lines cross between their ends; negative if they do not."""
    ax, ay, cx, cy = cuts[2 * i, 0], cuts[2 * i, 1], cuts[2 * j, 0], cuts[2 * j, 1]
    bx, by, dx, dy = cuts[2 * i + 1, 0] - ax, cuts[2 * i + 1, 1] - ay, cuts[2 * j + 1, 0] - cx, cuts[2 * j + 1, 1] - cy
    det = bx * dy - by * dx
    if det == 0.0:
        return -1.0
    t, u = ((cx - ax) * dy - (cy - ay) * dx) / det, ((cx - ax) * by - (cy - ay) * bx) / det
    if 0.0 < t < 1.0 and 0.0 < u < 1.0:
        return atan2(ay + t * by, ax + t * bx) % (2.0 * pi)
    return -1.0


@_compiled
def _events(axes, sweep, cuts, count, faces):  # type: ignore[no-untyped-def]
    """Sorted angles of ends and crossings of lines, along faces at the origin, of the limits. [rad]"""
    pairs = 0
    for i in range(count):
        for j in range(i + 1, count):
            pairs += _crossing(cuts, i, j) >= 0.0
    out = np.empty(2 + 2 * count + pairs + 2 * len(faces))
    out[0], out[1], at = 0.0, sweep, 2
    for i in range(2 * count):
        out[at] = atan2(cuts[i, 1], cuts[i, 0]) % (2.0 * pi)
        at += 1
    for i in range(count if pairs else 0):
        for j in range(i + 1, count):
            angle = _crossing(cuts, i, j)
            if angle >= 0.0:
                out[at] = angle
                at += 1
    for i in range(len(faces)):
        s, w = 0.0, 0.0
        for c in range(3):
            s, w = s - faces[i, c] * axes[2, c], w + faces[i, c] * axes[1, c]
        out[at], out[at + 1] = atan2(w, s) % (2.0 * pi), atan2(-w, -s) % (2.0 * pi)
        at += 2
    return _told_apart(out, sweep)


@_compiled
def _told_apart(angles, sweep):  # type: ignore[no-untyped-def]
    """Sorted angles up to the sweep, of those that are rounding apart the first; in place."""
    angles.sort()
    kept = 0
    for i in range(len(angles)):
        if angles[i] <= sweep and (kept == 0 or angles[i] - angles[kept - 1] > ANGLE_RAD):
            angles[kept] = angles[i]
            kept += 1
    return angles[:kept]


@_compiled
def _nearest(s, w, cuts, count):  # type: ignore[no-untyped-def]
    """The line that a direction meets first, -1 for none."""
    best, index = inf, -1
    for i in range(count):
        ax, ay, bx, by = cuts[2 * i, 0], cuts[2 * i, 1], cuts[2 * i + 1, 0], cuts[2 * i + 1, 1]
        if (s * ay - w * ax) * (s * by - w * bx) > 0.0:
            continue
        det = s * (by - ay) - w * (bx - ax)
        t = (ax * by - ay * bx) / det if det != 0.0 else -1.0
        if 0.0 < t < best:
            best, index = t, i
    return index


@_compiled
def _on(s, w, cuts, index, reach):  # type: ignore[no-untyped-def]
    """Distance in a direction to a line, at most the range."""
    if index < 0:
        return reach
    ax, ay, bx, by = cuts[2 * index, 0], cuts[2 * index, 1], cuts[2 * index + 1, 0], cuts[2 * index + 1, 1]
    return min(abs(ax * by - ay * bx) / max(abs(s * (by - ay) - w * (bx - ax)), 1e-300), reach)


@_compiled
def _is_free(axes, s, w, faces, host):  # type: ignore[no-untyped-def]
    """False where a direction goes into a prism that the origin touches: against all the faces it lies on."""
    for h in range(len(host) - 1):
        into = True
        for i in range(host[h], host[h + 1]):
            out = 0.0
            for c in range(3):
                out += (s * axes[1, c] + w * axes[2, c]) * faces[i, c]
            into = into and out < 0.0
        if into:
            return False
    return True


@_compiled
def _wedges(axes, sweep, reach, scene):  # type: ignore[no-untyped-def]
    cuts, count = _cuts(axes, reach, scene)
    events = _events(axes, sweep, cuts, count, scene.faces)
    chords = max(1, ceil(sweep / sqrt(8.0 * ARC_M / reach)))
    first, last = np.empty((len(events) + chords, 2)), np.empty((len(events) + chords, 2))
    made, before = 0, -2  # no wedge before, or a hidden one
    for i in range(len(events) - 1):
        begin, end = events[i], events[i + 1]
        s, w = cos((begin + end) / 2.0), sin((begin + end) / 2.0)
        index = _nearest(s, w, cuts, count)
        if not _is_free(axes, s, w, scene.faces, scene.host):
            before = -2
            continue
        if index >= 0 and index == before:
            made -= 1
            r = _on(cos(end), sin(end), cuts, index, reach)
            _put(last, made, r * cos(end), r * sin(end))
            made += 1
            continue
        before = index
        chord = sweep / chords if index < 0 else 2.0 * pi
        while begin < end - ANGLE_RAD:
            stop = min(end, chord * (int((begin + ANGLE_RAD) / chord) + 1))
            r = _on(cos(begin), sin(begin), cuts, index, reach)
            _put(first, made, r * cos(begin), r * sin(begin))
            r = _on(cos(stop), sin(stop), cuts, index, reach)
            _put(last, made, r * cos(stop), r * sin(stop))
            made, begin = made + 1, stop
    return first, last, made


@_compiled
def _seen(axes, limits, scene):  # type: ignore[no-untyped-def]
    corners, fan, made = np.empty((0, 3, 3)), np.empty(0, dtype=np.int64), 0
    for i in range(len(axes)):
        first, last, count = _wedges(axes[i], limits[i, 0], limits[i, 1], scene)
        if made + count > len(corners):
            longer, owner = np.empty(((made + count) * (len(axes) - i), 3, 3)), fan
            longer[:made] = corners[:made]
            corners, fan = longer, np.empty(len(longer), dtype=np.int64)
            fan[:made] = owner[:made]
        for m in range(count):
            for c in range(3):
                o, u, v = axes[i, 0, c], axes[i, 1, c], axes[i, 2, c]
                corners[made, 0, c] = o
                corners[made, 1, c] = o + (first[m, 0] * u + first[m, 1] * v)
                corners[made, 2, c] = o + (last[m, 0] * u + last[m, 1] * v)
            fan[made] = i
            made += 1
    return corners[:made], fan[:made]


# --- at a height ----------------------------------------------------------------------------------------------------


@_compiled
def _passes(corners, height, first, last):  # type: ignore[no-untyped-def]
    count = 0
    for m in range(len(corners)):
        shares, z = _shares(corners, m, height, height), corners[m, 0, 2]
        for i in range(3):
            if shares[i + 1] - shares[i] <= ANGLE_RAD:
                continue
            some = True
            for k in range(2):
                at = shares[i + k]
                drop = z - (corners[m, 1, 2] + at * (corners[m, 2, 2] - corners[m, 1, 2]))
                share = (z - height) / drop if abs(drop) > 1e-12 else inf
                some = some and 0.0 <= share <= 1.0 + TIE
                share = min(share, 1.0)
                x, y = corners[m, 0, 0], corners[m, 0, 1]
                fx = corners[m, 1, 0] + at * (corners[m, 2, 0] - corners[m, 1, 0])
                fy = corners[m, 1, 1] + at * (corners[m, 2, 1] - corners[m, 1, 1])
                _put(last if k else first, count, x + share * (fx - x), y + share * (fy - y))
            count += some
    return count


@_compiled
def _joined(first, last, count):  # type: ignore[no-untyped-def]
    """Puts pieces of one straight line that lie end to end together, in place; how many lines are left."""
    kept, x0, y0, ax, ay = 0, 0.0, 0.0, 0.0, 0.0
    for i in range(count):
        x1, y1, dx, dy = last[i, 0], last[i, 1], last[i, 0] - first[i, 0], last[i, 1] - first[i, 1]
        gap = max(abs(first[i, 0] - x0), abs(first[i, 1] - y0))
        if kept == 0 or gap > SAME_M or abs(dx * ay - dy * ax) > SAME_M:
            _put(first, kept, first[i, 0], first[i, 1])
            kept += 1
        _put(last, kept - 1, x1, y1)
        x0, y0, ax, ay = x1, y1, dx, dy
    return kept
