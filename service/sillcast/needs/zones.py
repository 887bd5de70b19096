"""What the parts of this package share: a zone, what is needed in all, and the ledger that they write to."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import radians, tan
from typing import Any

from sillcast import motion
from sillcast.contract import (
    Derivation,
    DerivationInput,
    Door,
    Finding,
    OverrideUsed,
    Rules,
    Side,
    Site,
    Traveller,
)
from sillcast.errors import Fault, UncomputableError, quoted
from sillcast.kernel import Region, TestBody
from sillcast.needs.remarks import remark
from sillcast.needs.rules import Resolved

__all__ = ["CLOSING_STATES", "OWN", "SIDES", "Ask", "Needs", "Responses", "ZoneNeed", "given", "outwards"]

Responses = Mapping[tuple[str, str], tuple[float, str]]
SIDES: tuple[Side, Side] = ("near", "far")
CLOSING_STATES = (1.0, 0.75, 0.5, 0.25)
OWN = ("own derivation", "own_derivation")


@dataclass(frozen=True, eq=False)
class ZoneNeed:
    """Required area: the set of body centres at which the body must be detected.

    Attributes
    ----------
    id : str
        `<kind>:<side>:<traveller or leaf>`.
    kind : str
        `activation`, `protection` or `exclusion`.
    side : str
        `near` or `far`; by convention `near` for what lies under the leaf.
    label : str
        What a person calls it.
    region : Region
        Area in plan. [m]
    body : TestBody
        Body to be detected.
    angles_deg : tuple of float
        Turns of the body, each of which must be detected. [deg]
    states : tuple of float
        Leaf states at which it is judged. [1]
    weight : float
        Weight among zones of its kind. [1]
    derivations : tuple of str
        Ids of the derivations of its edges.
    subject : str
        JSON pointer to the traveller, the obstacle or the door.
    velocities_m_per_s : tuple of (x, y)
        How the body may move in plan; empty for one that may stand still. [m/s]
    stays_open_s : (float, float)
        How long the door is sure to let the body through, from the first signal and from the last one. [s]
    during : tuple of str
        Movements of the leaf from which it protects, `opening` or `closing`.
    in_place_of : str
        Obstacle that the body is a piece of, and that counts as gone where the body is looked for; empty for all else.
    hangs_from_m : float or None
        Height in the door frame at which a body that hangs begins; None for one that stands on the floor. [m]
    """

    id: str
    kind: str
    side: str
    label: str
    region: Region
    body: TestBody
    states: tuple[float, ...]
    derivations: tuple[str, ...]
    subject: str
    angles_deg: tuple[float, ...] = (0.0, 90.0)
    weight: float = 1.0
    velocities_m_per_s: tuple[tuple[float, float], ...] = ()
    stays_open_s: tuple[float, float] = (0.0, 0.0)
    during: tuple[str, ...] = ("closing",)
    in_place_of: str = ""
    hangs_from_m: float | None = None

    @property
    def is_under_leaf(self) -> bool:
        """True if it lies on both sides of the leaf plane, so that a head on either side can see it."""
        _, y0, _, y1 = self.region.bounds
        return not self.region.is_empty and y0 < 0.0 < y1


@dataclass
class Needs:
    """What a door needs, with reasons.

    Attributes
    ----------
    zones : tuple of ZoneNeed
        Required zones, in the order of traffic, then leaf, then exclusions.
    derivations : tuple of Derivation
        One for each number.
    findings : tuple of Finding
        Remarks.
    overrides : tuple of OverrideUsed
        Rule values that the request replaced.
    rule_set : str
        Name, edition and revision of the rule set.
    unread : tuple of str
        Overrides that nothing was computed with.
    """

    zones: tuple[ZoneNeed, ...]
    derivations: tuple[Derivation, ...]
    findings: tuple[Finding, ...]
    overrides: tuple[OverrideUsed, ...]
    rule_set: str
    unread: tuple[str, ...] = ()


def given(name: str, value: float | str, unit: str, origin: str) -> DerivationInput:
    """One input of a derivation: name, value, unit, and JSON pointer, rule or derivation that it comes from."""
    return DerivationInput(name=name, value=value, unit=unit, origin=origin)


def outwards(side: str) -> float:
    """Sign of y that leads away from the door: -1 near, +1 far. [1]"""
    return -1.0 if side == "near" else 1.0


@dataclass(eq=False)
class Ask:
    """One call's inputs, and the ledger of derivations and findings."""

    door: Door
    site: Site
    traffic: Sequence[Traveller]
    rules: Rules
    rule: Resolved
    separation: Resolved | None
    bodies: Mapping[str, TestBody]
    responses: Responses
    scope: str = "door"
    tag: str = ""
    derivations: list[Derivation] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def derive(self, where: str, formula: str, inputs: list[DerivationInput], result: float, **words: str) -> str:
        """Write a derivation down and return its id; the quantity is its last part, the unit [m] unless said."""
        words = {"unit": "m", "source": OWN[0], "status": OWN[1]} | words
        quantity = where.rsplit("/", 1)[1]
        self.derivations.append(
            Derivation(id=where, quantity=quantity, formula=formula, inputs=inputs, result=result, **words)
        )
        return where

    def limit(self, name: str) -> tuple[float, str]:
        """Value of a rule that limits something, and the id of its derivation, written down once. [unit of the rule]"""
        where, value = f"{self.scope}/{name}", self.rule.value(name)
        if all(derivation.id != where for derivation in self.derivations):
            unit, (source, status) = self.rule.rules[name].unit, self.rule.source(name)
            note, inputs = self.rule.rules[name].note, [self.rule.input(name)]
            formula = "value of the rule set"
            self.derive(where, formula, inputs, value, unit=unit, source=source, status=status, note=note)
        return value, where

    @property
    def unread(self) -> tuple[str, ...]:
        """Overrides that nothing has been computed with so far, in the order of the request."""
        read = {name for known in (self.rule, self.separation) if known is not None for name in known.read}
        return tuple(o.name for o in self.rules.overrides if o.name not in read)

    def remark(self, key: str, *subjects: str, zone: str = "", derivation: str = "", **values: Any) -> None:
        """Write a remark down."""
        self.findings.append(remark(key, subjects=subjects, zone=zone, derivation=derivation, **values))

    def response(self, purpose: str, side: str) -> DerivationInput:
        """Response of the slowest sensor of a purpose and side, or the assumed one, said so."""
        if (purpose, side) in self.responses:
            seconds, origin = self.responses[purpose, side]
            return given("sensor_response", seconds, "s", origin)
        name = f"sensor_response (assumed: no sensor serves {purpose} on the {side} side)"
        return given(name, self.rules.assumed_response_s, "s", "/rules/assumed_response_s")

    def body(self, name: str, pointer: str) -> TestBody:
        """Body of that name.

        Raises
        ------
        UncomputableError
            If there is none.
        """
        if name not in self.bodies:
            fault = Fault(pointer, "unknown_body", f"There is no body {name}.", ", ".join(self.bodies), quoted(name))
            raise UncomputableError([fault])
        return self.bodies[name]

    def value(self, name: str, zone: str) -> float | None:
        """Value of a rule [its unit], or None with a remark where neither the set nor the request gives one."""
        if self.rule.given(name):
            return self.rule.value(name)
        if not any(f.code == "core.set_value_missing" and f.values["name"] == name for f in self.findings):
            self.remark("set_value_missing", "/rules/overrides", zone=zone, set=self.rule.set.name, name=name)
        return None

    def protection(self, side: str, name: str) -> str:
        """Id of a protection zone; further bodies beside the rule set's own are named in it."""
        return f"protection:{side}:{name}{self.tag}"

    def floor_m(self, side: str, out_m: float) -> float:
        """Height of the floor of a side, so far out from the leaf plane. [m]"""
        floor = getattr(self.site.floor, side)
        return float(floor.level_m + tan(radians(floor.slope_deg)) * out_m)

    def face_m(self, side: str) -> float:
        """Distance of the leaf's face on a side from the leaf plane. [m]"""
        return motion.leaf_face_m(self.door, side)

    def face(self, side: str) -> tuple[str, list[DerivationInput]]:
        """That distance as a formula, with its inputs."""
        thickness = self.door.leaf.thickness_m
        inputs = [given("leaf_thickness", thickness, "m", "/door/leaf/thickness_m")]
        if self.face_m(side) == thickness / 2.0:
            return "thickness / 2", inputs
        behind = abs(motion.rear_plane_m(self.door))
        return "thickness / 2 + rear_panel", [*inputs, given("rear_panel", behind, "m", "/door/motion/panel_pitch_m")]

    def half_width_m(self, body: TestBody) -> float:
        """Greatest distance of a body's centre from the middle of the opening. [m]"""
        return (self.door.opening.width_m - body.width_m) / 2.0

    def touch_m(self, body: TestBody, side: str) -> float:
        """Distance from the leaf plane at which a body's centre no longer touches the leaf on a side. [m]"""
        return self.face_m(side) + body.depth_m / 2.0
