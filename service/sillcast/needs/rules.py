"""Rule sets as data: numbers with unit, clause, source, edition and how sure we are of them; overrides on top."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib.resources import files
from types import MappingProxyType
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from sillcast import contract
from sillcast.contract.base import Wire
from sillcast.errors import Fault, UncomputableError, quoted

__all__ = ["Resolved", "Rule", "RuleSet", "resolve", "rule_faults", "rule_sets", "separation"]

Status = Literal["verified", "second_hand", "from_memory", "common_practice"]


class Rule(Wire, frozen=True, kw_only=True):
    """One number of a rule set."""

    name: Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_]*(?![\s\S])", max_length=64, description="Name of the rule.")]
    value: Annotated[float, Meta(ge=-1e6, le=1e6, description="Its number. [`unit`]")]
    unit: Annotated[str, Meta(description="Unit of the number; `1` for none.")]
    clause: Annotated[str, Meta(description="Clause or table; empty where none is known.")] = ""
    source: Annotated[str, Meta(description="Where the number was read, or that it is practice or memory.")]
    edition: Annotated[str, Meta(description="Edition that the number belongs to; empty for all.")] = ""
    status: Annotated[Status, Meta(description="How sure the source is.")]
    note: Annotated[str, Meta(description="Limits of validity, and where sources disagree.")] = ""
    least_override: Annotated[
        float, Meta(ge=0.0, le=1e6, description="An override must be at least this. [`unit`]")
    ] = 0.0
    must_be_given: Annotated[bool, Meta(description="True: the set assumes nothing here, the request gives it.")] = (
        False
    )


class RuleSet(Wire, frozen=True, kw_only=True):
    """A named set of rules."""

    name: Annotated[str, Meta(description="Name, to be used in `rules.set`.")]
    title: Annotated[str, Meta(description="What a person calls it.")]
    revision: Annotated[str, Meta(description="Of this data file.")]
    editions: Annotated[tuple[str, ...], Meta(min_length=1, description="Newest last, taken by default.")]
    summary: Annotated[str, Meta(description="What it asks for, in a few sentences.")]
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
    rules: Annotated[tuple[Rule, ...], Meta(description="Its numbers.")]
    cautions: Annotated[tuple[str, ...], Meta(description="What to know before it is used.")] = ()


@cache
def rule_sets() -> Mapping[str, RuleSet]:
    """All rule sets by name, in order of their names."""
    decoder = msgspec.json.Decoder(RuleSet)
    folder = files("sillcast") / "rule_sets"
    read = [decoder.decode(f.read_bytes()) for f in folder.iterdir() if f.name.endswith(".json")]
    return MappingProxyType({s.name: s for s in sorted(read, key=lambda s: s.name)})


@dataclass(frozen=True, eq=False)
class Resolved:
    """A rule set at one edition, with the request's overrides on top; `read` are the values that were asked for."""

    set: RuleSet
    edition: str
    rules: Mapping[str, Rule]
    overrides: Mapping[str, tuple[int, contract.Override]]
    read: dict[str, None] = field(default_factory=dict)

    def __contains__(self, name: str) -> bool:
        return name in self.rules

    def value(self, name: str) -> float:
        """Value of a rule, overridden or not. [unit of the rule]"""
        self.read[name] = None
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


@lru_cache(maxsize=256)
def rule_faults(rules: contract.Rules) -> tuple[Fault, ...]:
    """What of the rules is not known, and overrides that cannot be computed with; in the order of the request.

    Where a set is unknown, an override is refused only if no set that could be meant knows it.
    """
    return (
        *_set_faults("/rules/set", rules.set),
        *_separation_faults(rules.separation),
        *_override_faults(rules.overrides, _known(rules)),
    )


def resolve(rules: contract.Rules) -> Resolved:
    """The chosen rule set at its newest edition, with the overrides that belong to it.

    Raises
    ------
    UncomputableError
        Unknown set; an override that neither the set nor the separation standard knows; an override given twice.
    """
    if found := rule_faults(rules):
        raise UncomputableError(list(found))
    chosen = rule_sets()[rules.set]
    return _resolved(chosen.name, chosen.editions[-1], rules)


def separation(rules: contract.Rules) -> Resolved | None:
    """The standard that `rules.separation` names, with the overrides that belong to it; None if it names none.

    Raises
    ------
    UncomputableError
        Unknown set or edition, or a set without a separation distance.
    """
    if rules.separation is None:
        return None
    if found := list(_separation_faults(rules.separation)):
        raise UncomputableError(found)
    return _resolved(rules.separation.set, rules.separation.edition, rules)


def _resolved(name: str, edition: str, rules: contract.Rules) -> Resolved:
    own = _edition(name, edition)
    return Resolved(
        rule_sets()[name], edition, own, {o.name: (i, o) for i, o in enumerate(rules.overrides) if o.name in own}
    )


def _set_faults(pointer: str, name: str) -> Iterator[Fault]:
    if name not in rule_sets():
        yield Fault(pointer, "unknown_rule_set", f"There is no rule set {name}.", ", ".join(rule_sets()), quoted(name))


def _separation_faults(wanted: contract.SeparationChoice | None) -> Iterator[Fault]:
    if wanted is None:
        return
    yield from _set_faults("/rules/separation/set", wanted.set)
    chosen = rule_sets().get(wanted.set)
    if chosen is None:
        return
    if chosen.protection != "separation":
        fit = ", ".join(s.name for s in rule_sets().values() if s.protection == "separation")
        text = f"The rule set {chosen.name} has no separation distance."
        yield Fault("/rules/separation/set", "no_separation", text, fit, quoted(chosen.name))
    elif wanted.edition not in chosen.editions:
        text, allowed = f"{chosen.name} has no edition {wanted.edition}.", ", ".join(chosen.editions)
        yield Fault("/rules/separation/edition", "unknown_edition", text, allowed, quoted(wanted.edition))


def _known(rules: contract.Rules) -> Mapping[str, Rule]:
    """Values that can be overridden: of the chosen set before those of the standard; of all that could be meant."""
    sets, chosen, wanted = rule_sets().values(), rule_sets().get(rules.set), rules.separation
    tables = [(chosen.name, chosen.editions[-1])] if chosen else [(s.name, e) for s in sets for e in s.editions]
    if wanted is not None and any(_separation_faults(wanted)):
        tables += [(s.name, e) for s in sets if s.protection == "separation" for e in s.editions]
    elif wanted is not None:
        tables.append((wanted.set, wanted.edition))
    known: dict[str, Rule] = {}
    for name, edition in reversed(tables):
        known.update(_edition(name, edition))
    return known


def _override_faults(overrides: tuple[contract.Override, ...], known: Mapping[str, Rule]) -> Iterator[Fault]:
    seen: set[str] = set()
    for i, override in enumerate(overrides):
        pointer, rule = f"/rules/overrides/{i}", known.get(override.name)
        if rule is None:
            text, allowed = f"The rules have no value {override.name}.", ", ".join(sorted(known))
            yield Fault(f"{pointer}/name", "unknown_override", text, allowed, quoted(override.name))
        if override.name in seen:
            text = f"The value {override.name} is overridden already."
            yield Fault(f"{pointer}/name", "duplicate", text, "each value once", quoted(override.name))
        if rule is not None and override.value < rule.least_override:
            text, allowed = "Nothing can be computed with this value.", f"{rule.least_override:g} {rule.unit} or more"
            yield Fault(f"{pointer}/value", "override_too_small", text, allowed, f"{override.value + 0.0:g}")
        seen.add(override.name)
