"""Limits of energy, force and control, and whether the rule set is written for the door at all."""

from typing import Any

from sillcast import motion
from sillcast.contract import Folding, Swing
from sillcast.needs.zones import Ask, given

__all__ = ["LEVELS", "check_limits", "energy_is_low", "level_shortfall"]

LEVELS = "abcde"
# Faster than that a unit is doubted: a runner and a fast truck, in m/s; who is narrower than this goes on foot, in m.
_FAST_ON_FOOT_M_PER_S, _FAST_M_PER_S, _NARROW_M = 4.0, 6.0, 0.75  # common practice, no source


def check_limits(ask: Ask) -> None:
    """Write the remarks and derivations on limits into the ledger."""
    kind, fit = motion.kind(ask.door), ask.rule.set.motions
    if kind not in fit:
        ask.remark("set_not_for_motion", "/rules/set", set=ask.rule.set.name, motions=", ".join(fit), motion=kind)
    _speeds(ask)
    _energy(ask)
    _forces(ask)
    control = ask.door.control
    level_shortfall(ask, "The door's control", "/door/control", control.performance_level, control.category)
    if isinstance(ask.door.motion, Swing | Folding) and ask.rule.given("finger_height_m"):
        height, name = ask.limit("finger_height_m")
        ask.remark("finger_guard", "/door/motion", derivation=name, height_m=height)
    if ask.door.leaf.see_through:
        ask.remark("see_through_leaf", "/door/leaf/see_through")


def _speeds(ask: Ask) -> None:
    """Travellers so fast that the unit is doubtful; what is narrow goes on foot."""
    for i, traveller in enumerate(ask.traffic):
        speed, width = traveller.speed_m_per_s, traveller.width_m
        if speed > (_FAST_ON_FOOT_M_PER_S if width < _NARROW_M else _FAST_M_PER_S):
            ask.remark(
                "traveller_fast", f"/traffic/{i}/speed_m_per_s", traveller=traveller.name, width_m=width,
                speed_m_per_s=speed, speed_km_per_h=3.6 * speed, as_km_per_h_m_per_s=speed / 3.6,
            )  # fmt: skip


def _greatest_energy(ask: Ask, mass: float) -> tuple[str, float, float]:
    """Move, greatest energy and speed of one leaf; folding panels are looked at along the whole move."""
    best = ("opening", 0.0, 0.0)
    profiles = (("opening", motion.opening_profile(ask.door)), ("closing", motion.closing_profile(ask.door)))
    for name, profile in profiles:
        moments = [(0.0, profile.peak_speed)]  # only folding panels depend on where the leaf is
        if isinstance(ask.door.motion, Folding):
            times = [profile.duration * k / 200.0 for k in range(1, 200)]
            moments = [(profile.position(t) / motion.travel_m(ask.door), profile.speed(t)) for t in times]
        for done, speed in moments:
            state = done if name == "opening" else max(ask.door.motion.partial_opening - done, 1e-6)
            energy = motion.kinetic_energy_j(ask.door, mass_kg=mass, speed_m_per_s=speed, state=state)
            best = max(best, (name, energy, speed), key=lambda found: found[1])
    return best


def energy_is_low(ask: Ask) -> bool:
    """True if the leaf's mass is known and its greatest energy stays within the rule set's limit."""
    mass = ask.door.leaf.mass_kg
    if mass is None or not ask.rule.given("kinetic_energy_j"):
        return False
    return _greatest_energy(ask, mass)[1] <= ask.rule.value("kinetic_energy_j")


def _energy(ask: Ask) -> None:
    if not ask.rule.given("kinetic_energy_j"):
        return
    limit, mass = ask.rule.value("kinetic_energy_j"), ask.door.leaf.mass_kg
    if mass is None:
        ask.remark("energy_unknown", "/door/leaf/mass_kg", limit_j=limit)
        return
    move, energy, speed = _greatest_energy(ask, mass)
    source, status = ask.rule.source("kinetic_energy_j")
    inputs = [
        given("mass", mass, "kg", "/door/leaf/mass_kg"),
        given("speed", speed, "m/s", f"/door/motion/{move}"),
        ask.rule.input("kinetic_energy_j"),
    ]
    formula = "m v^2 / 2; a swing leaf as a thin plate m v^2 / 6, v at its edge; folding panels by their angle"
    name = ask.derive("door/kinetic_energy", formula, inputs, energy, unit="J", source=source, status=status)
    if energy > limit:
        slower = speed * (limit / energy) ** 0.5
        values: dict[str, Any] = {"energy_j": energy, "limit_j": limit, "move": move, "speed_m_per_s": slower}
        ask.remark("energy_over", f"/door/motion/{move}", derivation=name, **values)
    elif ask.rule.set.protection == "energy":
        ask.remark("energy_limited", "/door/motion", derivation=name, limit_j=limit, energy_j=energy)


def _forces(ask: Ask) -> None:
    control = ask.door.control
    if control.kind == "hold_to_run":
        ask.remark("hold_to_run", "/door/control/kind")
    if control.kind != "force_limited":
        return
    measured = (
        ("peak", control.peak_force_n, "peak_force_n"),
        ("residual", control.residual_force_n, "residual_force_n"),
    )
    for which, force, rule in measured:
        if not ask.rule.given(rule):
            continue
        (limit, name), pointer = ask.limit(rule), f"/door/control/{rule}"
        if force is None:
            ask.remark("force_not_measured", pointer, derivation=name, which=which, limit_n=limit)
        elif force > limit:
            ask.remark("force_over", pointer, derivation=name, which=which, force_n=force, limit_n=limit)


def level_shortfall(ask: Ask, who: str, pointer: str, level: str | None, category: str | None) -> None:
    """Remark a performance level or category (ISO 13849-1 terms) below what the set asks for, or not stated."""
    if not ask.rule.given("performance_level_least"):
        return
    limit, name = ask.limit("performance_level_least")
    least, least_category = int(limit), ask.limit("category_least")[0] if ask.rule.given("category_least") else 0.0
    least_level = LEVELS[max(min(least, 5), 1) - 1]
    words = f"performance level {least_level}" + (f", category {least_category:.0f}" if least_category > 0.0 else "")
    asked: dict[str, Any] = {
        "least_level": least_level,
        "least_category": least_category,
        "asked": f"{words} or better",
    }
    if level is None or (category is None and least_category > 0.0):
        ask.remark("level_unknown", pointer, derivation=name, who=who, **asked)
        return
    has = -1.0 if category in (None, "B") else float(str(category))
    if LEVELS.index(level) + 1 < least or (has < least_category and least_category > 0.0):
        ask.remark(
            "level_short", pointer, derivation=name, who=who, level=level, category=category or "not stated", **asked
        )
