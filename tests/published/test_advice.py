"""Advice against closed forms: the tilt for a wanted reach, and the widest step between two planes.

A ray from height M at the angle t from straight down is at the distance (M - z) tan t at the height z (plane
trigonometry). A body of depth b and height H is met between its far lower and its near upper edge, so that its centre is
seen from (M - H) tan t - b / 2 to (M - f) tan t + b / 2, f the least height at which hits count.
"""

import json
from dataclasses import replace
from math import atan, degrees, radians, tan

import pytest
from scipy import optimize

from ablation.small import small_door, task_of
from sillcast import Planner, advice
from sillcast.advice.places import OnGrid
from sillcast.advice.pointers import value_at, with_value
from sillcast.advice.settings import settings_of
from sillcast.advice.solver import Variable, ladder, search
from sillcast.advice.standing import of_scores
from sillcast.advice.task import placed_again
from sillcast.compare import compare
from sillcast.kernel import Region
from sillcast.needs import ZoneNeed

PLANNER = Planner()
M, F, OUT = 2.5, 0.05, 0.2  # height of the head, floor margin, distance of the head from the leaf plane [m]
STEP = 0.1
CELL = 0.2 / 32  # grid that the advice chooses on: 1 / 32 of the body's depth [m]
TILT, SECOND = "/sensors/0/mount/tilt_deg", "/sensors/0/device/plane_tilts_deg/1"


def task(planes, tilt_deg=0.0):
    return task_of(PLANNER, small_door(**{
        "/sensors/0/device/plane_tilts_deg": planes, "/sensors/0/device/step_deg": 0.5, TILT: tilt_deg,
        "/sensors/0/device/floor_margin_m": F, "/sensors/0/device/beam_width_m": 0.0, "/sensors/0/device/divergence_deg": 0.0,
    }))  # fmt: skip


def strip(given, near_m, far_m):
    """A zone 0.1 m wide between two distances out from the leaf plane."""
    body = given.zones[0].body
    region = Region.box(-0.05, 0.05, -far_m, -near_m)
    zone = ZoneNeed("activation:near:strip", "activation", "near", "strip", region, body, (0.0,), (), "", (0.0,))
    return OnGrid(given.site, [zone], fineness=32), body


def least_change(given, grid, pointer, least, most):
    """Value nearest to the current one at which the strip is met, as the solver finds it; margins are left out."""
    now = {"/sensors/0/mount/tilt_deg": given.request.sensors[0].mount.tilt_deg}.get(pointer)
    now = given.request.sensors[0].device.plane_tilts_deg[1] if now is None else now
    values, place = ladder(least, most, STEP, now)
    variable = Variable(pointer, values, place, STEP)

    def judge(candidate):
        changed = with_value(given.request, pointer, values[candidate[0]])
        placed = [placed_again(changed, given.placed[0])]
        return (*of_scores(grid.scores(placed))[:-1], 0)

    found = search([variable], judge, budget=2000)
    best = found.ranked()[0]
    assert found.optimal
    assert found.standings[best][1] == 0, "the strip can be met"
    return values[best[0]]


@pytest.mark.parametrize("reach_m", [0.7, 1.1, 1.5, 1.9])
def test_least_tilt_for_a_wanted_reach_has_the_closed_form(reach_m):
    given = task([0.0])
    grid, body = strip(given, reach_m - CELL, reach_m)
    found = least_change(given, grid, TILT, 0.0, 45.0)
    half = body.depth_m / 2
    closed = degrees(atan((reach_m - OUT - half) / (M - F)))
    by_scipy = degrees(optimize.brentq(lambda t: OUT + (M - F) * tan(t) + half - reach_m, 0.0, 1.0))
    assert by_scipy == pytest.approx(closed, abs=1e-9)
    # The grid asks for the whole cell that holds the far edge and errs by up to two cells; the ladder adds a step.
    late = degrees(atan((reach_m - OUT - half + 2 * CELL) / (M - F))) - closed
    assert closed <= found <= closed + late + STEP


@pytest.mark.parametrize("first_deg", [0.0, 8.0, 15.0, 25.0])
def test_widest_step_between_two_planes_has_the_closed_form(first_deg):
    """No gap between planes t, t' if (M - H) tan t' - b / 2 <= (M - f) tan t + b / 2."""
    given = task([first_deg, first_deg + 30.0])
    body = given.zones[0].body
    start = OUT + (M - F) * tan(radians(first_deg))
    closed = degrees(atan(((M - F) * tan(radians(first_deg)) + body.depth_m) / (M - body.height_m)))
    # The strip begins where the first plane sees for sure and ends inside what the second one sees at the closed form.
    grid, _ = strip(given, start, start + 2 * CELL + body.depth_m)
    found = least_change(given, grid, SECOND, first_deg, first_deg + 30.0)
    early = closed - degrees(atan(((M - F) * tan(radians(first_deg)) + body.depth_m - 2 * CELL) / (M - body.height_m)))
    assert closed - early - STEP <= found <= closed


def two_heads(planes):
    """Two heads over the middle of the near side that share one set of plane tilts: they see the same strips."""
    request = small_door(**{
        "/sensors/0/device/plane_tilts_deg": planes, TILT: 1.5, "/sensors/0/mount/position/x_m": -0.5,
        "/traffic/0/speed_m_per_s": 0.3,
    })  # fmt: skip
    second = json.loads(json.dumps(request["sensors"][0]))
    second["name"], second["mount"]["position"]["x_m"] = "second", 0.5
    request["sensors"].append(second)
    return request


def unseen_m2(request, less_deep_m=0.0):
    """Unseen area of the activation zone for the reference body, or one less wide and deep where it can stand."""
    plan = PLANNER._plan(PLANNER._taken(request))
    zone = next(z for z in plan.needs.zones if z.kind == "activation")
    body = replace(zone.body, depth_m=zone.body.depth_m - less_deep_m)
    return compare(replace(zone, body=body), plan.sensing, plan.bodies, explain=False).answer.gap_m2


@pytest.mark.parametrize("planes", [[0.5, 9.0, 18.0, 27.0], [0.5, 8.0, 15.5, 23.0], [0.0, 5.0, 10.0, 16.0, 22.0]])
def test_heads_with_equal_tilts_get_complementary_ones_with_margin(planes):
    """Between two planes (M - H) tan t' - M tan t - b is blind: equal tilts of two heads leave the same strips blind.

    The tilts found for the second head leave none, and none that counts for a body 0.04 m less deep, nor with both
    heads 0.2 m higher.
    """
    request = two_heads(planes)
    task = task_of(PLANNER, request)
    free = "/sensors/1/device"
    fixed = [s for s in settings_of(task.request, task.placed, task.zones) if s.current is not None]
    ranges = {s.variable.pointer: (s.current, s.current) for s in fixed if not s.variable.pointer.startswith(free)}
    found = advice.advise(task_of(PLANNER, request, ranges=ranges))
    assert {p.setting.rsplit("/", 1)[0] for p in found.proposals} == {f"{free}/plane_tilts_deg"}
    better = json.loads(json.dumps(request))
    for proposal in found.proposals:
        plane = int(proposal.setting.rsplit("/", 1)[1])
        better["sensors"][1]["device"]["plane_tilts_deg"][plane] = proposal.proposed
        assert value_at(PLANNER._taken(better), proposal.setting) == proposal.proposed
    higher = json.loads(json.dumps(better))
    for sensor in higher["sensors"]:
        sensor["mount"]["position"]["z_m"] += 0.2
    assert unseen_m2(request) > 0.03
    assert unseen_m2(better) == 0.0
    # The grid that asks for the reserve has cells of 1 / 16 of the body's depth: what slips between is no wider.
    assert unseen_m2(better, 0.04) <= 0.2 / 16 * 1.2
    assert unseen_m2(higher) <= 0.2 / 16 * 1.2
