"""Rule sets as data: one schema, one status for each number, overrides, editions."""

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from ablation.small import small_door
from sillcast import Planner, needs
from sillcast.contract import Finding, Override, Rules, SeparationChoice
from sillcast.errors import UncomputableError
from sillcast.needs import heeded
from sillcast.needs.rules import resolve, separation

SETS = needs.rule_sets()


def test_the_sets() -> None:
    assert list(SETS) == [
        "industrial_door",
        "low_energy_swing",
        "machine_approach",
        "pedestrian_door_eu",
        "pedestrian_door_us",
        "residential_lift_us",
        "site_defined",
    ]


@pytest.mark.parametrize("name", SETS)
def test_every_rule_has_unit_source_and_one_value_an_edition(name) -> None:
    chosen = SETS[name]
    seen = set()
    for rule in chosen.rules:
        assert rule.unit
        assert rule.source
        assert (rule.name, rule.edition) not in seen
        assert rule.edition in ("", *chosen.editions)
        seen.add((rule.name, rule.edition))
    assert chosen.body in needs.catalogue()
    assert chosen.activation_body in needs.catalogue()


@pytest.mark.parametrize("name", SETS)
def test_what_is_remembered_says_so_and_practice_names_no_source(name) -> None:
    for rule in SETS[name].rules:
        assert ("from memory" in rule.source) == (rule.status == "from_memory")
        if rule.status == "common_practice":
            assert rule.source in ("common practice, no source", "the request")
            assert not rule.clause


@pytest.mark.parametrize("name", SETS)
def test_no_set_claims_conformity(name) -> None:
    chosen = SETS[name]
    text = " ".join([chosen.title, chosen.summary, chosen.scope, *chosen.cautions])
    assert not re.search(r"compl(y|ies|iant)|conform|certif", text, re.IGNORECASE)


def test_machine_approach_says_whom_it_is_for() -> None:
    assert "14 years" in SETS["machine_approach"].scope


def test_editions_differ() -> None:
    def value(edition: str, rule: str) -> float:
        found = separation(Rules(separation=SeparationChoice(set="machine_approach", edition=edition)))
        assert found is not None
        return found.value(rule)

    assert (value("2010", "intrusion_per_height"), value("2024", "intrusion_per_height")) == (0.4, 0.0)
    assert (value("2010", "crawl_under_mm"), value("2024", "crawl_under_mm")) == (300.0, 200.0)


def test_override_keeps_the_rule_and_names_its_place() -> None:
    found = resolve(Rules(overrides=(Override(name="strip_depth_m", value=0.3, reason="why"),)))
    assert (found.value("strip_depth_m"), found.rules["strip_depth_m"].value) == (0.3, 0.2)
    assert found.input("strip_depth_m").origin == "/rules/overrides/0"
    assert found.source("strip_depth_m") == ("request: why", "request")
    assert found.source("activation_margin_m") == ("common practice, no source", "common_practice")


def test_override_twice_is_refused() -> None:
    twice = tuple(Override(name="strip_depth_m", value=v, reason="why") for v in (0.3, 0.4))
    with pytest.raises(UncomputableError) as caught:
        resolve(Rules(overrides=twice))
    assert [(f.pointer, f.code) for f in caught.value.faults] == [("/rules/overrides/1/name", "duplicate")]


def test_label_has_edition_and_revision() -> None:
    assert resolve(Rules()).label == "industrial_door EN 12453 family r1"


@pytest.mark.parametrize(
    ("rules", "seen"),
    [
        (Rules(overrides=(Override(name="strip_depth_m", value=-0.1, reason="x"),)), "-0.1"),
        (Rules(set="low_energy_swing", overrides=(Override(name="swing_divisor", value=0.0, reason="x"),)), "0"),
    ],
)
def test_override_that_cannot_be_computed_with_is_refused(rules, seen) -> None:
    with pytest.raises(UncomputableError) as caught:
        resolve(rules)
    assert [(f.pointer, f.code, f.seen) for f in caught.value.faults] == [
        ("/rules/overrides/0/value", "override_too_small", seen)
    ]


def test_override_of_zero_is_allowed_where_it_has_a_meaning() -> None:
    found = resolve(Rules(overrides=(Override(name="activation_margin_m", value=0.0, reason="x"),)))
    assert found.value("activation_margin_m") == 0.0


def overridden(chosen: str, *names: str, **changes: Any) -> dict[str, Any]:
    """The small door under a rule set with some of its values overridden, each by its own value."""
    rules = {r.name: r for r in SETS[chosen].rules}
    overrides = [
        {"name": n, "value": rules[n].value + 1.0, "reason": "as the Kettlewharf Cold Store wants it"} for n in names
    ]
    return small_door(**{"/rules": {"set": chosen, "overrides": overrides}, **changes})


def told(findings: Iterable[Finding]) -> dict[str, tuple[str, str]]:
    """Code and remedy of each remark on an override by its subject."""
    return {
        f.subjects[0]: (f.code, f.remedy) for f in findings if f.code.startswith("core.override")
    }  # fmt: skip


def test_an_override_that_no_calculation_reads_is_told_with_where_to_heed_it() -> None:
    request = overridden("industrial_door", "strip_depth_m", "sustained_force_n", "residual_after_s")
    for answer in (Planner().assess(request), Planner().needs(request)):
        assert told(answer.findings) == {
            f"/rules/overrides/{i}": (
                "core.override_not_computed", "Heed it when the closing force is measured at the leaf.",
            )
            for i in (1, 2)
        }  # fmt: skip
        assert [o.name for o in answer.overrides] == ["strip_depth_m", "sustained_force_n", "residual_after_s"]


def test_an_override_for_other_doors_or_sensors_is_told_as_of_no_use_here() -> None:
    """The height of beams is read where there are some, the distance to walk slowly only with traffic."""
    request = overridden("residential_lift_us", "beam_height_most_m", "unprotected_gap_m")
    assert {code for code, _ in told(Planner().assess(request).findings).values()} <= {"core.override_unused"}
    assert "/rules/overrides/0" in told(Planner().assess(request).findings)
    beam = {
        "name": "beam", "purposes": ["protection"], "device": {"family": "photobeam"},
        "mount": {"side": "near", "position": {"x_m": -0.8, "y_m": -0.2, "z_m": 0.1}},
        "counterpart": {"position": {"x_m": 0.8, "y_m": -0.2, "z_m": 0.1}},
    }  # fmt: skip
    request["sensors"] = [*request["sensors"], beam]
    assert "/rules/overrides/0" not in told(Planner().assess(request).findings)
    assert told(Planner().needs(request).findings) == {}


def test_what_no_calculation_reads_is_what_the_words_are_for() -> None:
    """A value that comes to be read, or a new one that is not, needs the table of words changed."""
    code = [p for p in Path(needs.__file__).parent.glob("*.py") if p.name != "heeded.py"]
    text = " ".join(p.read_text() for p in code)
    # To ask whether a set has a value is not to read it.
    text = re.sub(r'"[a-z0-9_]+" (not )?in (ask\.)?rule\b', "", text)
    names = {r.name for s in SETS.values() for r in s.rules}
    assert {n for n in names if f'"{n}"' not in text} == set(heeded.HEEDED)
