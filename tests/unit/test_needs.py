"""Required zones and their derivations on a lift, a sliding, a swing and a folding door."""

from math import cos, hypot, pi, radians, tan

import msgspec
import pytest

from sillcast import needs
from sillcast.contract import (
    Door,
    Floor,
    FloorSide,
    Folding,
    Lane,
    Leaf,
    Neighbour,
    Obstacle,
    Opening,
    Override,
    Phase,
    Rules,
    SeparationChoice,
    Site,
    Sliding,
    Swing,
    Traveller,
    VerticalLift,
    Wall,
)
from sillcast.errors import UncomputableError
from sillcast.motion import leaf_panels

UP = Phase(speed_m_per_s=1.5, acceleration_m_per_s2=2.0, deceleration_m_per_s2=2.0)
DOWN = Phase(speed_m_per_s=0.6)
LIFT = Door(
    opening=Opening(width_m=4.0, height_m=4.5),
    motion=VerticalLift(opening=UP, closing=DOWN, control_delay_s=0.1, stopping_time_s=0.25),
)
TRUCK = Traveller(name="fork truck", speed_m_per_s=2.0, width_m=1.3, front_overhang_m=1.1, clear_height_m=2.3)
PERSON = Traveller(name="person", speed_m_per_s=1.2, width_m=0.6, clear_height_m=2.0)
SLOW = Phase(speed_m_per_s=0.5)
SLIDING = Door(opening=Opening(width_m=2.0, height_m=2.2), motion=Sliding(opening=SLOW, closing=SLOW, leaves=2))
SWING = Door(opening=Opening(width_m=2.0, height_m=2.2), motion=Swing(opening=SLOW, closing=SLOW, leaves=2))
FOLDING = Door(opening=Opening(width_m=2.0, height_m=2.2), motion=Folding(opening=SLOW, closing=SLOW, panels=4))


def required(door=LIFT, traffic=(TRUCK,), rules=None, site=None, responses=None):
    rules, site = rules or Rules(), site or Site()
    return needs.required(door, site, traffic, rules, needs.catalogue(), responses or {})


def zone(found, name):
    return next(z for z in found.zones if z.id == name)


def derived(found, name):
    return next(d for d in found.derivations if d.id == name)


def codes(found):
    return [f.code for f in found.findings]


def test_activation_distance_by_hand() -> None:
    # 2.0 m/s x (0.2 + 0.1 + 0.75 + 1.7375/1.5) s + 1.1 m + 0.2 m
    d = derived(required(), "activation:near:fork truck/distance")
    assert d.result == pytest.approx(2.0 * (0.2 + 0.1 + 0.75 + 1.7375 / 1.5) + 1.3, abs=1e-12)
    assert "5.72 m because fork truck comes at 2.00 m/s; at 1.50 m/s it would be 4.61 m." in d.change
    assert [i.origin for i in d.inputs] == [
        "/traffic/0/speed_m_per_s",
        "/rules/assumed_response_s",
        "/door/motion/control_delay_s",
        "activation:near:fork truck/time_to_clear",
        "/traffic/0/front_overhang_m",
        "industrial_door EN 12453 family: activation_margin_m",
    ]


def test_assumed_response_is_said_and_a_known_one_taken() -> None:
    known = required(responses={("activation", "near"): (0.4, "laser_scan /sensors/0")})
    near, far = (derived(known, f"activation:{s}:fork truck/distance") for s in ("near", "far"))
    assert near.result - far.result == pytest.approx(2.0 * 0.2, abs=1e-12)
    assert near.inputs[1].origin == "laser_scan /sensors/0"
    assert "assumed" in far.inputs[1].name


def test_activation_zone_of_a_straight_course_is_a_rectangle() -> None:
    found = required()
    far = derived(found, "activation:near:fork truck/distance").result
    assert zone(found, "activation:near:fork truck").region.bounds == pytest.approx((-1.85, -far, 1.85, -0.12))
    assert zone(found, "activation:far:fork truck").region.bounds == pytest.approx((-1.85, 0.12, 1.85, far))


@pytest.mark.parametrize("side", ["near", "far"])
def test_slanted_course_gives_a_slanted_zone_of_the_same_area(side) -> None:
    slanted = msgspec.structs.replace(PERSON, approach_deg=30.0)
    straight, askew = (zone(required(traffic=(t,)), f"activation:{side}:person").region for t in (PERSON, slanted))
    assert askew.area == pytest.approx(straight.area, rel=1e-12)
    out = 2.0
    # Course turned counter-clockwise: on the near side one comes from the right, on the far side from the left.
    lean = out * tan(radians(30.0)) * (1.0 if side == "near" else -1.0)
    y = -out if side == "near" else out
    assert askew.holds(lean + 1.84, y)
    assert not askew.holds(lean + 1.86, y)
    assert askew.holds(lean - 1.84, y)
    assert not askew.holds(lean - 1.86, y)


@pytest.mark.parametrize("side", ["near", "far"])
def test_velocity_leads_along_the_slanted_zone_to_the_door(side) -> None:
    slanted = msgspec.structs.replace(PERSON, approach_deg=30.0)
    found = zone(required(traffic=(slanted,)), f"activation:{side}:person")
    ((vx, vy),) = found.velocities_m_per_s
    assert hypot(vx, vy) == pytest.approx(1.2)
    assert vy > 0.0 if side == "near" else vy < 0.0
    # One second back from a place on the zone's left edge is another one on it.
    out = -0.13 if side == "near" else 0.13
    edge = -1.85 - out * tan(radians(30.0))
    assert found.region.holds(edge + 0.001 - vx, out - vy)
    assert not found.region.holds(edge - 0.001 - vx, out - vy)


def test_slanted_traveller_that_fits_straight_needs_no_more_than_the_opening() -> None:
    wide = msgspec.structs.replace(PERSON, width_m=1.9, approach_deg=30.0)  # 2.19 m askew in an opening of 2 m
    found = required(door=SLIDING, traffic=(wide,))
    inputs = derived(found, "activation:near:person/time_to_clear").inputs
    assert [i.value for i in inputs if i.name == "clear_width"] == [2.0]
    assert "core.does_not_fit" not in codes(found)


def test_set_may_let_the_zone_begin_farther_out() -> None:
    override = Override(name="activation_inner_m", value=0.5, reason="test")
    found = required(rules=Rules(set="pedestrian_door_us", overrides=(override,)), traffic=(PERSON,))
    # The body's nearer side, 0.20 m deep bodies, is 0.5 m from the leaf's face, which is at 0.02 m.
    assert derived(found, "activation:near:person/inner_edge").result == pytest.approx(0.02 + 0.5 - 0.1)


def test_slanted_vehicle_needs_more_clear_width() -> None:
    straight = required(door=SLIDING, traffic=(PERSON,))
    askew = required(door=SLIDING, traffic=(msgspec.structs.replace(PERSON, approach_deg=30.0),))
    width = [i.value for i in derived(askew, "activation:near:person/time_to_clear").inputs if i.name == "clear_width"]
    assert width == [pytest.approx(0.6 / cos(radians(30.0)))]
    name = "activation:near:person/time_to_clear"
    assert derived(askew, name).result > derived(straight, name).result


def test_only_the_sides_that_a_traveller_comes_from() -> None:
    found = required(traffic=(msgspec.structs.replace(TRUCK, from_sides=("far",)),))
    assert [z.id for z in found.zones if z.kind == "activation"] == ["activation:far:fork truck"]


def test_traveller_that_does_not_fit_is_critical_and_still_has_its_zone() -> None:
    found = required(traffic=(msgspec.structs.replace(TRUCK, clear_height_m=4.6),))
    assert [f.severity for f in found.findings if f.code == "core.does_not_fit"] == ["critical", "critical"]
    # Whole opening: 4.5/1.5 + 1.5/2 (two half ramps) s.
    assert derived(found, "activation:near:fork truck/time_to_clear").result == pytest.approx(3.75)
    assert "core.does_not_fit" not in codes(required())


def test_partial_opening_may_be_too_low() -> None:
    motion = msgspec.structs.replace(LIFT.motion, partial_opening=0.5)
    found = required(door=msgspec.structs.replace(LIFT, motion=motion))
    assert codes(found).count("core.does_not_fit") == 2  # 2.3 m under 2.25 m
    told = next(f for f in found.findings if f.code == "core.does_not_fit")
    assert told.message.endswith("The zone is laid out for the door as far as it opens.")
    assert "core.does_not_fit" not in codes(
        required(door=msgspec.structs.replace(LIFT, motion=motion), traffic=(PERSON,))
    )


def test_lift_strip_is_tiled_without_overlap() -> None:
    found = required()
    near, line, far = (
        zone(found, f"protection:{n}").region for n in ("near:near_strip", "near:leaf_line", "far:far_strip")
    )
    whole = near | line | far
    snapped = 1e-8 * whole.shape.length  # the clipping library has corners on a grid of 1e-8 m
    assert whole.area == pytest.approx(near.area + line.area + far.area, abs=snapped)
    assert whole.bounds == pytest.approx((-1.85, -0.32, 1.85, 0.32))
    assert whole.area == pytest.approx(3.7 * 0.64, abs=snapped)
    assert line.bounds == pytest.approx((-1.85, -0.12, 1.85, 0.12))
    assert {z.states for z in found.zones if z.kind == "protection"} == {(1.0, 0.75, 0.5, 0.25)}


def test_dock_drop_leaves_out_what_ends_below_the_leaf() -> None:
    """The body of 0.70 m on a floor 1.2 m lower ends 0.5 m below the edge of the closed leaf."""
    found = required(site=Site(floor=Floor(far=FloorSide(level_m=-1.2))))
    assert [z.id for z in found.zones if z.kind == "protection"] == [
        "protection:near:near_strip",
        "protection:near:leaf_line",
    ]
    line = zone(found, "protection:near:leaf_line")
    assert line.region.bounds == pytest.approx((-1.85, -0.12, 1.85, 0.0))
    assert (line.side, line.label) == ("near", "leaf line, near side")
    told = next(f for f in found.findings if f.code == "core.below_leaf")
    assert (told.severity, told.subjects, told.values["side"]) == ("info", ["/site/floor/far"], "far")
    assert told.values["below_m"] == pytest.approx(0.5)
    assert told.values["area_m2"] == pytest.approx(3.7 * 0.32)
    assert derived(found, told.derivation).result == pytest.approx(-0.5)


def test_near_drop_leaves_the_far_half_of_the_leaf_line() -> None:
    found = required(site=Site(floor=Floor(near=FloorSide(level_m=-1.2))))
    line = zone(found, "protection:near:leaf_line")
    assert (line.side, line.region.bounds) == ("far", pytest.approx((-1.85, 0.0, 1.85, 0.12)))


@pytest.mark.parametrize(
    ("far", "left_out"),
    [
        (FloorSide(level_m=-0.7), True),
        (FloorSide(level_m=-0.69), False),
        (FloorSide(level_m=-0.7, slope_deg=1.0), False),  # rises, so that the top is above the edge farther out
        (FloorSide(level_m=-0.7, slope_deg=-1.0), True),
    ],
)
def test_only_a_body_that_ends_below_the_leaf_everywhere_is_left_out(far, left_out) -> None:
    found = required(site=Site(floor=Floor(far=far)))
    assert ("core.below_leaf" in codes(found)) is left_out
    assert ("protection:far:far_strip" in [z.id for z in found.zones]) is not left_out


def test_a_higher_body_on_the_lower_floor_keeps_its_zone() -> None:
    rules = Rules(protection_bodies=("reference_body_upright", "person_standing"))
    found = required(site=Site(floor=Floor(far=FloorSide(level_m=-1.2))), rules=rules)
    ids = [z.id for z in found.zones if z.kind == "protection" and "far" in z.id]
    assert ids == ["protection:far:far_strip.person_standing"]


def test_strips_without_depth_are_zones_all_the_same() -> None:
    rules = Rules(overrides=(Override(name="strip_depth_m", value=0.0, reason="none"),))
    for floor in (Floor(), Floor(far=FloorSide(level_m=-1.2))):
        found = required(site=Site(floor=floor), rules=rules)
        assert zone(found, "protection:near:near_strip").region.is_empty
        assert ("core.below_leaf" in codes(found)) is (floor != Floor())


def test_two_floors_below_the_leaf_are_asked_about_and_nothing_is_left_out() -> None:
    low = FloorSide(level_m=-1.2)
    found = required(site=Site(floor=Floor(near=low, far=low)))
    assert len([z for z in found.zones if z.kind == "protection"]) == 3
    told = next(f for f in found.findings if f.code == "core.floors_below_leaf")
    assert (told.severity, told.values["below_m"]) == ("warning", pytest.approx(0.5))


def test_a_drop_leaves_out_neither_a_separation_distance_nor_places() -> None:
    drop = Site(floor=Floor(far=FloorSide(level_m=-1.2)))
    found = required(site=drop, rules=Rules(set="machine_approach"))
    assert "protection:far:separation" in [z.id for z in found.zones]
    places = required(site=drop, rules=Rules(set="residential_lift_us"))
    assert "core.below_leaf" not in codes(places)


def test_thicker_leaf_widens_the_leaf_line() -> None:
    found = required(door=msgspec.structs.replace(LIFT, leaf=Leaf(thickness_m=0.1)))
    assert zone(found, "protection:near:leaf_line").region.bounds == pytest.approx((-1.85, -0.15, 1.85, 0.15))


def test_override_is_used_listed_and_named_as_origin() -> None:
    rules = Rules(overrides=(Override(name="strip_depth_m", value=0.5, reason="site rule"),))
    found = required(rules=rules)
    assert zone(found, "protection:far:far_strip").region.bounds == pytest.approx((-1.85, 0.12, 1.85, 0.62))
    d = derived(found, "protection:far:far_strip/outer_edge")
    assert (d.status, d.source) == ("request", "request: site rule")
    assert d.inputs[1].origin == "/rules/overrides/0"
    assert [(o.name, o.was, o.value, o.unit) for o in found.overrides] == [("strip_depth_m", 0.2, 0.5, "m")]


def test_separation_beside_the_strip_both_editions() -> None:
    for edition, height, expected in (("2010", 300.0, 1600 * 0.45 + 1080), ("2024", 300.0, 1600 * 0.45 + 1200)):
        overrides = (Override(name="field_height_mm", value=height, reason="beam height"),)
        choice = SeparationChoice(set="machine_approach", edition=edition)
        found = required(rules=Rules(separation=choice, overrides=overrides))
        assert derived(found, "protection:near:separation/distance").result == pytest.approx(expected / 1000.0)
        assert zone(found, "protection:near:near_strip").region.area > 0
        # 300 mm is not above the 300 mm of 2010 (from memory), but above the 200 mm of 2024.
        assert ("core.crawl_under" in codes(found)) is (edition == "2024")
        assert "core.separation_scope" in codes(found)
        assert edition in found.rule_set


def test_separation_takes_the_sensor_response_of_its_side() -> None:
    rules = Rules(separation=SeparationChoice(set="machine_approach"))
    found = required(rules=rules, responses={("protection", "near"): (0.1, "/sensors/0")})
    near, far = (derived(found, f"protection:{s}:separation/distance").result for s in ("near", "far"))
    assert far - near == pytest.approx(1.6 * 0.1)
    # From where the body leaves the leaf line to where its nearer side is at the distance from the leaf's face.
    assert zone(found, "protection:far:separation").region.bounds[1::2] == pytest.approx((0.12, 0.02 + far + 0.1))


def test_an_edition_named_beside_its_own_set_takes_the_place_of_the_sets_own() -> None:
    """One zone on each side, as of the named edition alone beside the strips, but with the leaf line in it."""
    choice = SeparationChoice(set="machine_approach", edition="2010")
    both, beside = (
        required(rules=Rules(set=name, separation=choice)) for name in ("machine_approach", "industrial_door")
    )
    ids = [z.id for z in both.zones if z.kind == "protection"]
    assert ids == ["protection:near:separation", "protection:far:separation"]
    distances = [
        {d.id: d.result for d in found.derivations if d.id.endswith("separation/distance")} for found in (both, beside)
    ]
    assert distances[0] == distances[1]
    assert all(min(abs(y) for y in z.region.bounds[1::2]) == 0.0 for z in both.zones if z.id in ids)


def test_machine_approach_alone_covers_the_leaf_line() -> None:
    found = required(rules=Rules(set="machine_approach"))
    assert zone(found, "protection:far:separation").region.bounds[1] == 0.0


def test_sliding_has_a_path_on_both_sides_and_a_pocket_in_the_wall() -> None:
    found = required(door=SLIDING, traffic=(PERSON,))
    ids = [z.id for z in found.zones if z.kind == "protection"]
    assert ids == ["protection:near:leaf_path", "protection:far:leaf_path"]
    assert zone(found, ids[0]).region.bounds == pytest.approx((-0.85, -0.32, 0.85, 0.0))
    assert "core.pocket" in codes(found)


def test_leaf_on_a_wall_face_has_trailing_edges() -> None:
    door = msgspec.structs.replace(SLIDING, wall=Wall(near_face_y_m=0.03, far_face_y_m=0.3))
    found = required(door=door, traffic=(PERSON,))
    edge = zone(found, "protection:near:left_trailing_edge").region
    # Rear edge runs from x = -1 by one leaf of 1 m, strip 0.2 m, half body 0.15 m.
    assert edge.bounds == pytest.approx((-2.35, -0.32, -1.0, 0.0))
    assert zone(found, "protection:near:right_trailing_edge").region.bounds == pytest.approx((1.0, -0.32, 2.35, 0.0))
    assert "core.pocket" not in codes(found)


def test_telescopic_panels_run_less_far_behind() -> None:
    motion = Sliding(opening=SLOW, closing=SLOW, panels=2, opens_to="right")
    door = msgspec.structs.replace(SLIDING, motion=motion, wall=Wall(near_face_y_m=-0.3, far_face_y_m=-0.03))
    edge = zone(required(door=door, traffic=(PERSON,)), "protection:far:right_trailing_edge").region
    assert edge.bounds == pytest.approx((1.0, 0.0, 1.0 + 1.0 + 0.35, 0.32))


def test_the_overlap_of_the_open_leaf_runs_along_the_wall_too() -> None:
    """One leaf of 2 m, 0.1 m beyond each jamb when closed: it ends 2.2 m beyond the jamb when open."""
    motion = Sliding(opening=SLOW, closing=SLOW, opens_to="right")
    wall = Wall(near_face_y_m=0.03, far_face_y_m=0.3)
    door = msgspec.structs.replace(SLIDING, motion=motion, wall=wall, leaf=Leaf(overlap_m=0.1))
    edge = zone(required(door=door, traffic=(PERSON,)), "protection:near:right_trailing_edge").region
    assert edge.bounds == pytest.approx((1.0, -0.32, 1.0 + 2.2 + 0.35, 0.0))


def telescopic(pitch, **more):
    motion = Sliding(opening=SLOW, closing=SLOW, panels=2, panel_pitch_m=pitch, opens_to="right")
    return msgspec.structs.replace(SLIDING, motion=motion, **more)


def test_zones_begin_and_end_at_the_face_of_all_panels() -> None:
    """Rear panel 0.06 m beyond the leading one: the far face is 0.08 m off the leaf plane, the near face 0.02 m."""
    rules = Rules(separation=SeparationChoice(set="machine_approach"))
    level, found = (required(telescopic(pitch), (PERSON,), rules) for pitch in (0.0, 0.06))
    for name in ("leaf_path", "separation"):
        near, far = (zone(found, f"protection:{side}:{name}").region.bounds for side in ("near", "far"))
        one, other = (zone(level, f"protection:{side}:{name}").region.bounds for side in ("near", "far"))
        assert near == one
        assert far[3] == pytest.approx(other[3] + 0.06)
        assert far[1] == pytest.approx(other[1] + (0.06 if name == "separation" else 0.0))
    inner = derived(found, "activation:far:person/inner_edge")
    assert inner.result == pytest.approx(derived(level, "activation:far:person/inner_edge").result + 0.06)
    assert [i.name for i in inner.inputs][:2] == ["leaf_thickness", "rear_panel"]
    assert inner.formula.startswith("thickness / 2 + rear_panel + body depth / 2")
    assert derived(found, "activation:near:person/inner_edge") == derived(level, "activation:near:person/inner_edge")


def test_the_rear_panel_tells_whether_the_leaf_runs_along_the_wall() -> None:
    wall = Wall(near_face_y_m=0.03, far_face_y_m=0.3)
    behind, before = (required(telescopic(pitch, wall=wall), (PERSON,)) for pitch in (0.06, -0.06))
    assert "core.pocket" in codes(behind)
    assert not any("trailing" in z.id for z in behind.zones)
    edge = zone(before, "protection:near:right_trailing_edge").region
    assert edge.bounds == pytest.approx((1.0, -0.38, 1.0 + 1.0 + 0.35, 0.0))


def test_swing_sectors_hold_every_place_where_the_body_touches_the_leaf() -> None:
    found = required(door=SWING, traffic=(PERSON,))
    sweep = zone(found, "protection:far:left_leaf_swing")
    assert sweep.states == (0.0, 1.0)
    # Sector of 1 m at (-1, 0), body 0.30 x 0.20: Minkowski sum = pi/4 + perimeter terms w + d + 4 dx dy in closed form:
    # a quarter disc and a box share r (w + d) more; the polygon is drawn from outside, below 0.3 %.
    exact = pi / 4.0 + 0.30 * 0.20 + 1.0 * (0.30 + 0.20)
    assert exact <= sweep.region.area < exact * 1.003
    assert sweep.region.holds(-1.0 + 1.14, 0.05)
    assert not sweep.region.holds(-1.0 + 1.16, 0.05)
    half = zone(found, "protection:far:left_leaf_closing_half").region
    assert (half - sweep.region).area == pytest.approx(0.0, abs=1e-9)
    assert {z.side for z in found.zones if z.kind == "protection"} == {"far"}


def test_swing_towards_the_near_side_is_the_mirror_image() -> None:
    near = msgspec.structs.replace(SWING, motion=msgspec.structs.replace(SWING.motion, opens_towards="near"))
    a = zone(required(door=near), "protection:near:right_leaf_swing").region.bounds
    b = zone(required(door=SWING), "protection:far:right_leaf_swing").region.bounds
    assert a == pytest.approx((b[0], -b[3], b[2], -b[1]))


def test_hinge_side_lies_behind_the_open_leaf() -> None:
    region = zone(required(door=SWING), "protection:far:left_leaf_hinge_side").region
    # Leaf open along x = -1; thickness/2 + 0.20 m behind it, widened by half the body.
    assert region.bounds == pytest.approx((-1.0 - 0.22 - 0.15, -0.1, -1.0 + 0.15, 1.0 + 0.1))
    assert region.area == pytest.approx((0.22 + 0.3) * (1.0 + 0.2))


def test_swing_sectors_are_judged_while_the_leaf_is_in_them() -> None:
    states = {z.id.rsplit("leaf_", 1)[1]: z.states for z in required(door=SWING).zones if ":left_leaf" in z.id}
    assert states == {
        "swing": (0.0, 1.0),
        "opening_half": (0.25, 0.5),
        "closing_half": (0.75, 0.5),
        "hinge_side": (0.0, 0.5, 0.75),
    }


def test_folding_has_sweep_fold_line_and_path() -> None:
    ids = [z.id for z in required(door=FOLDING).zones if z.kind == "protection"]
    assert ids == [
        "protection:far:left_fold",
        "protection:far:left_fold_line",
        "protection:far:right_fold",
        "protection:far:right_fold_line",
        "protection:near:leaf_path",
        "protection:far:leaf_path",
    ]


def test_fold_line_lies_around_the_fold_of_the_closed_panels() -> None:
    region = zone(required(door=FOLDING), "protection:far:left_fold_line").region
    # Panels of 0.5 m, the fold at x = -0.5; 0.20 m to both sides and out, widened by half the body.
    assert region.bounds == pytest.approx((-0.5 - 0.35, -0.1, -0.5 + 0.35, 0.2 + 0.1))
    assert region.area == pytest.approx(0.7 * 0.4)


def test_fold_hull_holds_the_panels_at_every_state() -> None:

    region = zone(required(door=FOLDING), "protection:far:left_fold").region
    for k in range(101):
        for panel in leaf_panels(FOLDING, k / 100):
            if panel.leaf == "left":
                assert region.holds(*panel.hinge)
                assert region.holds(*panel.edge)


def test_residential_places() -> None:
    found = required(rules=Rules(set="residential_lift_us"), traffic=(PERSON,))
    places = {z.id.split(":")[2]: z.region.inner_point()[0] for z in found.zones if z.kind == "protection"}
    # 16 CFR 1211.11(a): 1 ft from each side and the middle of a 4 m opening.
    assert places == {
        "left_place": pytest.approx(-1.695),
        "right_place": pytest.approx(1.695),
        "middle_place": pytest.approx(0.0),
    }
    assert {z.body.name for z in found.zones if z.kind == "protection"} == {"floor_plate"}


def test_residential_sliding_door_has_five_places() -> None:
    found = required(door=SLIDING, rules=Rules(set="residential_lift_us"), traffic=(PERSON,))
    places = sorted(z.region.inner_point()[0] for z in found.zones if z.kind == "protection")
    assert places == pytest.approx([-0.9746, -0.695, 0.0, 0.695, 0.9746])


def test_pedestrian_us_depth_and_wrong_side() -> None:
    slow = msgspec.structs.replace(PERSON, speed_m_per_s=0.2, from_sides=("near",))
    found = required(door=SLIDING, rules=Rules(set="pedestrian_door_us"), traffic=(slow,))
    d = derived(found, "activation:near:person/distance")
    assert d.result == pytest.approx(1.092 + 0.02)
    assert d.status == "second_hand"
    wrong = zone(found, "protection:far:one_way").region
    assert wrong.bounds == pytest.approx((-0.85, 0.12, 0.85, 0.63))


def test_site_defined_assumes_nothing() -> None:
    found = required(rules=Rules(set="site_defined"))
    assert found.zones == ()
    assert set(codes(found)) == {"core.set_value_missing", "core.reversal"}
    names = ("activation_margin_m", "strip_depth_m")
    given = tuple(Override(name=n, value=0.3, reason="decided on site") for n in names)
    found = required(rules=Rules(set="site_defined", overrides=given))
    assert [z.kind for z in found.zones] == ["activation"] * 2 + ["protection"] * 3
    assert [o.name for o in found.overrides] == list(names)


def test_values_for_exclusions_are_asked_for_only_where_something_is_to_be_excluded() -> None:
    by = Traveller(
        name="crossing", speed_m_per_s=1.0, width_m=0.6, clear_height_m=2.0, passes="by",
        from_sides=("near",), lane=Lane(out_from_m=3.0, out_to_m=4.0),
    )  # fmt: skip
    gate = Neighbour(name="gate 8", ring_m=((0.5, -3.5), (2.5, -3.5), (2.5, -1.5)))
    cases = (
        (required(rules=Rules(set="site_defined")), set()),
        (required(rules=Rules(set="site_defined"), site=Site(neighbours=(gate,))), {"exclusion_weight"}),
        (required(rules=Rules(set="site_defined"), traffic=(by,)), {"exclusion_weight", "exclusion_reach_m"}),
    )
    for found, names in cases:
        missing = [f.values["name"] for f in found.findings if f.code == "core.set_value_missing"]
        assert {name for name in missing if name.startswith("exclusion")} == names


def test_lane_of_passing_traffic() -> None:
    by = Traveller(
        name="crossing", speed_m_per_s=1.0, width_m=0.6, clear_height_m=2.0, passes="by",
        from_sides=("near",), lane=Lane(out_from_m=3.0, out_to_m=4.0),
    )  # fmt: skip
    found = required(traffic=(TRUCK, by))
    lane = zone(found, "exclusion:near:crossing")
    assert lane.region.bounds == pytest.approx((-4.0, -4.0, 4.0, -3.0))
    assert lane.velocities_m_per_s == ((-1.0, 0.0), (1.0, 0.0))
    overlap = next(f for f in found.findings if f.code == "core.lane_in_activation")
    assert overlap.values["overlap_m2"] == pytest.approx(3.7)
    with pytest.raises(UncomputableError) as caught:
        required(traffic=(msgspec.structs.replace(by, lane=None),))
    assert [f.pointer for f in caught.value.faults] == ["/traffic/0/lane"]


def test_moving_machinery_is_an_exclusion() -> None:
    fan = Obstacle(name="fan", ring_m=((-0.5, -3.5), (0.5, -3.5), (0.5, -3.0), (-0.5, -3.0)), top_m=2.0, moves=True)
    still = msgspec.structs.replace(fan, name="post", moves=False)
    found = required(site=Site(obstacles=(fan, still)))
    assert [z.id for z in found.zones if z.kind == "exclusion"] == ["exclusion:near:fan"]


def test_body_that_does_not_fit_the_opening() -> None:
    door = msgspec.structs.replace(LIFT, opening=Opening(width_m=0.3, height_m=2.5))
    found = required(door=door, traffic=())
    assert codes(found).count("core.body_wider_than_opening") == 1
    assert found.zones == ()


@pytest.mark.parametrize(
    ("rules", "code", "pointer"),
    [
        (Rules(set="nobody"), "unknown_rule_set", "/rules/set"),
        (Rules(separation=SeparationChoice(set="nobody")), "unknown_rule_set", "/rules/separation/set"),
        (Rules(separation=SeparationChoice(set="industrial_door")), "no_separation", "/rules/separation/set"),
        (
            Rules(separation=SeparationChoice(set="machine_approach", edition="1999")),
            "unknown_edition",
            "/rules/separation/edition",
        ),
        (
            Rules(overrides=(Override(name="nothing", value=1.0, reason="x"),)),
            "unknown_override",
            "/rules/overrides/0/name",
        ),
    ],
)
def test_unknown_names_are_refused_with_what_would_be_right(rules, code, pointer) -> None:
    with pytest.raises(UncomputableError) as caught:
        required(rules=rules)
    (fault,) = caught.value.faults
    assert (fault.code, fault.pointer) == (code, pointer)
    assert fault.allowed
    assert fault.seen


def test_unknown_body_is_refused() -> None:
    with pytest.raises(UncomputableError) as caught:
        required(traffic=(msgspec.structs.replace(TRUCK, body="ghost"),))
    assert [(f.pointer, f.code, f.seen) for f in caught.value.faults] == [
        ("/traffic/0/body", "unknown_body", '"ghost"')
    ]


@pytest.mark.parametrize(("phase", "seen"), [(Phase(), "neither"), (Phase(speed_m_per_s=1.0, time_s=3.0), "both")])
def test_move_needs_speed_or_time(phase, seen) -> None:
    door = msgspec.structs.replace(LIFT, motion=VerticalLift(opening=UP, closing=phase))
    with pytest.raises(UncomputableError) as caught:
        required(door=door)
    assert [(f.pointer, f.code, f.seen) for f in caught.value.faults] == [
        ("/door/motion/closing", "speed_or_time", seen)
    ]


def test_one_leaf_cannot_go_to_both_sides() -> None:
    door = msgspec.structs.replace(SLIDING, motion=Sliding(opening=SLOW, closing=SLOW, opens_to="both"))
    with pytest.raises(UncomputableError) as caught:
        required(door=door)
    assert [f.code for f in caught.value.faults] == ["one_leaf"]


@pytest.mark.parametrize("door", [LIFT, SLIDING, SWING, FOLDING])
@pytest.mark.parametrize("name", sorted(needs.rule_sets()))
def test_every_zone_edge_is_derived_and_every_id_is_unique(door, name) -> None:
    found = required(door=door, rules=Rules(set=name), traffic=(PERSON,))
    ids = [d.id for d in found.derivations]
    assert len(ids) == len(set(ids))
    zones = [z.id for z in found.zones]
    assert len(zones) == len(set(zones))
    for z in found.zones:
        assert z.derivations
        assert set(z.derivations) <= set(ids)
        assert not z.region.is_empty


def test_same_question_same_answer() -> None:
    first, second = required(), required()
    assert msgspec.json.encode(first.derivations) == msgspec.json.encode(second.derivations)
    assert [z.region.rings() for z in first.zones] == [z.region.rings() for z in second.zones]


def test_swing_leaf_that_comes_towards_the_traveller_is_reckoned() -> None:
    found = required(door=SWING, traffic=(PERSON,))
    near, far = (derived(found, f"activation:{s}:person/distance") for s in ("near", "far"))
    assert far.result - near.result == pytest.approx(1.0)  # opens towards far, leaf 1 m
    assert [i.name for i in far.inputs][-1] == "sweep_depth"
    assert "sweep_depth" in far.formula
    assert "sweep_depth" not in near.formula


class RulesWithBodies(Rules, frozen=True, kw_only=True):
    """Rules that name the bodies to be protected."""

    protection_bodies: tuple[str, ...] = ()


def test_every_wanted_body_has_its_own_protection_zones() -> None:
    wanted = ("reference_body_upright", "reference_body_lying")
    found = required(rules=RulesWithBodies(protection_bodies=wanted))
    ids = [z.id for z in found.zones if z.kind == "protection"]
    assert ids[:3] == ["protection:near:near_strip", "protection:near:leaf_line", "protection:far:far_strip"]
    assert ids[3:] == [f"{name}.reference_body_lying" for name in ids[:3]]
    lying = zone(found, "protection:near:leaf_line.reference_body_lying")
    # 0.70 x 0.30 m lying: centres within 2 - 0.35 m of the middle, 0.02 + 0.15 m of the leaf plane.
    assert lying.region.bounds == pytest.approx((-1.65, -0.17, 1.65, 0.17))
    assert len({d.id for d in found.derivations}) == len(found.derivations)


class SiteWithNeighbours(Site, frozen=True, kw_only=True):
    """A site with neighbouring doors."""

    neighbours: tuple[Neighbour, ...] = ()


def test_neighbouring_door_is_an_exclusion_on_each_side_it_reaches() -> None:
    ring = ((2.5, -2.0), (5.0, -2.0), (5.0, 1.0), (2.5, 1.0))
    found = required(site=SiteWithNeighbours(neighbours=(Neighbour(name="side door", ring_m=ring),)))
    near, far = (zone(found, f"exclusion:{side}:side door") for side in ("near", "far"))
    assert near.region.bounds == (2.5, -2.0, 5.0, 0.0)
    assert far.region.area == pytest.approx(2.5)


def test_partial_opening_scales_the_states_and_the_sweep() -> None:
    half = msgspec.structs.replace(SWING, motion=msgspec.structs.replace(SWING.motion, partial_opening=0.5))
    sweep = zone(required(door=half), "protection:far:left_leaf_swing")
    assert sweep.states == (0.0, 0.5)
    # 45 deg: no farther out than sin 45 deg of the 1 m leaf, and half the body; corners lie on a grid of 1e-8 m.
    assert sweep.region.bounds[3] == pytest.approx(0.5**0.5 + 0.1, abs=1e-8)


def test_coarse_field_must_be_high() -> None:
    choice = SeparationChoice(set="machine_approach", edition="2010")
    for height, coarse in ((299.0, True), (300.0, False)):
        overrides = (
            Override(name="detection_capability_mm", value=70.0, reason="device"),
            Override(name="field_height_mm", value=height, reason="device"),
        )
        found = required(rules=Rules(separation=choice, overrides=overrides))
        assert ("core.capability_too_coarse" in codes(found)) is coarse
