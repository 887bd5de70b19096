"""The manifests of `deploy/` against schemas of the kinds and fields in use, offline; each schema refuses all else."""

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

ROOT = Path(__file__).parents[2]
CLUSTER = {
    each["kind"]: each for each in yaml.safe_load_all((ROOT / "deploy" / "kubernetes" / "sillcast.yaml").read_text())
}
COMPOSE = yaml.safe_load((ROOT / "deploy" / "compose.yaml").read_text())


def validator(name: str, part: str | None = None) -> Any:
    """Validator of a whole schema, or of one of its definitions."""
    schema = json.loads((ROOT / "tests" / "deploy" / f"{name}.schema.json").read_bytes())
    jsonschema.Draft202012Validator.check_schema(schema)
    if part is not None:
        schema = {"$ref": f"#/$defs/{part}", "$defs": schema["$defs"]}
    return jsonschema.Draft202012Validator(schema)


def faults(checked: Any, value: Any) -> list[str]:
    """Places in a value at which something is wrong."""
    return sorted("/".join(map(str, each.absolute_path)) for each in checked.iter_errors(value))


def test_each_file_is_of_one_kind_once() -> None:
    files = list((ROOT / "deploy" / "kubernetes").iterdir())
    found = [each["kind"] for file in files for each in yaml.safe_load_all(file.read_text())]
    assert sorted(found) == sorted(CLUSTER)


@pytest.mark.parametrize("kind", CLUSTER)
def test_the_objects_of_the_cluster_fit_their_kinds(kind: str) -> None:
    assert faults(validator("kubernetes", kind), CLUSTER[kind]) == []
    assert validator("kubernetes").is_valid(CLUSTER[kind])
    assert not validator("kubernetes").is_valid({**CLUSTER[kind], "kind": "Pod"})
    assert not validator("kubernetes").is_valid({**CLUSTER[kind], "apiVersion": "v1beta1"})


def test_the_compose_file_fits() -> None:
    assert faults(validator("compose"), COMPOSE) == []


def every_object(value: Any, where: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    own = [where] if isinstance(value, dict) else []
    return [*own, *(found for key, each in inner for found in every_object(each, (*where, key)))]


def at(value: Any, where: tuple[Any, ...]) -> Any:
    for key in where:
        value = value[key]
    return value


def test_no_object_takes_a_field_that_is_not_known() -> None:
    checked = [(validator("kubernetes", kind), each) for kind, each in CLUSTER.items()]
    checked.append((validator("compose"), {key: each for key, each in COMPOSE.items() if key != "x-service"}))
    for schema, manifest in checked:
        for where in every_object(manifest):
            wrong = copy.deepcopy(manifest)
            at(wrong, where)["unknownField"] = {"internal": "a network, or a name of anybody's choice, of a wrong kind"}
            assert faults(schema, wrong), where


CONTAINER = "spec/template/spec/containers/0"
WRONG: list[tuple[str, str, Any]] = [
    ("Deployment", f"{CONTAINER}/ports/0/containerPort", "8080"),
    ("Deployment", f"{CONTAINER}/ports/0/containerPort", 80800),
    ("Deployment", f"{CONTAINER}/env/0/value", 1),
    ("Deployment", f"{CONTAINER}/resources/limits/memory", "3GB"),
    ("Deployment", f"{CONTAINER}/readinessProbe/periodSeconds", 0),
    ("Deployment", f"{CONTAINER}/readinessProbe/httpGet/path", "health"),
    ("Deployment", f"{CONTAINER}/volumeMounts/0/mountPath", "tmp"),
    ("Deployment", f"{CONTAINER}/imagePullPolicy", "Sometimes"),
    ("Deployment", "spec/template/metadata/annotations/prometheus.io~1scrape", True),
    ("Deployment", "spec/strategy/rollingUpdate/maxSurge", "half"),
    ("Deployment", "spec/template/spec/containers", []),
    ("Service", "spec/ports/0/targetPort", "a-name-much-too-long"),
    ("Service", "metadata/name", "Sillcast"),
    ("HorizontalPodAutoscaler", "spec/maxReplicas", None),
    ("HorizontalPodAutoscaler", "spec/behavior/scaleDown/stabilizationWindowSeconds", 7200),
    ("PodDisruptionBudget", "spec/minAvailable", -1),
    ("NetworkPolicy", "spec/policyTypes/0", "Inbound"),
]


@pytest.mark.parametrize(("kind", "where", "value"), WRONG)
def test_a_wrong_value_is_found_where_it_is(kind: str, where: str, value: Any) -> None:
    wrong = copy.deepcopy(CLUSTER[kind])
    *path, last = (int(key) if key.isdigit() else key.replace("~1", "/") for key in where.split("/"))
    assert last in at(wrong, tuple(path)) or isinstance(last, int)
    at(wrong, tuple(path))[last] = value
    assert faults(validator("kubernetes", kind), wrong) == [where.replace("~1", "/")]


REQUIRED = [
    ("Deployment", "spec/selector"),
    ("Deployment", "spec/template/metadata/labels"),
    ("Deployment", f"{CONTAINER}/image"),
    ("Deployment", f"{CONTAINER}/livenessProbe/httpGet/port"),
    ("Service", "spec/ports/0/port"),
    ("HorizontalPodAutoscaler", "spec/scaleTargetRef/name"),
    ("NetworkPolicy", "spec/podSelector"),
    ("ServiceAccount", "metadata/namespace"),
]


@pytest.mark.parametrize(("kind", "where"), REQUIRED)
def test_what_is_missing_is_found_where_it_belongs(kind: str, where: str) -> None:
    wrong = copy.deepcopy(CLUSTER[kind])
    *path, last = (int(key) if key.isdigit() else key for key in where.split("/"))
    del at(wrong, tuple(path))[last]
    assert faults(validator("kubernetes", kind), wrong) == [where.rpartition("/")[0]]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("mem_limit", 3),
        ("cpus", "1.0"),
        ("environment", {"SILLCAST_WORKERS": 1}),
        ("stop_grace_period", 75),
        ("ports", [8443]),
        ("restart", "sometimes"),
        ("depends_on", {"sillcast-1": {"condition": "healthy"}}),
    ],
)
def test_a_wrong_value_of_a_service_is_found(field: str, value: Any) -> None:
    wrong = copy.deepcopy(COMPOSE)
    wrong["services"]["balancer"][field] = value
    found = faults(validator("compose"), wrong)
    assert len(found) == 1
    assert found[0].startswith(f"services/balancer/{field}")
