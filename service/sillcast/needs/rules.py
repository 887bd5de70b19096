"""Rule sets as data: numbers with unit, clause, source, edition and how sure we are of them; overrides on top."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from sillcast import contract
from sillcast.contract.base import Wire
from sillcast.errors import Fault, UncomputableError

__all__ = ["Resolved", "Rule", "RuleSet", "resolve", "rule_sets", "separation"]

Status = Literal["verified", "second_hand", "from_memory", "common_practice"]


class Rule(Wire, frozen=True, kw_only=True):
    """One number of a rule set."""

    name: Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_]*(?![\s\S])", max_length=64)]
    value: Annotated[float, Meta(ge=-1e6, le=1e6, description="In the unit of the rule.")]
    unit: str
    clause: Annotated[str, Meta(description="Clause or table; empty where none is known.")] = ""
    source: Annotated[str, Meta(description="Where the number was read, or that it is practice or memory.")]
    edition: Annotated[str, Meta(description="Edition that the number belongs to; empty for all.")] = ""
    status: Status
    note: Annotated[str, Meta(description="Limits of validity, and where sources disagree.")] = ""
    least_override: Annotated[float, Meta(ge=0.0, le=1e6, description="An override must be at least this.")] = 0.0
    must_be_given: Annotated[bool, Meta(description="True: the set assumes nothing here, the request gives it.")] = (
        False
    )


class RuleSet(Wire, frozen=True, kw_only=True):
    """A named set of rules."""

    name: str
    title: str
    revision: Annotated[str, Meta(description="Of this data file.")]
    editions: Annotated[tuple[str, ...], Meta(min_length=1, description="Newest last, taken by default.")]
    summary: str
    scope: Annotated[str, Meta(description="For what it is, and for what not.")]
    motions: Annotated[tuple[str, ...], Meta(description="Motions that the set is written for.")]
    protection: Annotated[
        Literal["strip", "places", "separation", "energy", "given"],
        Meta(
            description="How protection is laid out: strip at the leaf, places, separation distance, limits, or given."
        ),
    ]
    body: Annotated[str, Meta(description="Body to be detected for protection.")]
    activation_body: Annotated[str, Meta(description="Body to be detected for activation.")]
    rules: tuple[Rule, ...]
    cautions: tuple[str, ...] = ()


@cache
def rule_sets() -> Mapping[str, RuleSet]:
    """All rule sets by name, in order of their names."""
    decoder = msgspec.json.Decoder(RuleSet)
    folder = files("sillcast") / "rule_sets"
    read = [decoder.decode(f.read_bytes()) for f in folder.iterdir() if f.name.endswith(".json")]
    return MappingProxyType({s.name: s for s in sorted(read, key=lambda s: s.name)})


@dataclass(frozen=True, eq=False)
class Resolved:
    """A rule set at one edition, with the request's overrides on top."""

    set: RuleSet
    edition: str
    rules: Mapping[str, Rule]
    overrides: Mapping[str, tuple[int, contract.Override]]

    def __contains__(self, name: str) -> bool:
        return name in self.rules

    def value(self, name: str) -> float:
        """Value of a rule, overridden or not. [unit of the rule]"""
        changed = self.overrides.get(name)
        return changed[1].value if changed else self.rules[name].value

    def given(self, name: str) -> bool:
        """True if the rule has a value: the set's own, or one from the request where the set assumes nothing."""
        return name in self.rules and (name in self.overrides or not self.rules[name].must_be_given)

    def source(self, name: str) -> tuple[str, str]:
        """Source in words and status of a rule, or of its override."""
        if name in self.overrides:
            return f"request: {self.overrides[name][1].reason}", "request"
        rule = self.rules[name]
        return ", ".join(part for part in (rule.source, rule.clause) if part), rule.status

    def input(self, name: str) -> contract.DerivationInput:
        """The rule as an input of a derivation."""
        rule, changed = self.rules[name], self.overrides.get(name)
        origin = (
            f"/rules/overrides/{changed[0]}" if changed else f"{self.set.name} {self.edition}: {rule.clause or name}"
        )
        return contract.DerivationInput(name=name, value=self.value(name), unit=rule.unit, origin=origin)

    @property
    def label(self) -> str:
        """Name, edition and revision, as an answer states them."""
        return f"{self.set.name} {self.edition} r{self.set.revision}"

    def used(self) -> tuple[contract.OverrideUsed, ...]:
        """Overrides of this set, in the order of the request."""
        ordered = sorted(self.overrides.values(), key=lambda pair: pair[0])
        return tuple(
            contract.OverrideUsed(
                name=o.name, was=self.rules[o.name].value, value=o.value, unit=self.rules[o.name].unit, reason=o.reason
            )
            for _, o in ordered
        )


@cache
def _edition(name: str, edition: str) -> Mapping[str, Rule]:
    return MappingProxyType({r.name: r for r in rule_sets()[name].rules if r.edition in ("", edition)})


def _found(name: str, pointer: str) -> RuleSet:
    known = rule_sets()
    if name not in known:
        fault = Fault(pointer, "unknown_rule_set", "no rule set of this name", ", ".join(known), name)
        raise UncomputableError([fault])
    return known[name]


def resolve(rules: contract.Rules) -> Resolved:
    """The chosen rule set at its newest edition, with the overrides that belong to it.

    Raises
    ------
    UncomputableError
        Unknown set; an override that neither the set nor the separation standard knows; an override given twice.
    """
    chosen = _found(rules.set, "/rules/set")
    edition = chosen.editions[-1]
    own = _edition(chosen.name, edition)
    other = _edition(*_separation_name(rules)) if rules.separation else {}
    _check_overrides(rules.overrides, {**other, **own})
    return Resolved(chosen, edition, own, {o.name: (i, o) for i, o in enumerate(rules.overrides) if o.name in own})


def separation(rules: contract.Rules) -> Resolved | None:
    """The standard that `rules.separation` names, with the overrides that belong to it; None if it names none.

    Raises
    ------
    UncomputableError
        Unknown set or edition, or a set without a separation distance.
    """
    if rules.separation is None:
        return None
    name, edition = _separation_name(rules)
    own = _edition(name, edition)
    changed = {o.name: (i, o) for i, o in enumerate(rules.overrides) if o.name in own}
    return Resolved(rule_sets()[name], edition, own, changed)


def _separation_name(rules: contract.Rules) -> tuple[str, str]:
    assert rules.separation is not None
    chosen = _found(rules.separation.set, "/rules/separation/set")
    if chosen.protection != "separation":
        fit = ", ".join(s.name for s in rule_sets().values() if s.protection == "separation")
        text = "this rule set has no separation distance"
        raise UncomputableError([Fault("/rules/separation/set", "no_separation", text, fit, chosen.name)])
    if rules.separation.edition not in chosen.editions:
        text, allowed = "no edition of this name", ", ".join(chosen.editions)
        fault = Fault("/rules/separation/edition", "unknown_edition", text, allowed, rules.separation.edition)
        raise UncomputableError([fault])
    return chosen.name, rules.separation.edition


def _check_overrides(overrides: tuple[contract.Override, ...], known: Mapping[str, Rule]) -> None:
    seen: set[str] = set()
    faults = []
    for i, override in enumerate(overrides):
        pointer = f"/rules/overrides/{i}/name"
        if override.name not in known:
            text = "the chosen rule set has no value of this name"
            faults.append(Fault(pointer, "unknown_override", text, ", ".join(sorted(known)), override.name))
        elif override.value < (least := known[override.name].least_override):
            text, unit = "this value is below what can be computed", known[override.name].unit
            at = f"/rules/overrides/{i}/value"
            faults.append(Fault(at, "override_too_small", text, f"{least:g} {unit} or more", f"{override.value:g}"))
        elif override.name in seen:
            faults.append(Fault(pointer, "override_twice", "this value is overridden twice", None, override.name))
        seen.add(override.name)
    if faults:
        raise UncomputableError(faults)
