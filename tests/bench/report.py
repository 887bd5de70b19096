"""Table of times and ratios: `python tests/bench/report.py [FILE]`; engine and baseline run in this one process.

Each engine time is the least of many runs, then the median over 5 random scenes. The baseline is timed on a sample of
places (its least of 3) and extrapolated to the whole map; so is its mount search, from a few mounts. One thread is
timed by the processor's clock, so that other work on the machine does not count; two by the wall's.
"""

import datetime
import importlib.metadata
import json
import os
import platform
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from ablation.generate import DOORS
from ablation.small import task_of
from bench.embree_baseline import EmbreeCounts, EmbreeOutlines
from reference.scenes import GRID, camera, pose, scanner, surroundings
from sillcast import Planner
from sillcast.advice import advise
from sillcast.advice.pointers import with_value
from sillcast.advice.task import placed_again
from sillcast.kernel.clip import back_end, free_lengths
from sillcast.kernel.counts import Grid, hit_counts, smallest_detected
from sillcast.kernel.emission import Rays
from sillcast.kernel.frame import Floors, Pose
from sillcast.kernel.poses import Look, Places, score_poses
from sillcast.kernel.region import detection_region
from sillcast.kernel.section import band
from sillcast.kernel.solids import Surroundings, TestBody
from sillcast.kernel.sweep import fans_of, outline, trace, triangles

BODY = TestBody("body", 0.3, 0.2, 0.7)
POST = TestBody("post", 0.3, 0.3, 0.7, "cylinder")
HEIGHTS_M = (0.0, 0.2, 0.7, 1.2)  # of traces; outlines for bodies of each but the first
EXAMPLES = Path(__file__).parents[2] / "openapi" / "examples"
STANDARD, SEARCH = EXAMPLES / "standard.json", EXAMPLES / "kettlewharf.mount-search.json"
RESULTS = Path(__file__).parent / "RESULTS.md"
LIBRARIES = ("numpy", "numba", "llvmlite", "shapely", "manifold3d", "msgspec", "embreex", "trimesh")
SAMPLED = 400  # cells of an evaluation's grid that the baseline is timed on
SEARCH_GRID = Grid.over(-3.0, 3.0, -6.0, 0.0, 0.05)


def laser(rng):
    return scanner(rng, 8, 241)


def camera_head(rng):
    return camera(rng, 160, 120)


def places_of(rng, number):
    return np.column_stack([rng.choice(GRID.centres_x, number), rng.choice(GRID.centres_y, number)])


def least_time(function, runs, clock=time.process_time):
    times = []
    for _ in range(runs):
        start = clock()
        function()
        times.append(clock() - start)
    return min(times)


def search_model():
    own = Pose(np.zeros(3), np.eye(3), "near")
    return Rays.scan_planes(
        at=own,
        plane_tilts_deg=np.linspace(-5.0, 60.0, 8).tolist(),
        start_deg=-60.0,
        end_deg=60.0,
        step_deg=0.5,
        range_m=8.0,
        least_hits=3,
    )


def mount_search(number, threads, *, first_look):
    """Search to be timed: mounts of one scanner, 2 x 2.5 m wanted, the rest unwanted; in full, or by a first look."""
    rng = np.random.default_rng(0)
    around, mounts = surroundings(rng), [pose(rng) for _ in range(number)]
    wanted = (np.abs(SEARCH_GRID.centres_x) < 1.0)[None] & (SEARCH_GRID.centres_y > -2.5)[:, None]
    places = Places(SEARCH_GRID, wanted, ~wanted)
    model = search_model()
    if first_look:
        look = Look(model, around, BODY, places, worth=(1.0, -0.1))
        sparse = look.sparse()
        return lambda: sparse.value(mounts, threads)
    return lambda: score_poses(model, mounts, around, BODY, places, threads=threads)


def map_times(rng, make, runs):
    """Times of one scene: clip, clip and map, smallest of 14 bodies, baseline. [s]"""
    around, rays = surroundings(rng), make(rng)
    clipped, places = free_lengths(rays, around), places_of(rng, 400)
    baseline = EmbreeCounts(rays, clipped.lengths, BODY)
    bodies = [TestBody(f"{size:.2f}", size, size, 2.0 * size) for size in np.linspace(0.05, 0.4, 14)]
    return (
        least_time(lambda: free_lengths(rays, around), runs),
        least_time(lambda: hit_counts(rays, free_lengths(rays, around), BODY, GRID), runs),
        least_time(lambda: smallest_detected(rays, clipped, bodies, GRID), runs // 10),
        least_time(lambda: baseline.counts(places), 3) * GRID.rows * GRID.columns / len(places),
    )


def map_rows(name, make, runs):
    """Rows of one head, medians over scenes."""
    times = np.array([map_times(np.random.default_rng(seed), make, runs) for seed in range(5)])
    clip, whole, smallest, embree = 1e3 * np.median(times, axis=0)
    ratio, fourteen = np.median(times[:, 3] / times[:, 1]), 14.0 * embree
    return [
        f"| {name}: clip | {clip:.3f} ms | | |",
        f"| {name}: clip and hit-count map | {whole:.3f} ms | {embree:,.0f} ms | {ratio:,.0f} |",
        f"| {name}: smallest of 14 bodies | {smallest:.1f} ms | {fourteen:,.0f} ms | {fourteen / smallest:,.0f} |",
    ]


def search_rows(number):
    """Times of the mount search, and of the baseline on 3 of its mounts x 400 places, extrapolated."""
    embree, rng, model = [], np.random.default_rng(0), search_model()
    around = surroundings(rng)
    for _ in range(3):
        at = pose(rng)
        rays = Rays(
            np.tile(at.origin, (len(model.range_m), 1)), model.directions @ at.matrix.T, model.range_m, model.group
        )
        baseline = EmbreeCounts(rays, free_lengths(rays, around).lengths, BODY)
        places = places_of(rng, 400)
        each = least_time(lambda: baseline.counts(places), 3) / len(places)  # noqa: B023 - called at once
        embree.append(each * SEARCH_GRID.rows * SEARCH_GRID.columns * number)
    rows = []
    for threads, first_look in ((1, False), (2, False), (1, True), (2, True)):
        clock = time.process_time if threads == 1 else time.perf_counter
        seconds = least_time(mount_search(number, threads, first_look=first_look), 3, clock)
        how = "first look" if first_look else "each in full"
        rows.append(
            f"| {number:,} mounts x 8 planes, 5 cm, {how}, {threads} thread{'s' * (threads > 1)} | {seconds:.2f} s | "
            f"{np.median(embree):,.0f} s | {np.median(embree) / seconds:,.0f} |"
        )
    return rows


def exact_outlines(fans, around):
    """From planes to rings of outlines and traces: the visible parts once, then each height."""
    seen = triangles(fans, around)
    lines = [trace(seen, height) for height in HEIGHTS_M]
    return lines, [outline(seen, 0.0, replace(BODY, height_m=height)).contours for height in HEIGHTS_M[1:]]


def embree_outlines(baseline):
    lengths, half = baseline.lengths(), np.array([BODY.width_m, BODY.depth_m]) / 2.0
    lines = [baseline.trace(lengths, height) for height in HEIGHTS_M]
    return lines, [baseline.outline(lengths, half, height) for height in HEIGHTS_M[1:]]


def outline_times(rng, runs):
    """Times of one scene: exact outlines, regions of the real rays (box, cylinder), band, Embree and union. [s]"""
    around, rays = surroundings(rng), laser(rng)
    fans = fans_of(rays)
    clipped, three = free_lengths(rays, around), replace(rays, least_hits=3)
    in_plane = replace(three, hits_within="plane")
    baseline = EmbreeOutlines(rays, around)
    return (
        least_time(lambda: exact_outlines(fans, around), runs),
        least_time(lambda: detection_region(in_plane, clipped, BODY), runs),
        least_time(lambda: detection_region(three, clipped, BODY), runs),
        least_time(lambda: detection_region(three, clipped, POST), runs),
        least_time(lambda: band(rays, clipped, 0.0, 0.7, Floors()), runs),
        least_time(lambda: embree_outlines(baseline), 3),
    )


def outline_rows(runs=40):
    times = np.array([outline_times(np.random.default_rng(seed), runs) for seed in range(5)])
    exact, plane, head, post, swept, embree = 1e3 * np.median(times, axis=0)
    ratio = np.median(times[:, 5] / times[:, 0])
    return [
        f"| 8 planes: exact outlines of 3 bodies, traces at 4 heights | {exact:.2f} ms | {embree:,.0f} ms | {ratio:,.0f} |",
        f"| 8 planes x 241 rays: region of 3 hits in a plane, box | {plane:.2f} ms | | |",
        f"| 8 planes x 241 rays: region of 3 hits of the head, box | {head:.2f} ms | | |",
        f"| 8 planes x 241 rays: region of 3 hits of the head, cylinder | {post:.2f} ms | | |",
        f"| 8 planes x 241 rays: band from 0 to 0.7 m | {swept:.2f} ms | | |",
    ]


def standard_rows():
    """The standard example, in this process: as it is, with proposals, with robustness as well."""
    planner, rows = Planner(), []
    for name, output in (
        ("proposals off", {"proposals": False}),
        ("proposals on", {"proposals": True}),
        ("proposals and robustness", {"proposals": True, "robustness": True}),
    ):
        request = json.loads(STANDARD.read_bytes())
        request["output"].update(output)
        body = json.dumps(request).encode()
        planner.assess(body)
        rows.append(
            f"| standard example, {name} | {1e3 * least_time(lambda: planner.assess(body), 10):.1f} ms | | |"  # noqa: B023
        )
    return rows


def advice_rows():
    """Settings of one door: the whole solve, and one evaluation of it against casting for the same places.

    The baseline of an evaluation is given the clipped rays, and casts all of them that may meet the body at each cell
    of the grid that the search judges on, for each angle; extrapolated from a sample of cells.
    """
    planner, door = Planner(), json.loads(DOORS.read_text())[0]["request"]
    task = task_of(planner, door)
    found = advise(task)
    solve = least_time(lambda: advise(replace(task, grids={})), 3)
    grid, others = task.coarse, list(task.placed[1:])
    tilted = [with_value(task.request, "/sensors/0/mount/tilt_deg", tilt / 2) for tilt in range(-8, 40)]

    def evaluate():
        for request in tilted:
            grid.scores([placed_again(request, task.placed[0]), *others])

    evaluate()
    each = least_time(evaluate, 3) / len(tilted)
    embree = sum(embree_evaluation(task, view) for view in grid.views)
    return [
        f"| settings of hatch 1: {found.search.tried} candidates, {found.search.assessed} assessed | {1e3 * solve:.0f} ms | | |",
        f"| one evaluation of these ({1.0 / each:,.0f} a second, extrapolated baseline) | {1e3 * each:.2f} ms | "
        f"{1e3 * embree:,.0f} ms | {embree / each:,.0f} |",
    ]


def embree_evaluation(task, view):
    """Seconds for the hits of the first head at each cell of a view, for each angle, by the baseline."""
    (rays,) = task.placed[0].emissions
    around = task.site.fixed.with_prisms(task.site.leaf(view.states[0]))
    counts = EmbreeCounts(rays, free_lengths(rays, around).lengths, view.body)
    rng, cells = np.random.default_rng(0), view.grid.rows * view.grid.columns
    some = np.column_stack([rng.choice(view.grid.centres_x, SAMPLED), rng.choice(view.grid.centres_y, SAMPLED)])
    return least_time(lambda: counts.counts(some), 3) / SAMPLED * cells * len(view.angles_deg)


def whole_search_rows():
    """A whole mount search of a door: zones, first look, grids, pairs, exact assessments, mounting errors, answer."""
    planner, request = Planner(), json.loads(SEARCH.read_bytes())
    request["angles"] = {"tilt_deg": {"least": -6.0, "most": 10.0, "step": 2.0},
                         "yaw_deg": {"least": -8.0, "most": 8.0, "step": 2.0}}  # fmt: skip
    body = json.dumps(request).encode()
    planner.mount_search(body)
    seconds = least_time(lambda: planner.mount_search(body), 3)
    found = planner.mount_search(body).search
    does = f"{found.looked_at:,} looked at, {found.judged} judged, {found.pairs:,} pairs, {found.assessed} assessed"
    return [f"| whole mount search of the dock door: {does} | {seconds:.2f} s | | |"]


_FIRST = """
import resource, sys
sys.modules["scipy"] = None  # numba imports it where it can; only the suite has it installed
from pathlib import Path
from sillcast import Planner
Planner().assess(Path({path!r}).read_bytes())
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0)
"""


def cold_rows():
    """A process of its own: from its start to its end, with one answer; the least of 3, kernels in the cache.

    As where the service is installed to run: without scipy, which is a tool of the suite and takes 0.2 s to import.
    """
    code, seconds, peak = _FIRST.format(path=str(STANDARD)), [], 0.0
    for _ in range(4):
        start = time.perf_counter()
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True, timeout=120)
        seconds.append(time.perf_counter() - start)
        peak = float(done.stdout)
    return [
        f"| cold start to the first answer (standard example) | {min(seconds[1:]):.2f} s | | |",
        f"| peak memory of that process | {peak:.0f} MiB | | |",
    ]


def growth_rows():
    """Growth of map, exact outlines and region of 3 hits with rays, obstacles and cells, from one scene."""
    rows, around = [], surroundings(np.random.default_rng(0))
    for count in (121, 241, 481, 961):
        rays = scanner(np.random.default_rng(0), 8, count)
        rows.append((f"{8 * count} rays", rays, around, GRID))
    rays = scanner(np.random.default_rng(0), 8, 241)
    for times in (1, 3, 10):
        prisms = [p for seed in range(times) for p in surroundings(np.random.default_rng(seed)).prisms]
        rows.append((f"{len(prisms)} obstacles", rays, Surroundings(Floors(), tuple(prisms)), GRID))
    for cell_m in (0.01, 0.02, 0.05, 0.1):
        rows.append((f"cells of {1e3 * cell_m:.0f} mm", rays, around, Grid.over(-3.0, 3.0, -6.0, 0.0, cell_m)))
    return [f"| {name} | {' | '.join(growth_times(*scene))} |" for name, *scene in rows]


def growth_times(rays, around, grid):
    clipped, three = free_lengths(rays, around), replace(rays, least_hits=3)
    times = [least_time(lambda: hit_counts(rays, free_lengths(rays, around), BODY, grid), 100)]
    if grid is GRID:
        times.append(least_time(lambda: exact_outlines(fans_of(rays), around), 20))
        times.append(least_time(lambda: detection_region(three, clipped, BODY), 20))
    return [f"{1e3 * seconds:.2f} ms" for seconds in times] + [""] * (3 - len(times))


LIMITS = """
What limits each row:

* clip and map: adding two numbers per row that a ray's set of places crosses, and one running sum per row; the cells
  hardly count until the counters leave the second-level cache.
* exact outlines: a quarter is the union of 8 to 19 contours for each body by the clipping library, a tenth the sweep
  (events times lines, for each plane), a tenth the making of the contours, the rest what Python does around them; with
  more obstacles the sweep grows.
* region of real rays: the union again, of 250 to 700 pieces of 6 (box) or 23 (cylinder) corners; more rays make fewer
  pieces, as sets of rays need no exact pieces of their own where rays lie close. With hits of the head also a coarse
  count that tells where several planes add, and the sums of rings there.
* map in cells of 10 mm: four times the cells cost twice as much. Each thread keeps its counters: fresh pages of memory
  for them took 1.6 of 2 ms, since the allocator hands blocks of this size back to the system and gets them anew.
* standard example: under a profiler the kernel's regions are a third; the rest is the making of the answer (shapes for
  the wire, sections, site checks) and booleans of areas.
* cold start: half is imports (numba not quite half of them), the rest reading compiled kernels and the first answer.
* search: in full, the map's kernel once per mount, on 5 cm; first look, the same on a third of the rays and a quarter
  of the places, which puts mounts in an order to be judged in. Rays that pass by the places are left out before
  anything else is asked of them. Two threads are timed by the wall's clock, so other work on the
  machine counts there. The baseline is what all mounts in full would cost.
"""


def machine():
    """What the table was measured on."""
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in LIBRARIES)
    load = ", ".join(f"{x:.1f}" for x in os.getloadavg())
    return (
        f"Measured {datetime.date.today()} on {platform.machine()}, {os.cpu_count()} cores, "
        f"{platform.python_implementation()} {platform.python_version()}, {versions}; back end {back_end()}. "
        f"Load averages at the start {load}. Times are the least of several "
        "runs by the processor's clock, medians over 5 scenes; under contention they come out up to twice as long, "
        "and ratios moved by a third from run to run (search: twofold). Map: 300 x 300 cells of 2 cm, 10 obstacles. "
        "The baseline casts with Embree: for maps and search "
        "the rays in the cone about the body at a sample of places, extrapolated; for outlines every ray once, then a "
        "hexagon for each ray and height, and one union (GEOS)."
    )


def report(mounts=5000):
    """Markdown of the whole table."""
    head = [
        "# Times",
        "",
        machine(),
        "",
        "| work | sillcast | Embree baseline | ratio |",
        "| --- | --- | --- | --- |",
    ]
    rows = [
        *map_rows("8 planes x 241 rays", laser, 200),
        *map_rows("camera 160 x 120", camera_head, 40),
        *outline_rows(),
        *search_rows(mounts),
        *standard_rows(),
        *advice_rows(),
        *whole_search_rows(),
        *cold_rows(),
    ]
    growth = ["", "| growth | 8-plane map | exact outlines | region of 3 hits |", "| --- | --- | --- | --- |"]
    return "\n".join([*head, *rows, *growth, *growth_rows(), LIMITS])


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else RESULTS
    target.write_text(report(), encoding="utf-8")
