"""What is to end is announced, and does not outstay the day that was named."""

from collections.abc import Mapping
from datetime import UTC, date, datetime
from email.utils import parsedate_to_datetime
from typing import Any

import pytest

from sillcast.planner import Planner
from sillcast.web import openapi
from sillcast.web.deprecation import DEPRECATED, Deprecation
from web.doubles import Quick

ROUTE = Deprecation(date(2026, 1, 15), date(2027, 6, 30), "use /v2/needs.")
FIELD = Deprecation(date(2026, 3, 1), date(2027, 9, 1), "say it elsewhere.")


def overdue(table: Mapping[str, Deprecation], today: date) -> list[str]:
    return [name for name, entry in table.items() if entry.sunset <= today]


def test_nothing_outstays_its_end() -> None:
    # Red from the announced day on: take it out of the service and of the table, or name a later day in good time.
    assert overdue(DEPRECATED, datetime.now(UTC).date()) == []
    assert overdue({"require": ROUTE}, date(2027, 6, 29)) == []
    assert overdue({"require": ROUTE}, date(2027, 6, 30)) == ["require"]


def test_ends_are_announced_in_time() -> None:
    # Half a year to change over.
    assert [name for name, each in DEPRECATED.items() if (each.sunset - each.since).days < 180] == []


@pytest.fixture
def declared(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(DEPRECATED, "require", ROUTE)
    monkeypatch.setitem(DEPRECATED, "BodyCard.source", FIELD)


@pytest.mark.usefixtures("declared")
def test_answers_of_a_deprecated_route_say_since_when_until_when_and_where_to_read(
    served: Any, door: dict[str, Any]
) -> None:
    with served(Quick()) as client:
        for response in (client.post("/v1/needs", json=door), client.post("/v1/needs", json={})):
            # RFC 9745, section 2.1: a date of structured fields; RFC 8594, section 3: an HTTP-date.
            seconds = response.headers["deprecation"].removeprefix("@")
            assert datetime.fromtimestamp(int(seconds), UTC) == datetime(2026, 1, 15, tzinfo=UTC)
            assert response.headers["sunset"] == "Wed, 30 Jun 2027 00:00:00 GMT"
            assert parsedate_to_datetime(response.headers["sunset"]) == datetime(2027, 6, 30, tzinfo=UTC)
            assert response.headers["link"] == '</docs#require>; rel="deprecation"; type="text/html"'
        assert 'id="require"' in client.get("/docs").text
        assert "Deprecated since 2026-01-15, may be gone from 2027-06-30 on: use /v2/needs." in client.get("/docs").text
        other = client.post("/v1/coverage", json=door).headers
        assert not {"deprecation", "sunset", "link"} & other.keys()


@pytest.mark.usefixtures("declared")
def test_answers_that_hold_a_deprecated_field_say_so_but_their_route_stays(served: Any) -> None:
    with served(Quick()) as client:
        for response in (client.get("/v1/bodies"), client.head("/v1/bodies")):
            assert response.headers["deprecation"] == "@1772323200"  # 2026-03-01T00:00:00Z
            assert response.headers["link"].startswith("</docs#list_bodies>")
            assert "sunset" not in response.headers
        assert "deprecation" not in client.get("/v1/families").headers


@pytest.mark.usefixtures("declared")
def test_the_document_marks_what_is_deprecated(planner: Planner) -> None:
    document = openapi.document(planner)
    operation = document["paths"]["/v1/needs"]["post"]
    assert (operation["deprecated"], operation["x-sunset"]) == (True, "2027-06-30")
    assert {"Deprecation", "Sunset", "Link"} <= operation["responses"]["200"]["headers"].keys()
    field = document["components"]["schemas"]["BodyCard"]["properties"]["source"]
    assert (field["deprecated"], field["x-sunset"]) == (True, "2027-09-01")
    assert field["description"].endswith(
        "Deprecated since 2026-03-01, may be gone from 2027-09-01 on: say it elsewhere."
    )


def test_nothing_is_said_of_what_is_not_deprecated(client: Any) -> None:
    assert "deprecation" not in client.get("/v1/bodies").headers
    assert '"deprecated"' not in client.get("/openapi.json").text


@pytest.mark.parametrize("name", ["gone", "BodyCard.gone", "Gone.source"])
def test_an_entry_that_names_nothing_is_no_entry(planner: Planner, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.setitem(DEPRECATED, name, ROUTE)
    with pytest.raises(KeyError):
        openapi.document(planner)
