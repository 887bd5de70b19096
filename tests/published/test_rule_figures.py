"""Each figure of the rule sets against the outside figure it stands for, in the unit in which that was published."""

import pytest

from sillcast import needs
from sillcast.contract import (
    Door,
    Leaf,
    Opening,
    Override,
    Phase,
    Rules,
    SeparationChoice,
    Site,
    Sliding,
    Swing,
    VerticalLift,
)
from sillcast.needs import SensorFacts

INCH, FOOT, POUND_FORCE, FOOT_POUND = 0.0254, 0.3048, 4.4482216, 1.3558179483


def figure(name: str, rule: str, edition: str = ""):
    return next(r for r in needs.rule_sets()[name].rules if r.name == rule and r.edition in ("", edition))


# (set, rule, edition, published value in SI, half of the last printed digit, status); the comment names the source.
FIGURES = [
    # ANSI/BHMA A156.10-2005, clause summary on a public page: 43 in, 5 in, 6 in/s, 30 s, 6 in, 24 in.
    ("pedestrian_door_us", "activation_depth_m", "", 43 * INCH, 0.0005, "second_hand"),
    ("pedestrian_door_us", "activation_inner_m", "", 5 * INCH, 0.0005, "second_hand"),
    ("pedestrian_door_us", "strip_depth_m", "", 5 * INCH, 0.0005, "second_hand"),
    ("pedestrian_door_us", "inactive_strip_m", "", 5 * INCH, 0.0005, "second_hand"),
    ("pedestrian_door_us", "least_speed_seen_m_per_s", "", 6 * INCH, 0.0005, "second_hand"),
    ("pedestrian_door_us", "stationary_s", "", 30.0, 0.0, "second_hand"),
    ("pedestrian_door_us", "unprotected_gap_m", "", 6 * INCH, 0.0005, "second_hand"),
    ("pedestrian_door_us", "one_way_depth_m", "", 24 * INCH, 0.0005, "second_hand"),
    # A156.10, FROM MEMORY: 7 lbf ft, 30 lbf.
    ("pedestrian_door_us", "kinetic_energy_j", "", 7 * FOOT_POUND, 0.005, "from_memory"),
    ("pedestrian_door_us", "peak_force_n", "", 30 * POUND_FORCE, 0.05, "from_memory"),
    # 16 CFR 1211.11(a), (b), 1211.7(a), (b), 1211.12(a), (b): 1 ft, 1 in, 2 s, 1 ft, 1 in, 15 lbf, 2 in, 30 000.
    ("residential_lift_us", "edge_place_m", "", 1 * FOOT, 0.0005, "verified"),
    ("residential_lift_us", "end_place_m", "", 1 * INCH, 0.0, "verified"),
    ("residential_lift_us", "reversal_initiated_s", "", 2.0, 0.0, "verified"),
    ("residential_lift_us", "reversal_exempt_m", "", 1 * FOOT, 0.0005, "verified"),
    ("residential_lift_us", "floor_object_m", "", 1 * INCH, 0.0, "verified"),
    ("residential_lift_us", "edge_force_n", "", 15 * POUND_FORCE, 0.05, "verified"),
    ("residential_lift_us", "unprotected_gap_m", "", 2 * INCH, 0.0, "verified"),
    ("residential_lift_us", "edge_cycles", "", 30000.0, 0.0, "verified"),
    # US door trade association's inspection text, quoted on a home-inspector forum: beam no higher than 6 in.
    ("residential_lift_us", "beam_height_most_m", "", 6 * INCH, 0.0005, "second_hand"),
    # UK door-trade magazine, summer 2016, p. 6, on EN 12453: 400 N, 150 N within 0.75 s, 25 N by 5 s.
    ("industrial_door", "peak_force_n", "", 400.0, 0.0, "second_hand"),
    ("industrial_door", "sustained_force_n", "", 150.0, 0.0, "second_hand"),
    ("industrial_door", "sustained_after_s", "", 0.75, 0.0, "second_hand"),
    ("industrial_door", "residual_force_n", "", 25.0, 0.0, "second_hand"),
    ("industrial_door", "residual_after_s", "", 5.0, 0.0, "second_hand"),
    # EN 12978, FROM MEMORY: PL c category 2.
    ("industrial_door", "performance_level_least", "", 3.0, 0.0, "from_memory"),
    ("industrial_door", "category_least", "", 2.0, 0.0, "from_memory"),
    # Trade training slides comparing BS 7036 and EN 16005: PL c, 2000 mm, 2500 mm.
    ("pedestrian_door_eu", "performance_level_least", "", 3.0, 0.0, "second_hand"),
    ("pedestrian_door_eu", "finger_height_m", "", 2.0, 0.0, "second_hand"),
    ("pedestrian_door_eu", "danger_height_m", "", 2.5, 0.0, "second_hand"),
    # EN 16005, FROM MEMORY: 1000 mm, 1500 mm, 80 N.
    ("pedestrian_door_eu", "activation_depth_m", "", 1.0, 0.0, "from_memory"),
    ("pedestrian_door_eu", "escape_depth_m", "", 1.5, 0.0, "from_memory"),
    ("pedestrian_door_eu", "residual_force_n", "", 80.0, 0.0, "from_memory"),
    # Code-education article, December 2019, on A156.19 Tables I and II; two public pages: 3.0 s, 1.5 s, 1.5 s, 5 s.
    ("low_energy_swing", "move_least_s", "", 3.0, 0.0, "second_hand"),
    ("low_energy_swing", "full_move_added_s", "", 1.5, 0.0, "second_hand"),
    ("low_energy_swing", "latch_least_s", "", 1.5, 0.0, "second_hand"),
    ("low_energy_swing", "hold_open_least_s", "", 5.0, 0.0, "second_hand"),
    # A156.19, FROM MEMORY: 1.25 lbf ft, 15 lbf (67 N), 133, 2260.
    ("low_energy_swing", "kinetic_energy_j", "", 1.25 * FOOT_POUND, 0.005, "from_memory"),
    ("low_energy_swing", "peak_force_n", "", 15 * POUND_FORCE, 0.5, "from_memory"),
    ("low_energy_swing", "swing_divisor", "", 133.0, 0.0, "from_memory"),
    ("low_energy_swing", "swing_divisor_metric", "", 2260.0, 0.0, "from_memory"),
    # ISO 13855, engineering consultancy's standards wiki: K 1600, C = 1200 - 0.4 H >= 850; D_DS 1200, crawling 200.
    ("machine_approach", "approach_speed_mm_per_s", "2010", 1600.0, 0.0, "second_hand"),
    ("machine_approach", "approach_speed_mm_per_s", "2024", 1600.0, 0.0, "second_hand"),
    ("machine_approach", "intrusion_mm", "2010", 1200.0, 0.0, "second_hand"),
    ("machine_approach", "intrusion_per_height", "2010", 0.4, 0.0, "second_hand"),
    ("machine_approach", "intrusion_least_mm", "2010", 850.0, 0.0, "second_hand"),
    ("machine_approach", "intrusion_mm", "2024", 1200.0, 0.0, "second_hand"),
    ("machine_approach", "intrusion_per_height", "2024", 0.0, 0.0, "second_hand"),
    ("machine_approach", "crawl_under_mm", "2024", 200.0, 0.0, "second_hand"),
    # ISO 13855:2010, FROM MEMORY: crawling above 300 mm.
    ("machine_approach", "crawl_under_mm", "2010", 300.0, 0.0, "from_memory"),
    # EN ISO 13855:2025 scope, catalogue abstract: 14 years and older.
    ("machine_approach", "scope_age_years", "2024", 14.0, 0.0, "verified"),
    # 2005 TCRP-NCHRP study: 15th percentile older than 60, 3.03 ft/s.
    ("industrial_door", "walking_speed_slow_m_per_s", "", 3.03 * FOOT, 0.005, "verified"),
]


@pytest.mark.parametrize(("name", "rule", "edition", "published", "printed", "status"), FIGURES)
def test_figure(name, rule, edition, published, printed, status) -> None:
    found = figure(name, rule, edition)
    assert found.value == pytest.approx(published, rel=1e-9, abs=printed)
    assert found.status == status


@pytest.mark.parametrize(
    ("body", "sizes"),
    [
        # EN 16005:2012 Annex C, second-hand: 700 x 300 x 200 mm, standing and lying.
        ("reference_body_upright", (0.30, 0.20, 0.70)),
        ("reference_body_lying", (0.70, 0.30, 0.20)),
        # 16 CFR 1211.11(c): 6 in high, 12 in long, perpendicular to the door plane.
        ("floor_plate", (0.01, 12 * INCH, 6 * INCH)),
        # 16 CFR 1211.7(b): 1 in high.
        ("low_strip", (0.30, 0.30, 1 * INCH)),
        # A156.10 8.1.2, second-hand: 28 in high.
        ("person_28_in", (0.30, 0.20, 28 * INCH)),
        # FHWA-RD-98-107 sec. 2.1: ellipse 500 x 600 mm; the largest box in it has sides of 1/sqrt(2).
        ("person_standing", (0.600 / 2**0.5, 0.500 / 2**0.5, 1.50)),
    ],
)
def test_body_sizes(body, sizes) -> None:
    found = needs.catalogue()[body]
    # Printed to the millimetre.
    assert (found.width_m, found.depth_m, found.height_m) == pytest.approx(sizes, abs=0.0006)
    assert found.source


def test_person_lies_inside_the_published_ellipse_not_its_rectangle() -> None:
    # FHWA-RD-98-107 sec. 2.1 states 0.3 m2 for the 500 x 600 mm ellipse, which is its rectangle; the ellipse has 0.236.
    person = needs.catalogue()["person_standing"]
    corner = (person.width_m / 2 / 0.300) ** 2 + (person.depth_m / 2 / 0.250) ** 2
    assert corner == pytest.approx(1.0, abs=0.005)  # sizes to the millimetre
    assert person.width_m * person.depth_m < 0.236


def test_residual_force_sources_disagree_and_both_say_so() -> None:
    industrial, pedestrian = (
        figure("industrial_door", "residual_force_n"),
        figure("pedestrian_door_eu", "residual_force_n"),
    )
    assert (industrial.value, pedestrian.value) == (25.0, 80.0)
    assert "disagree" in industrial.note
    assert "disagree" in pedestrian.note


def test_regulation_misprint_is_told() -> None:
    # 16 CFR 1211.12(a) prints 50.4 mm for 2 in, which is 50.8 mm.
    found = figure("residential_lift_us", "unprotected_gap_m")
    assert found.value == pytest.approx(0.0508)
    assert "50.4" in found.note


def test_walking_speeds_named_in_the_note() -> None:
    # TCRP-NCHRP 2005: young 3.77 ft/s = 1.15 m/s; MUTCD history (LaPlante and Kaeser 2007): 3.5 ft/s = 1.07 m/s.
    note = figure("industrial_door", "walking_speed_slow_m_per_s").note
    assert "1.15 m/s" in note
    assert "1.07 m/s" in note


def _lift(stopping: float) -> Door:
    phase = Phase(speed_m_per_s=0.5)
    motion = VerticalLift(opening=phase, closing=phase, stopping_time_s=stopping)
    return Door(opening=Opening(width_m=3.0, height_m=3.0), motion=motion)


@pytest.mark.parametrize(
    ("edition", "height_mm", "expected_m"),
    [("2010", 0.0, 1.680), ("2010", 300.0, 1.560), ("2010", 500.0, 1.480), ("2010", 1000.0, 1.330),
     ("2024", 0.0, 1.680), ("2024", 300.0, 1.680), ("2024", 1000.0, 1.680)],
)  # fmt: skip
def test_separation_zone_through_the_whole_way(edition, height_mm, expected_m) -> None:
    # ISO 13855 both editions, second-hand formulas, T = 0.3 s (response 0.1 + stopping 0.2): exact arithmetic.
    rules = Rules(
        separation=SeparationChoice(set="machine_approach", edition=edition),
        overrides=(Override(name="field_height_mm", value=height_mm, reason="height of the field"),),
    )
    known = {("protection", side): (0.1, "/sensors/0") for side in ("near", "far")}
    found = needs.required(_lift(0.2), Site(), (), rules, needs.catalogue(), known)
    distance = next(d for d in found.derivations if d.id == "protection:near:separation/distance")
    assert distance.result == pytest.approx(expected_m, abs=1e-12)
    assert distance.status == "second_hand"


@pytest.mark.parametrize(
    ("width_in", "weight_lb", "expected_s"), [(36, 125, 3.5), (36, 100, 3.0), (36, 200, 4.0), (42, 150, 4.0)]
)
def test_low_energy_times_through_the_whole_way(width_in, weight_lb, expected_s) -> None:
    # Only 36 in, 125 lb is confirmed from outside (A156.19 Table I, second-hand); the others are the remembered formula
    # D sqrt(W) / 133 rounded up to the half second.
    phase = Phase(time_s=10.0, acceleration_m_per_s2=5.0, deceleration_m_per_s2=5.0)
    door = Door(
        opening=Opening(width_m=width_in * INCH, height_m=2.1),
        motion=Swing(opening=phase, closing=phase, hold_open_s=6.0),
        leaf=Leaf(mass_kg=weight_lb * 0.45359237),
    )
    found = needs.required(door, Site(), (), Rules(set="low_energy_swing"), needs.catalogue(), {})
    least = next(d for d in found.derivations if d.id == "door/least_swing_time")
    assert least.result == expected_s
    assert least.status == "from_memory"


def test_light_sliding_leaf_of_160_lb_at_1_ft_per_s_keeps_the_remembered_energy() -> None:
    # A156.10, FROM MEMORY: 7 lbf ft; 160 lb at 1 ft/s have 2.49 lbf ft, at 2 ft/s 9.95 lbf ft.
    def remarks(speed: float) -> list[str]:
        phase = Phase(speed_m_per_s=speed * FOOT)
        motion = Sliding(opening=phase, closing=phase)
        door = Door(opening=Opening(width_m=1.2, height_m=2.1), motion=motion, leaf=Leaf(mass_kg=160 * 0.45359237))
        found = needs.required(door, Site(), (), Rules(set="pedestrian_door_us"), needs.catalogue(), {})
        return [f.code for f in found.findings]

    assert "core.energy_over" not in remarks(1.0)
    assert "core.energy_over" in remarks(2.0)


def _beam(height_m: float, response_s: float) -> list[str]:
    ends = ((-1.49, 0.08, height_m), (1.49, 0.08, height_m))
    more = {"beams": (ends,), "response_s": response_s, "sits": "opening"}
    sensor = SensorFacts("beam", "/sensors/0", ("protection",), ends[0], **more)
    return [f.code for f in needs.reviewed(_lift(0.2), Rules(set="residential_lift_us"), (sensor,)).findings]


def test_beam_of_a_residential_door() -> None:
    # Trade association's inspection text, second-hand: no higher than 6 in. 16 CFR 1211.11(d): blocked for 19.8 ms.
    assert _beam(0.152, 0.0197) == []
    assert _beam(0.153, 0.0197) == ["core.beam_too_high"]
    assert _beam(0.152, 0.0200) == ["core.beam_too_slow"]


def test_residential_door_without_second_means() -> None:
    # 16 CFR 1211.6(b): a second means besides inherent reversal, or a control held in sight of the door.
    found = needs.reviewed(_lift(0.2), Rules(set="residential_lift_us"), ())
    assert [(f.code, f.severity) for f in found.findings] == [("core.no_second_means", "critical")]


@pytest.mark.parametrize(("stop_s", "printed_in"), [(0.126, 8), (0.317, 20), (0.396, 25)])
def test_osha_chart_through_the_whole_way(stop_s, printed_in) -> None:
    # OSHA machine-guarding eTool (verified): 63 in/s x Ts, rounded to the half inch in the chart.
    rules = Rules(separation=SeparationChoice(set="machine_approach", edition="29 CFR 1910.217"))
    known = {("protection", side): (0.0, "/sensors/0") for side in ("near", "far")}
    found = needs.required(_lift(stop_s), Site(), (), rules, needs.catalogue(), known)
    distance = next(d for d in found.derivations if d.id == "protection:near:separation/distance")
    assert distance.result / INCH == pytest.approx(printed_in, abs=0.07)
    assert distance.status == "verified"
    assert "core.separation_scope" not in [f.code for f in found.findings]


@pytest.mark.parametrize(
    ("total_s", "capability_mm", "expected_m"), [(0.4, 30.0, 0.768), (0.2, 30.0, 0.5), (0.3, 70.0, 1.33)]
)
def test_curtain_distance_from_memory_is_shown_beside_the_field(total_s, capability_mm, expected_m) -> None:
    # ISO 13855:2010 cl. 6.2.3, FROM MEMORY.
    rules = Rules(
        separation=SeparationChoice(set="machine_approach", edition="2010"),
        overrides=(Override(name="detection_capability_mm", value=capability_mm, reason="curtain"),),
    )
    known = {("protection", side): (0.0, "/sensors/0") for side in ("near", "far")}
    found = needs.required(_lift(total_s), Site(), (), rules, needs.catalogue(), known)
    curtain = next(d for d in found.derivations if d.id == "protection:near:separation/curtain")
    assert curtain.result == pytest.approx(expected_m, abs=1e-12)
    assert curtain.status == "from_memory"
