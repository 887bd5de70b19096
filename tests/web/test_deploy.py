"""What `deploy/` promises, as far as it can be checked without a container engine or a cluster."""

import configparser
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import pytest
import yaml

from sillcast.planner import Planner
from sillcast.web.settings import Settings

DEPLOY = Path(__file__).parents[2] / "deploy"
DOCKERFILE = (DEPLOY / "Dockerfile").read_text()
NGINX = (DEPLOY / "nginx" / "nginx.conf").read_text()
COMPOSE: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
CLUSTER: dict[str, Any] = {
    each["kind"]: each for each in yaml.safe_load_all((DEPLOY / "kubernetes" / "sillcast.yaml").read_text())
}
POD = CLUSTER["Deployment"]["spec"]["template"]["spec"]
CONTAINER = POD["containers"][0]
REPLICAS = ["sillcast-1", "sillcast-2"]


def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment, method-assign]
    parser.read(DEPLOY / "sillcast.service")
    return parser


def seconds(directive: str) -> float:
    found = re.search(rf"^\s*{directive} (\d+)s;", NGINX, re.M)
    assert found, directive
    return float(found[1])


def environments() -> dict[str, dict[str, str]]:
    stages = re.findall(r"SILLCAST_\w+=\S+", DOCKERFILE.replace("${BUILD}", "3f2a91c"))
    service = " ".join(re.findall(r"^Environment=(.*)$", (DEPLOY / "sillcast.service").read_text(), re.M))
    return {
        "image": dict(each.split("=") for each in stages),
        "compose": COMPOSE["services"]["sillcast-1"]["environment"],
        "cluster": {each["name"]: each["value"] for each in CONTAINER["env"]},
        "unit": dict(each.split("=") for each in service.split() if each.startswith("SILLCAST_")),
    }


@pytest.mark.parametrize("where", ["image", "compose", "cluster", "unit"])
def test_settings_are_ones_that_exist(where: str) -> None:
    given = environments()[where]
    assert given
    assert Settings.from_environment(given)


def test_the_entry_command_of_image_and_unit_is_the_one_that_runs() -> None:
    assert json.loads(re.findall(r"^ENTRYPOINT (.*)$", DOCKERFILE, re.M)[0]) == ["python", "-m", "sillcast.web"]
    assert unit()["Service"]["ExecStart"].split()[1:] == ["-m", "sillcast.web"]
    environment = {**os.environ, **environments()["image"]}
    done = subprocess.run(
        [sys.executable, "-m", "sillcast.web", "--check"], capture_output=True, text=True, env=environment, check=False
    )
    assert done.returncode == 0
    assert "SILLCAST_HOST=0.0.0.0" in done.stdout


def test_the_image_runs_as_nobody_special_and_is_built_from_the_lock() -> None:
    build, run = DOCKERFILE.split("FROM ${BASE}")[1:]
    assert "--require-hashes -r requirements.lock" in build
    assert re.findall(r"^USER (.*)$", run, re.M) == ["10001:10001"]
    assert "NUMBA_CACHE_DIR=/tmp" in run
    assert "RUN pip" not in run
    kept = re.findall(r"^!(\S+)$", (DEPLOY / "Dockerfile.dockerignore").read_text(), re.M)
    copied = [name for line in re.findall(r"^COPY (?!--from)(.*)$", build, re.M) for name in line.split()[:-1]]
    assert sorted(kept) == sorted(copied)
    assert all((DEPLOY.parent / name).exists() for name in kept)


@pytest.mark.parametrize("name", [*REPLICAS, "balancer"])
def test_containers_have_no_rights_to_spare(name: str) -> None:
    service = COMPOSE["services"][name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert service["mem_limit"]
    assert "privileged" not in service


def test_only_the_balancer_can_be_reached_from_outside() -> None:
    assert [name for name, service in COMPOSE["services"].items() if "ports" in service] == ["balancer"]
    assert COMPOSE["networks"]["inside"]["internal"] is True
    for name in REPLICAS:
        assert COMPOSE["services"][name]["networks"] == ["inside"]
    assert re.findall(r"server (sillcast-\d):8080", NGINX) == REPLICAS


def test_the_balancer_retries_what_a_stopping_replica_leaves_and_waits_longer_than_it() -> None:
    assert "proxy_next_upstream error timeout http_503 non_idempotent;" in NGINX
    settings = Settings.from_environment(environments()["compose"])
    assert settings.deadline_s < seconds("proxy_read_timeout")
    assert seconds("keepalive_timeout") < settings.keep_alive_s
    assert f"client_max_body_size {settings.body_limit_bytes // 1024}k;" in NGINX
    for path in ("/metrics", "/health/ready"):
        assert f"location = {path} {{ return 404; }}" in NGINX
    assert NGINX.count("{") == NGINX.count("}")


@pytest.mark.parametrize("where", ["compose", "cluster", "unit"])
def test_a_stop_may_take_as_long_as_the_longest_answer(where: str) -> None:
    allowed = {
        "compose": COMPOSE["services"]["sillcast-1"]["stop_grace_period"],
        "cluster": POD["terminationGracePeriodSeconds"],
        "unit": unit()["Service"]["TimeoutStopSec"],
    }[where]
    settings = Settings.from_environment(environments()[where])
    assert float(str(allowed).rstrip("s")) >= settings.drain_s + settings.deadline_s + 5


def test_a_pod_may_do_nothing_but_compute() -> None:
    assert POD["securityContext"]["runAsNonRoot"] is True
    assert POD["securityContext"]["seccompProfile"] == {"type": "RuntimeDefault"}
    assert POD["automountServiceAccountToken"] is False
    assert CONTAINER["securityContext"] == {
        "allowPrivilegeEscalation": False,
        "readOnlyRootFilesystem": True,
        "privileged": False,
        "capabilities": {"drop": ["ALL"]},
    }
    assert CLUSTER["NetworkPolicy"]["spec"]["egress"] == []


def test_probes_ask_for_what_they_mean() -> None:
    paths = {name: CONTAINER[name]["httpGet"]["path"] for name in ("startupProbe", "readinessProbe", "livenessProbe")}
    # Liveness must not depend on readiness: a draining or warming replica is alive.
    assert paths == {
        "startupProbe": "/health/ready",
        "readinessProbe": "/health/ready",
        "livenessProbe": "/health/live",
    }
    # It is seen to drain before it stops listening.
    readiness = CONTAINER["readinessProbe"]
    settings = Settings.from_environment(environments()["cluster"])
    assert readiness["periodSeconds"] * readiness["failureThreshold"] + readiness["timeoutSeconds"] <= settings.drain_s


def test_memory_limits_leave_room_beside_the_workers() -> None:
    settings = Settings.from_environment(environments()["cluster"])
    limit_mb = float(CONTAINER["resources"]["limits"]["memory"].removesuffix("Gi")) * 1024
    assert settings.workers * settings.memory_mb + 512 <= limit_mb


def test_everything_in_the_cluster_means_the_same_pods() -> None:
    labels = CLUSTER["Deployment"]["spec"]["template"]["metadata"]["labels"]
    assert CLUSTER["Deployment"]["spec"]["selector"]["matchLabels"] == labels
    assert CLUSTER["Service"]["spec"]["selector"] == labels
    assert CLUSTER["PodDisruptionBudget"]["spec"]["selector"]["matchLabels"] == labels
    assert CLUSTER["NetworkPolicy"]["spec"]["podSelector"]["matchLabels"] == labels
    assert CLUSTER["HorizontalPodAutoscaler"]["spec"]["scaleTargetRef"]["name"] == "sillcast"
    assert (
        CLUSTER["HorizontalPodAutoscaler"]["spec"]["minReplicas"]
        > CLUSTER["PodDisruptionBudget"]["spec"]["minAvailable"]
    )
    names = {each["metadata"].get("namespace") for kind, each in CLUSTER.items() if kind != "Namespace"}
    assert names == {CLUSTER["Namespace"]["metadata"]["name"]}


def test_the_unit_is_confined_and_stops_the_service_first() -> None:
    service = unit()["Service"]
    assert service["KillMode"] == "mixed"
    assert (service["DynamicUser"], service["ProtectSystem"], service["NoNewPrivileges"]) == ("yes", "strict", "yes")
    assert service["CapabilityBoundingSet"] == ""


def test_the_security_page_names_all_ten_risks_and_tests_that_exist() -> None:
    page = (DEPLOY / "SECURITY.md").read_text()
    risks = re.split(r"^### (API\d+): .*$", page, flags=re.M)[1:]
    assert risks[::2] == [f"API{number}" for number in range(1, 11)]
    for risk, text in zip(risks[::2], risks[1::2], strict=True):
        named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", text)
        assert named, risk
        for file, test in named:
            assert f"\ndef {test}(" in (DEPLOY.parent / file).read_text(), (risk, test)


def test_the_audit_fails_where_it_can_look_nothing_up() -> None:
    """Without --strict, pip-audit skips what its source does not know, and calls the rest free of faults."""
    rules = (DEPLOY.parent / "Makefile").read_text()
    assert re.search(r"pip-audit .*--strict .*--require-hashes .*-r requirements\.lock", rules)


def test_requests_hold_no_address() -> None:
    def formats(schema: Any) -> set[str]:
        if isinstance(schema, list):
            return set().union(*map(formats, schema))
        if not isinstance(schema, dict):
            return set()
        own = {str(schema["format"])} if isinstance(schema.get("format"), str) else set()
        return own.union(*map(formats, schema.values()))

    _, schemas = msgspec.json.schema_components([Planner().request_type], ref_template="#/{name}")
    fields = {name for schema in schemas.values() for name in schema.get("properties", {})}
    assert not formats(schemas) & {"uri", "uri-reference", "hostname", "ipv4", "ipv6"}
    assert not [name for name in fields if re.search(r"ur[il]$|host|address|callback|webhook", name)]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd here")
def test_systemd_understands_the_unit(tmp_path: Path) -> None:
    copy = tmp_path / "sillcast.service"
    copy.write_text((DEPLOY / "sillcast.service").read_text().replace("/opt/sillcast/bin/python", "/bin/sh"))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(copy)], capture_output=True, text=True, check=False
    )
    assert "sillcast.service" not in done.stderr, done.stderr
