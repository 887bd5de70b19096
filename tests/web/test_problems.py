"""Each refusal has the common shape, and an accepted twin beside it."""

import gzip
import json
import re
import time
from functools import cache
from typing import Any

import pytest

from sillcast import errors
from sillcast.errors import Fault
from sillcast.web.problems import BY_CLASS, KINDS, RefusedError, kind_of, problem_of
from web.doubles import Quick
from web.shape import problem

FAULT = Fault("/door", "missing", "Required.")
RAISED: list[tuple[Exception, str]] = [
    (errors.SillcastError("secret /srv/x.py"), "internal"),
    (errors.RequestError([FAULT]), "malformed"),
    (errors.MalformedError([FAULT]), "malformed"),
    (errors.UncomputableError([FAULT]), "uncomputable"),
    (errors.BudgetError([FAULT]), "budget"),
    (errors.UnknownNameError("no such rule set"), "unknown_name"),
    (errors.GeometryError("secret /srv/x.py"), "geometry"),
    (errors.FamilyError("mat", "mat-maker 1.0", "secret /srv/x.py"), "family_failed"),
    (errors.RegistryError("secret /srv/x.py"), "registry"),
    (ZeroDivisionError("secret /srv/x.py"), "internal"),
    (RecursionError("secret"), "internal"),
]


def test_each_exception_has_its_problem() -> None:
    declared = {getattr(errors, name) for name in errors.__all__}
    exceptions = {each for each in declared if isinstance(each, type) and issubclass(each, Exception)}
    assert set(BY_CLASS) == exceptions
    assert {type(error) for error, _ in RAISED} >= exceptions


def test_a_new_kind_of_exception_is_answered_as_its_parent() -> None:
    class CrossingRingError(errors.UncomputableError):
        pass

    assert kind_of(CrossingRingError([])).code == "uncomputable"


@pytest.mark.parametrize(("error", "code"), RAISED)
def test_what_the_planner_raises_is_answered_without_secrets(
    served: Any, door: dict[str, Any], error: Exception, code: str, caplog: pytest.LogCaptureFixture
) -> None:
    class Failing(Quick):
        def needs(self, request: Any) -> Any:
            raise error

    faults = [("/door", "missing")] if isinstance(error, errors.RequestError) else []
    with served(Failing()) as client:
        response = client.post("/v1/needs", json=door)
        found = problem(response, code, *faults)
        assert "secret" not in found.detail
        logged = [each.message for each in caplog.records if "Traceback" in each.message]
        assert [response.headers["x-request-id"] in each for each in logged] == [True] * (found.status == 500)
        assert client.post("/v1/coverage", json=door).status_code == 200


def test_a_failed_family_is_named_with_its_distribution() -> None:
    made = problem_of(errors.FamilyError("mat", "mat-maker 1.0", "secret"))
    assert made.detail == "The family mat of mat-maker 1.0 failed; without it the answer would be wrong."


def test_one_fault_is_told_at_once_and_several_are_counted() -> None:
    assert problem_of(errors.MalformedError([FAULT])).detail == "/door: Required."
    assert problem_of(errors.MalformedError([FAULT] * 3)).detail.startswith("3 things to put right")
    # A list that is full may hold less than there is.
    assert problem_of(errors.MalformedError([FAULT] * 24)).detail.startswith("24 things to put right")
    assert problem_of(errors.MalformedError([FAULT] * 25)).detail.startswith("At least 25 things to put right")


def test_each_kind_says_what_it_means() -> None:
    assert all(kind.title and kind.meaning.endswith(".") and 400 <= kind.status < 600 for kind in KINDS.values())
    assert all(problem_of(RefusedError(code, "Because.")).detail == "Because." for code in KINDS)


# Routes: refused, and the accepted twin ---------------------------------------------------------------------------


def test_unknown_routes_and_methods(client: Any) -> None:
    problem(client.get("/v1/family"), "not_found")
    assert client.get("/v1/families").status_code == 200
    refused = client.get("/v1/needs")
    problem(refused, "method_not_allowed")
    assert "POST" in refused.headers["allow"]
    for method in ("PUT", "DELETE", "PATCH", "TRACE", "PROPFIND"):
        problem(client.request(method, "/v1/families"), "method_not_allowed")


def test_unknown_names(client: Any) -> None:
    problem(client.get("/v1/families/none"), "unknown_name")
    problem(client.get("/v1/rule-sets/none"), "unknown_name")
    problem(client.get("/v1/rule-sets/..%00"), "unknown_name")
    assert client.get("/v1/families/photobeam").status_code == 200
    assert client.get("/v1/rule-sets/industrial_door").status_code == 200


def test_query_parameters_are_not_swallowed(client: Any, door: dict[str, Any]) -> None:
    problem(client.get("/v1/bodies?page=2"), "unknown_query")
    problem(client.post("/v1/needs?proposals=false", json=door), "unknown_query")
    assert client.get("/v1/bodies").status_code == 200
    assert client.get("/v1/bodies?").status_code == 200


@pytest.mark.parametrize(
    ("content", "faults"),
    [
        (b"", [("", "malformed")]),
        (b"{", [("", "malformed")]),
        (b'{"door": NaN}', [("/door", "wrong_type")]),
        (b'{"door": {"motion": 1}, "doors": 1}',
         [("/door/opening", "missing"), ("/door/motion", "wrong_type"), ("/doors", "unknown_field")]),
        (b"[" * 50_000, [("", "malformed")]),
        (b"\xff", [("", "malformed")]),
        (b"\xef\xbb\xbf{}", [("", "malformed")]),
        (b'{"door": "\\ud800"}', [("/door", "wrong_type")]),
        (b'{"door": {"opening": {"width_m": 1e999}}}',
         [("/door/opening/width_m", "out_of_bounds"), ("/door/opening/height_m", "missing"), ("/door/motion", "missing")]),
        (b'{"door": {"opening": {"width_m": -Infinity, "height_m": ' + b"9" * 400 + b'}, "motion": {"kind": "lift"}}}',
         [("/door/opening/width_m", "malformed"), ("/door/opening/height_m", "out_of_bounds"),
          ("/door/motion/kind", "bad_choice")]),
        (b'{"door": ' + b'{"a":' * 20_000, [("", "malformed")]),
        (b'{"door": 1, "door": 2}', [("/door", "wrong_type"), ("/door", "duplicate_key")]),
        (b'{"door": "\xed\xa0\x80"}', [("", "malformed")]),
        ('{"door": 1}'.encode("utf-16"), [("", "malformed")]),
    ],
)  # fmt: skip
def test_bodies_that_break_the_schema(client: Any, content: bytes, faults: list[tuple[str, str]]) -> None:
    response = client.post("/v1/assessments", content=content, headers={"content-type": "application/json"})
    problem(response, "malformed", *faults)


def test_a_key_that_comes_twice_is_refused_though_both_values_would_do(client: Any, door: dict[str, Any]) -> None:
    body = json.dumps(door).encode()
    twice = body.replace(
        b'"opening":', b'"opening": ' + json.dumps(door["door"]["opening"]).encode() + b', "opening":', 1
    )
    response = client.post("/v1/needs", content=twice, headers={"content-type": "application/json"})
    problem(response, "malformed", ("/door/opening", "duplicate_key"))
    hidden = twice.replace(b'"opening"', b'"\\u006fpening"', 1)
    response = client.post("/v1/needs", content=hidden, headers={"content-type": "application/json"})
    problem(response, "malformed", ("/door/opening", "duplicate_key"))


@pytest.mark.parametrize("zero", ["-0.0", "-0", "0e7", "1e-999", "-1e-999"])
def test_all_zeros_are_one(client: Any, door: dict[str, Any], zero: str) -> None:
    def asked(written: str) -> bytes:
        body = json.dumps({**door, "sensors": [{**door["sensors"][0], "mount": {"side": "near", "position": "HERE"}}]})
        body = body.replace('"HERE"', f'{{"x_m": {written}, "y_m": -0.8, "z_m": {written}}}')
        answer = client.post("/v1/assessments", content=body, headers={"content-type": "application/json"})
        assert answer.status_code == 200, answer.text
        return bytes(answer.content)

    answer = asked(zero)
    assert answer == asked("0.0")
    assert not re.search(rb"[\[:,]-0(\.0)?[\],}]", answer)


@cache
def bomb() -> bytes:
    return gzip.compress(b" " * 100_000_000)


@pytest.mark.parametrize("coding", ["gzip", "br", "zstd", "deflate"])
def test_compressed_bodies_are_refused_and_never_unpacked(client: Any, coding: str) -> None:
    content, begun = bomb(), time.process_time()
    headers = {"content-type": "application/json", "content-encoding": coding}
    problem(client.post("/v1/needs", content=content, headers=headers), "unsupported_media")
    assert time.process_time() - begun < 0.1  # unpacking 100 MB takes longer


def test_a_body_that_fits_the_schema_and_contradicts_itself(client: Any, door: dict[str, Any]) -> None:
    post = door["site"]["obstacles"][0]
    twice = {**door, "site": {**door["site"], "obstacles": [post, post]}}
    response = client.post("/v1/needs", json=twice)
    assert response.status_code == 422
    found = problem(response, "uncomputable", *[(item["pointer"], item["code"]) for item in response.json()["errors"]])
    assert [item.pointer for item in found.errors] == ["/site/obstacles/1/name"]
    assert client.post("/v1/needs", json=door).status_code == 200
