"""Replicas behind the balancer of `deploy/`: restarted in turn, no request is lost. `make load` does it twenty times."""

import http.client
import ssl
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pytest

from load import balancer

needs_nginx = pytest.mark.skipif(not balancer.has_nginx(), reason="no nginx here; the stand-in runs instead")
JSON = {"content-type": "application/json"}


class Balanced(NamedTuple):
    """Two replicas and what stands before them."""

    replicas: list[balancer.Replica]
    port: int
    tls: bool
    folder: Path

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> tuple[int, bytes, Any]:
        trust = ssl._create_unverified_context()
        line = http.client.HTTPSConnection("127.0.0.1", self.port, timeout=30, context=trust)
        line.request(method, path, body, {**JSON, **headers})
        answer = line.getresponse()
        found = answer.status, answer.read(), answer.headers
        line.close()
        return found


@pytest.fixture(scope="module")
def balanced(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Balanced]:
    folder, tls = tmp_path_factory.mktemp("balancer"), balancer.has_nginx()
    with balancer.replicas(2, SILLCAST_WARM_UP="off", SILLCAST_DRAIN_S="0.5") as found:
        ports = [each.port for each in found]
        with balancer.nginx(folder, ports) if tls else balancer.stand_in(ports) as port:
            yield Balanced(found, port, tls, folder)


def test_rolling_restarts_lose_nothing(balanced: Balanced, door_bytes: bytes) -> None:
    outcome = balancer.rolled(balanced.replicas, balanced.port, door_bytes, restarts=2, tls=balanced.tls)
    assert (outcome.restarts, outcome.exit_codes, outcome.lost) == (2, {0}, [])
    assert outcome.answered > 50


@needs_nginx
def test_nginx_takes_the_configuration(tmp_path: Path) -> None:
    command = balancer.prepare(tmp_path, balancer.free_port(), [1, 2])
    done = subprocess.run([*command, "-t"], capture_output=True, text=True, check=False)
    assert (done.returncode, "[warn]" in done.stderr) == (0, False), done.stderr


@needs_nginx
@pytest.mark.parametrize("key", [{}, {"authorization": "Bearer somebody"}], ids=["no key", "a wrong key"])
def test_the_balancer_asks_for_a_key(balanced: Balanced, door_bytes: bytes, key: dict[str, str]) -> None:
    status, said, headers = balanced.ask("POST", "/v1/needs", door_bytes, **key)
    assert (status, msgspec.json.decode(said)["status"]) == (401, 401)
    assert headers["content-type"] == "application/problem+json"
    assert headers["www-authenticate"] == 'Bearer realm="sillcast"'
    assert headers["strict-transport-security"] == "max-age=31536000"
    assert headers["server"] == "nginx"  # and no version


@needs_nginx
def test_the_balancer_passes_on_what_is_for_clients_alone(balanced: Balanced, door_bytes: bytes) -> None:
    key = {"authorization": balancer.KEY}
    status, said, headers = balanced.ask("POST", "/v1/needs", door_bytes, **key)
    assert (status, "zones" in msgspec.json.decode(said)) == (200, True)
    assert headers["strict-transport-security"] == "max-age=31536000"
    assert [balanced.ask("GET", path, **key)[0] for path in ("/metrics", "/health/ready")] == [404, 404]
    assert balanced.ask("GET", "/health/live")[0] == 200
    status, said, headers = balanced.ask("POST", "/v1/needs", b" " * 300_000, **key)
    assert (status, msgspec.json.decode(said)["status"], "www-authenticate" in headers) == (413, 413, False)
    assert headers["content-type"] == "application/problem+json"
    status, said, headers = balanced.ask("POST", "/v1/needs", b"{}", **key)  # the service's own words come through
    assert (status, msgspec.json.decode(said)["code"]) == (400, "malformed")
    log = (balanced.folder / "access.log").read_text()
    assert " kettlewharf POST /v1/needs 200 " in log
    assert balancer.KEY not in log


@needs_nginx
def test_the_balancer_keeps_the_id_of_a_request_where_it_is_harmless(balanced: Balanced) -> None:
    key = {"authorization": balancer.KEY}
    for status, path, more in ((200, "/v1/bodies", key), (401, "/v1/bodies", {}), (404, "/metrics", key)):
        for given, kept in (("order-7.a_B", True), ("a b", False), ("x" * 65, False), (None, False)):
            asked = {} if given is None else {"x-request-id": given}
            answered, _, headers = balanced.ask("GET", path, **more, **asked)
            assert answered == status
            assert len(headers.get_all("x-request-id")) == 1
            assert (headers["x-request-id"] == given) is kept
            assert kept or len(headers["x-request-id"]) == 32
            assert headers["x-content-type-options"] == "nosniff"
    assert " order-7.a_B kettlewharf GET /v1/bodies 200 " in (balanced.folder / "access.log").read_text()
