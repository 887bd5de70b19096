"""A judge of whole requests: reads the dictionary that a client sends and says ray by ray whether a body is detected.

It shares nothing with the engine: rotations are scipy's, solids are met wall by wall, bodies slab by slab, a spot is a
ring of twelve rays of its own. Level floors; families of rays and contact mats; leaves that lift, slide or swing.
"""

from math import atan, cos, floor, pi, radians, sin, sqrt, tan
from typing import NamedTuple

import numpy as np
import shapely
from scipy.spatial.transform import Rotation
from shapely import affinity
from shapely.geometry import Polygon

from reference.ray_cast import Solid, free_length, hit_length

EPS_M = 1e-4  # a place this near to a border is a tie
LEAF_STATES = (1.0, 0.75, 0.5, 0.25, 0.0)
SPOT_RAYS = 12
BODIES = {  # shape, width, depth, height; sizes of the catalogue
    "reference_body_upright": ("box", 0.30, 0.20, 0.70),
    "reference_body_lying": ("box", 0.70, 0.30, 0.20),
    "crawling_child": ("box", 0.30, 0.50, 0.40),
    "post_70": ("cylinder", 0.07, 0.07, 0.40),
}


class Prism(NamedTuple):
    """Upright prism; heights in metres."""

    name: str
    ring: np.ndarray
    base_m: float
    top_m: float


class Beams(NamedTuple):
    """Rays of one sensor and how their hits count."""

    origins: np.ndarray
    directions: np.ndarray
    range_m: np.ndarray
    group: np.ndarray
    least: int
    in_one_group: bool = False
    margin_m: float = 0.0
    width_m: float = 0.0
    spread: float = 0.0  # growth of the spot's radius [1]
    blocks: bool = False


def _box(name, x0, x1, y0, y1, z0, z1):
    return Prism(name, np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]), z0, z1)


def fixed_prisms(request):
    """Walls 30 m wide, lintel and obstacles."""
    half, high = request["door"]["opening"]["width_m"] / 2, request["door"]["opening"]["height_m"]
    near, far = request["door"]["wall"]["near_face_y_m"], request["door"]["wall"]["far_face_y_m"]
    walls = [
        _box("left wall", -half - 30, -half, near, far, -3, 20),
        _box("right wall", half, half + 30, near, far, -3, 20),
        _box("lintel", -half, half, near, far, high, 20),
    ]
    site = request.get("site", {}).get("obstacles", [])
    return walls + [Prism(o["name"], np.array(o["ring_m"]), o.get("base_m", 0.0), o["top_m"]) for o in site]


def leaf_prisms(request, state):
    """A coiling lift, sliding leaves of one panel, or swing leaves."""
    motion, (width, high) = request["door"]["motion"], (request["door"]["opening"][k] for k in ("width_m", "height_m"))
    t, leaves = request["door"].get("leaf", {}).get("thickness_m", 0.04) / 2, motion.get("leaves", 1)
    if motion["kind"] == "vertical_lift":
        return [_box("leaf", -width / 2, width / 2, -t, t, state * high, high)] if state < 1 else []
    lefts = (True, False) if leaves == 2 else (motion.get("opens_to", motion.get("hinge")) == "left",)
    part, found = width / leaves, []
    for left in lefts:
        side = -1 if left else 1
        if motion["kind"] == "sliding":
            x0, x1 = sorted((side * (width / 2 - part + state * part), side * (width / 2 + state * part)))
            found.append(_box("leaf", x0, x1, -t, t, 0, high))
            continue
        turn, out = state * radians(motion["angle_deg"]), 1 if motion["opens_towards"] == "far" else -1
        along = np.array([-side * cos(turn), out * sin(turn)])
        across, hinge = np.array([-along[1], along[0]]) * t, np.array([side * width / 2, 0.0])
        ring = [hinge - across, hinge + part * along - across, hinge + part * along + across, hinge + across]
        found.append(Prism("leaf", np.array(ring), 0.0, high))
    return found


def _turn(mount):
    angles = [(180 if mount["side"] == "near" else 0) + mount.get("yaw_deg", 0.0)]
    angles += [mount.get("tilt_deg", 0.0), mount.get("roll_deg", 0.0)]
    return Rotation.from_euler("ZXY", angles, degrees=True)


def _position(place):
    return np.array([place["x_m"], place["y_m"], place["z_m"]], dtype=float)


def _own(in_row, tilt):
    f, t = radians(in_row), radians(tilt)
    return sin(f), cos(f) * sin(t), -cos(f) * cos(t)


def _steps(count, first, spread):
    return [first + spread * i / max(count - 1, 1) for i in range(count)]


def _laser(device):
    last = floor((device["sweep_end_deg"] - device["sweep_start_deg"]) / device["step_deg"] + 1e-9)
    row = [device["sweep_start_deg"] + i * device["step_deg"] for i in range(last + 1)]
    own = [_own(f, t) for t in device["plane_tilts_deg"] for f in row]
    how = {"least": device["least_hits"], "in_one_group": device["hits_within"] == "plane"}
    spread = tan(radians(device["divergence_deg"]) / 2)
    how |= {"margin_m": device["floor_margin_m"], "width_m": device["beam_width_m"], "spread": spread}
    return own, np.repeat(np.arange(len(device["plane_tilts_deg"])), len(row)), how


def _spots(device):
    tilts = _steps(device["rows"], device["first_row_deg"], device["rows_spread_deg"])
    row = _steps(device["columns"], -device["columns_spread_deg"] / 2, device["columns_spread_deg"])
    share = sqrt(device["least_share"])
    how = {
        "least": device["least_hits"],
        "margin_m": device["floor_margin_m"],
        "width_m": share * device["spot_width_m"],
    }
    how["spread"] = tan(atan(share * tan(radians(device["spot_divergence_deg"]) / 2)))
    return [_own(f, t) for t in tilts for f in row], np.repeat(np.arange(len(tilts)), len(row)), how


def _pixels(device):
    sizes = ((device["columns"], device["field_width_deg"]), (device["rows"], device["field_height_deg"]))
    u, v = ([tan(radians(field) / 2) * ((i + 0.5) / n * 2 - 1) for i in range(n)] for n, field in sizes)
    how = {"least": device["least_pixels"], "in_one_group": True, "margin_m": device["least_margin_m"]}
    return [(a, b, -1.0) for b in v for a in u], np.repeat(np.arange(len(v)), len(u)), how


def _segments(device):
    half = np.array([device["segment_width_deg"], device["segment_height_deg"]]) / 2
    own = []
    for tilt in _steps(device["rows"], device["first_row_deg"], device["rows_spread_deg"]):
        for f in _steps(device["columns"], -device["columns_spread_deg"] / 2, device["columns_spread_deg"]):
            corners = [np.array([f, tilt]) + half * c for c in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
            pairs = zip(corners, corners[1:] + corners[:1], strict=True)
            own += [_own(*(a + share * (b - a))) for a, b in pairs for share in (0, 1 / 3, 2 / 3, 1)]
    return own, np.repeat(np.arange(len(own) // 4), 4), {"least": 1, "margin_m": device["floor_margin_m"]}


_HEADS = {
    "laser_scan": _laser,
    "active_infrared": _spots,
    "depth_camera": _pixels,
    "passive_infrared": _segments,
}


def beams_of(sensor):
    """Rays of a sensor by the formulas of its family's page."""
    device, start = sensor["device"], _position(sensor["mount"]["position"])
    if device["family"] in _HEADS:
        own, group, how = _HEADS[device["family"]](device)
        directions = _turn(sensor["mount"]).apply(np.array(own) / np.linalg.norm(own, axis=1)[:, None])
        n = len(directions)
        return Beams(np.tile(start, (n, 1)), directions, np.full(n, device["range_m"]), group, **how)
    end = _position(sensor["counterpart"]["position"])
    count, pitch = (
        (device["beams"], device["pitch_m"]) if "beams" in device else (device["beam_count"], device["beam_pitch_m"])
    )
    lift = np.outer(np.arange(count) * pitch, [0.0, 0.0, 1.0])
    length = float(np.linalg.norm(end - start))
    directions = np.tile((end - start) / length, (count, 1))
    ranges, groups = np.full(count, length), np.arange(count)
    return Beams(start + lift, directions, ranges, groups, 1, width_m=device["beam_width_m"], blocks=True)


def _field(field, side):
    if "ring_m" in field:
        return Polygon(field["ring_m"])
    out = -1 if side == "near" else 1
    y0, y1 = sorted((out * field["out_from_m"], out * field["out_to_m"]))
    return shapely.box(field["x_from_m"], y0, field["x_to_m"], y1)


class Judge:
    """Judges places of one request; `without` names obstacles that it does not know of."""

    def __init__(self, request, without=()):
        self.request = request
        self.fixed = [p for p in fixed_prisms(request) if p.name not in without]
        self.sensors = request["sensors"]
        self._ends, self._on_leaf = {}, {}

    def ends(self, index, state):
        """Rays of a sensor, their free lengths, and those without what stands still."""
        if (index, state) not in self._ends:
            beams = beams_of(self.sensors[index])
            way = (beams.origins, beams.directions, beams.range_m)
            free = free_length(*way, [*self.fixed, *leaf_prisms(self.request, state)])
            self._ends[index, state] = beams, free, free < free_length(*way, self.fixed) - 1e-9
        return self._ends[index, state]

    def _fields(self, index, purpose):
        """Areas and least heights of the fields of a purpose."""
        sensor = self.sensors[index]
        fields = [f for f in sensor["device"].get("fields", []) if f["purpose"] == purpose]
        return [(_field(f, sensor["mount"]["side"]), f.get("filters", {}).get("least_above_m", 0.0)) for f in fields]

    def meets_leaf(self, index):
        """Rays that meet the leaf at some state, inside the fields for protection."""
        if index not in self._on_leaf:
            fields, found = self._fields(index, "protection"), False
            area = shapely.union_all([f for f, _ in fields]).buffer(0.01, join_style="mitre") if fields else None
            for state in LEAF_STATES:
                beams, free, on_leaf = self.ends(index, state)
                ends = beams.origins + free[:, None] * beams.directions
                found = found | (on_leaf & (shapely.intersects_xy(area, *ends[:, :2].T) if fields else True))
            self._on_leaf[index] = found
        return self._on_leaf[index]

    def hits(self, index, body, angle_deg, place, state, purpose="", eps=EPS_M):
        """Mask of the rays that count on a body at a place, its sizes and borders moved out by eps."""
        beams, free, _ = self.ends(index, state)
        shape, w, d, h = BODIES[body]
        solid = Solid(shape, w / 2 + eps, d / 2 + eps, h + eps, radians(angle_deg))
        length = hit_length(solid, beams.origins, beams.directions, free + max(eps, 0.0), place, sink=eps)
        met = np.isfinite(length)
        if beams.blocks:
            met &= np.abs(free - beams.range_m) <= 1e-6
        elif purpose == "protection":
            met &= ~self.meets_leaf(index)
        at = beams.origins + np.where(met, length, 0.0)[:, None] * beams.directions
        if fields := self._fields(index, purpose):
            met &= np.any(
                [shapely.intersects_xy(f.buffer(eps), *at[:, :2].T) & (at[:, 2] >= least - eps) for f, least in fields],
                axis=0,
            )
        met &= beams.blocks | (at[:, 2] >= beams.margin_m - eps)
        return met & self._whole_spot(beams, solid, place, met)

    @staticmethod
    def _whole_spot(beams, solid, place, met):
        """True where every ray of a ring about the beam meets the body as well."""
        o, d = beams.origins[met], beams.directions[met]
        whole, level = met.copy(), np.array([0.0, 0.0, 1.0])
        if not met.any() or (beams.width_m, beams.spread) == (0.0, 0.0):
            return whole
        u = np.cross(d, np.where(np.abs(d[:, 2:]) < 0.9, level, [1.0, 0.0, 0.0]))
        u /= np.linalg.norm(u, axis=1)[:, None]
        v = np.cross(d, u)
        for turn in 2 * pi * np.arange(SPOT_RAYS) / SPOT_RAYS:
            off = cos(turn) * u + sin(turn) * v
            way = d + beams.spread * off
            way /= np.linalg.norm(way, axis=1)[:, None]
            start = o + beams.width_m / 2 * off
            whole[met] &= np.isfinite(hit_length(solid, start, way, np.full(len(o), 1e3), place, sink=EPS_M))
        return whole

    def _on_mat(self, sensor, body, angle_deg, place, eps):
        device, at = sensor["device"], sensor["mount"]["position"]
        w, d = (device[k] - 2 * device["dead_edge_m"] for k in ("width_m", "depth_m"))
        mat = affinity.rotate(shapely.box(-w / 2, -d / 2, w / 2, d / 2), sensor["mount"].get("yaw_deg", 0.0), (0, 0))
        less = device["least_overlap_m"]
        shape, w, d, _ = BODIES[body]
        if min(w, d) / 2 < less:
            return False
        foot = shapely.box(less - w / 2, less - d / 2, w / 2 - less, d / 2 - less)
        foot = (
            affinity.rotate(foot, angle_deg, (0, 0)) if shape == "box" else shapely.Point(0, 0).buffer(w / 2 - less, 64)
        )
        return affinity.translate(foot, *place).distance(affinity.translate(mat, at["x_m"], at["y_m"])) <= eps

    def sees(self, index, body, angle_deg, place, state, purpose="", *, moving=False, eps=EPS_M):
        """True if one sensor detects a body at a place: with eps above 0 in doubt yes, below 0 in doubt no."""
        sensor = self.sensors[index]
        if sensor["device"]["family"] == "pressure_mat":
            return self._on_mat(sensor, body, angle_deg, place, eps)
        if sensor["device"]["family"] == "passive_infrared" and not moving:
            return False
        beams, _, _ = self.ends(index, state)
        hits = self.hits(index, body, angle_deg, place, state, purpose, eps)
        groups = np.bincount(beams.group[hits], minlength=1)
        return int(groups.max() if beams.in_one_group else groups.sum()) >= beams.least

    def stands(self, body, angle_deg, place, state):
        """True if a box is clear of all solids."""
        _, w, d, h = BODIES[body]
        foot = affinity.rotate(shapely.box(-w / 2, -d / 2, w / 2, d / 2), angle_deg, (0, 0))
        foot = affinity.translate(foot, *place)
        solids = [*self.fixed, *leaf_prisms(self.request, state)]
        return not any(p.base_m < h and p.top_m > 0 and foot.intersection(Polygon(p.ring)).area > 1e-9 for p in solids)
