"""What a door requires: zones on the floor, each number with its derivation; rule sets as data.

`required` is the whole job without sensors, `reviewed` looks at the sensors themselves; both are pure and fast.

Zones are sets of body centres. Their ids:

* `activation:<side>:<traveller>`: found here, the traveller meets an open door.
* `protection:<side>:...`: `near_strip`, `leaf_line`, `far_strip` (lift); `leaf_path`, `<end>_trailing_edge`
  (sliding); `<leaf>_leaf_swing`, `..._opening_half`, `..._closing_half`, `..._hinge_side` (swing); `<leaf>_fold`,
  `<leaf>_fold_line` (folding); `one_way` (wrong side of one-way traffic); `<x>_place` (places of a regulation);
  `separation`.
* `exclusion:<side>:<traveller or obstacle>`: detection is unwanted here.

Rule sets, each a data file under `rule_sets/`: `industrial_door` (EN 12453 family), `pedestrian_door_eu` (EN 16005),
`pedestrian_door_us` (ANSI/BHMA A156.10), `low_energy_swing` (A156.19), `residential_lift_us` (16 CFR 1211),
`machine_approach` (ISO 13855, editions 2010 and 2024), `site_defined` (assumes nothing). A number read in an official
text is `verified`, one read on a page about the standard `second_hand`; `from_memory` and `common_practice` mean what
they say. A rule set never claims conformity: the answer says which numbers were computed with which values, and that
codes and a competent person decide.
"""

from collections.abc import Mapping, Sequence

from sillcast import motion
from sillcast.contract import Door, Rules, Site, Traveller
from sillcast.errors import UncomputableError
from sillcast.kernel import TestBody
from sillcast.needs.activation import activation_zones
from sillcast.needs.bodies import catalogue
from sillcast.needs.exclusion import exclusion_zones
from sillcast.needs.heeded import remark_uncomputed, remark_unused
from sillcast.needs.limits import check_limits
from sillcast.needs.protection import protection_zones
from sillcast.needs.remarks import FINDINGS
from sillcast.needs.rules import Resolved, Rule, RuleSet, resolve, rule_faults, rule_sets, separation
from sillcast.needs.sensors import SensorFacts, check_sensors
from sillcast.needs.timing import check_timing
from sillcast.needs.zones import Ask, Needs, Responses, ZoneNeed

__all__ = [
    "FINDINGS",
    "Needs",
    "Resolved",
    "Rule",
    "RuleSet",
    "SensorFacts",
    "ZoneNeed",
    "catalogue",
    "required",
    "reviewed",
    "rule_faults",
    "rule_sets",
]


def required(
    door: Door,
    site: Site,
    traffic: Sequence[Traveller],
    rules: Rules,
    bodies: Mapping[str, TestBody],
    responses: Responses,
) -> Needs:
    """Zones that a door requires, with the derivation of each number.

    Parameters
    ----------
    door, site : Door, Site
        As the request describes them.
    traffic : sequence of Traveller
        Who passes through or by.
    rules : Rules
        Rule set, separation standard, overrides, assumed response.
    bodies : mapping
        Test bodies by name: the catalogue and the request's own.
    responses : mapping
        (purpose, side) to the response of its slowest sensor and where that comes from; where it is missing, the
        assumed response is taken and said so. [s]

    Returns
    -------
    needs : Needs
        Zones, derivations, remarks, overrides.

    Raises
    ------
    UncomputableError
        Unknown rule set, edition, override or body; a door whose motion cannot be computed; a lane without edges.
    """
    ask = _ask(door, site, traffic, rules, bodies, responses)
    activation = activation_zones(ask)
    zones = [*activation, *protection_zones(ask), *exclusion_zones(ask, activation)]
    check_timing(ask, zones)
    check_limits(ask)
    remark_uncomputed(ask)
    used = {o.name: o for r in (ask.rule, ask.separation) if r is not None for o in r.used()}
    label = ", ".join(r.label for r in (ask.rule, ask.separation) if r is not None)
    return Needs(tuple(zones), tuple(ask.derivations), tuple(ask.findings), tuple(used.values()), label, ask.unread)


def reviewed(door: Door, rules: Rules, sensors: Sequence[SensorFacts], unread: Sequence[str] = ()) -> Needs:
    """Remarks on sensors against the door: heads in the leaf's way, beams it crosses, muting, stated levels.

    Parameters
    ----------
    door : Door
        The door.
    rules : Rules
        Rule set and overrides.
    sensors : sequence of SensorFacts
        All sensors, in the order of the request.
    unread : sequence of str
        Overrides that nothing was computed with before, of which those that are not read here either are remarked on.

    Returns
    -------
    needs : Needs
        Remarks in the order of the sensors and the derivations of their limits; no zones.

    Raises
    ------
    UncomputableError
        As `required`; and if muting names a sensor that is not there.
    """
    ask = _ask(door, Site(), (), rules, {}, {})
    ask.scope = "sensors"
    check_sensors(ask, sensors)
    remark_unused(ask, unread)
    return Needs((), tuple(ask.derivations), tuple(ask.findings), (), ask.rule.label)


def _ask(
    door: Door,
    site: Site,
    traffic: Sequence[Traveller],
    rules: Rules,
    bodies: Mapping[str, TestBody],
    responses: Responses,
) -> Ask:
    if found := motion.faults(door):
        raise UncomputableError(found)
    return Ask(door, site, traffic, rules, resolve(rules), separation(rules), bodies, responses)
