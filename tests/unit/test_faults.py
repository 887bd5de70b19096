"""All faults of a request at once, each with where it is and what would be right."""

import json
import math
from datetime import UTC, datetime
from typing import Annotated, Any, get_args

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import Meta

from sillcast import contract, faults
from sillcast.contract.base import SensorParams, Wire
from sillcast.errors import Fault, MalformedError


class Mat(SensorParams, tag="mat", kw_only=True):
    """Lies on the floor."""

    width_m: Annotated[float, Meta(gt=0, le=10, description="Along the door. [m]")]


class Fan(SensorParams, tag="fan", kw_only=True):
    """Looks down."""

    tilts_deg: Annotated[tuple[Annotated[float, Meta(ge=-30, le=90)], ...], Meta(min_length=1, max_length=4)]
    least_hits: Annotated[int, Meta(ge=1, le=64)] = 1


class Sensor(contract.SensorBase, kw_only=True):
    """With a device."""

    device: Mat | Fan


class Plan(Wire, kw_only=True):
    """A small request with every sort of thing in it."""

    door: contract.Door
    sensors: Annotated[tuple[Sensor, ...], Meta(max_length=3)] = ()
    obstacles: tuple[contract.Obstacle, ...] = ()
    weights: dict[str, Annotated[float, Meta(ge=0, le=1)]] = msgspec.field(default_factory=dict)
    rays: bool = False
    note: Annotated[str, Meta(max_length=10)] | None = None


NAME_WORDS = get_args(contract.base.Name)[1].description
JSON = msgspec.json.Decoder(Plan)
MSGPACK = msgspec.msgpack.Decoder(Plan)


def plan(**changes: Any) -> dict[str, Any]:
    phase = {"speed_m_per_s": 1.0}
    return {
        "door": {
            "opening": {"width_m": 4.0, "height_m": 4.5},
            "motion": {"kind": "vertical_lift", "opening": phase, "closing": phase},
        },
        "sensors": [sensor()],
        "obstacles": [{"name": "post", "ring_m": [[0, -2], [1, -2], [1, -1]], "top_m": 1.0}],
        "weights": {"a": 0.5},
        "rays": True,
        "note": "short",
        **changes,
    }


def sensor(**changes: Any) -> dict[str, Any]:
    mount = {"side": "near", "position": {"x_m": 0, "y_m": -0.2, "z_m": 4.6}}
    device = {"family": "fan", "tilts_deg": [0.0, 10.0], "least_hits": 3}
    return {"name": "left", "purposes": ["activation"], "mount": mount, "device": device, **changes}


def found(body: bytes | dict[str, Any]) -> list[Fault]:
    with pytest.raises(MalformedError) as caught:
        faults.decoded(body if isinstance(body, bytes) else json.dumps(body).encode(), JSON)
    return list(caught.value.faults)


def test_a_sound_plan_reads_alike_from_json_messagepack_and_a_mapping() -> None:
    expected = msgspec.convert(plan(), Plan)
    assert faults.decoded(json.dumps(plan()).encode(), JSON) == expected
    assert faults.decoded(msgspec.msgpack.encode(plan()), MSGPACK, "msgpack") == expected
    assert faults.converted(plan(), Plan) == expected
    assert faults.converted(expected, Plan) == expected


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"door": {}}, [("/door/opening", "missing"), ("/door/motion", "missing")]),
        ({"dor": 1}, [("/dor", "unknown_field")]),
        ({"rays": "yes"}, [("/rays", "wrong_type")]),
        ({"rays": None}, [("/rays", "wrong_type")]),
        ({"note": 7}, [("/note", "wrong_type")]),
        ({"note": "far too long"}, [("/note", "too_long")]),
        ({"weights": {"a/b~c": 2}}, [("/weights/a~1b~0c", "out_of_bounds")]),
        ({"weights": []}, [("/weights", "wrong_type")]),
        ({"sensors": [sensor()] * 4}, [("/sensors", "too_long")]),
        ({"sensors": [sensor(name="")]}, [("/sensors/0/name", "too_short")]),
        ({"sensors": [sensor(name="left\n")]}, [("/sensors/0/name", "bad_pattern")]),
        ({"sensors": [sensor(name="\ud800")]}, [("/sensors/0/name", "malformed")]),
        ({"sensors": [sensor(purposes=["comfort"])]}, [("/sensors/0/purposes/0", "bad_choice")]),
        ({"sensors": [sensor(purposes=[])]}, [("/sensors/0/purposes", "too_short")]),
        ({"sensors": [sensor(purposes=[1])]}, [("/sensors/0/purposes/0", "bad_choice")]),
        ({"sensors": [sensor(device={})]}, [("/sensors/0/device/family", "missing")]),
        ({"sensors": [sensor(device={"family": "fam"})]}, [("/sensors/0/device/family", "bad_choice")]),
        ({"sensors": [sensor(device=3)]}, [("/sensors/0/device", "wrong_type")]),
        (
            {"sensors": [sensor(device={"family": "mat", "width_m": 0})]},
            [("/sensors/0/device/width_m", "out_of_bounds")],
        ),
        (
            {"sensors": [sensor(device={"family": "mat", "width_m": "1"})]},
            [("/sensors/0/device/width_m", "wrong_type")],
        ),
        (
            {"sensors": [sensor(device={"family": "mat", "width_m": True})]},
            [("/sensors/0/device/width_m", "wrong_type")],
        ),
        (
            {"sensors": [sensor(device={"family": "fan", "tilts_deg": [0], "least_hits": 2.5})]},
            [("/sensors/0/device/least_hits", "wrong_type")],
        ),
        (
            {"obstacles": [{"name": "a", "ring_m": [[0, 0], [1], [1, 2, 3]], "top_m": 1}]},
            [("/obstacles/0/ring_m/1", "too_short"), ("/obstacles/0/ring_m/2", "too_long")],
        ),
    ],
)
def test_each_fault_is_named_where_it_is(changes: dict[str, Any], expected: list[tuple[str, str]]) -> None:
    body = plan(**changes)
    assert [(fault.pointer, fault.code) for fault in found(body)] == expected
    if "\\ud800" in json.dumps(body):
        return  # such text cannot be written as MessagePack
    with pytest.raises(MalformedError) as caught:
        faults.decoded(msgspec.msgpack.encode(body), MSGPACK, "msgpack")
    assert [(fault.pointer, fault.code) for fault in caught.value.faults] == expected
    with pytest.raises(MalformedError) as caught:
        faults.converted(body, Plan)
    assert [(fault.pointer, fault.code) for fault in caught.value.faults] == expected


@pytest.mark.parametrize(
    ("value", "seen"),
    [
        (msgspec.msgpack.Ext(5, b"abc"), "an extension of type 5"),
        (b"abc", "3 bytes"),
        (datetime(2026, 1, 2, tzinfo=UTC), "a time"),
    ],
)
def test_what_json_does_not_have_is_seen_by_its_sort(value: Any, seen: str) -> None:
    with pytest.raises(MalformedError) as caught:
        faults.decoded(msgspec.msgpack.encode(plan(note=value)), MSGPACK, "msgpack")
    assert [fault.seen for fault in caught.value.faults] == [seen]


def test_independent_faults_come_together() -> None:
    body = plan(sensors=[sensor(name=""), sensor(device={"family": "fan", "tilts_deg": [0, 99], "hits": 1})], rays=0)
    assert [(fault.pointer, fault.code) for fault in found(body)] == [
        ("/sensors/0/name", "too_short"),
        ("/sensors/1/device/tilts_deg/1", "out_of_bounds"),
        ("/sensors/1/device/hits", "unknown_field"),
        ("/rays", "wrong_type"),
    ]


def test_no_more_than_the_limit_are_listed() -> None:
    few = {f"extra{place}": 0 for place in range(faults.FAULT_LIMIT)}
    many = {f"extra{place}": 0 for place in range(5000)}
    assert len(found(plan(**few))) == faults.FAULT_LIMIT
    assert found(plan(**many)) == found(plan(**few))


def test_a_fault_says_what_would_be_right_and_what_was_seen() -> None:
    body = plan(door={**plan()["door"], "opening": {"width_m": 31, "heigth_m": 2}})
    assert found(body) == [
        Fault("/door/opening/width_m", "out_of_bounds", "Must be at least 0.3 and at most 30.0.",
              "at least 0.3 and at most 30.0", "31"),
        Fault("/door/opening/height_m", "missing", "Required: Clear height below the lintel. [m]",
              "a number, at least 1.0 and at most 20.0"),
        Fault("/door/opening/heigth_m", "unknown_field", "No such field here. Is `height_m` meant?",
              "height_m, width_m", '"heigth_m"'),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "allowed", "seen"),
    [
        ({"rays": "true"}, "true or false", '"true"'),
        ({"rays": 1}, "true or false", "1"),
        ({"note": 7}, "text, at most 10 characters, or null", "7"),
        ({"weights": {"a": "0.5"}}, "a number, at least 0 and at most 1", '"0.5"'),
        ({"sensors": {}}, "a list, at most 3 items", "an object with 0 fields"),
        ({"sensors": [sensor(purposes=3)]}, "a list, at least 1 and at most 2 items", "3"),
        ({"sensors": [sensor(device={"family": "fan"})]}, "a list, at least 1 and at most 4 items", None),
        ({"sensors": [sensor(device={"family": "mat", "width_m": "4"})]}, "a number, above 0 and at most 10", '"4"'),
        ({"sensors": [sensor(device={"family": "fan", "tilts_deg": [0], "least_hits": 2.5})]},
         "a whole number, at least 1 and at most 64", "2.5"),
        ({"obstacles": [{"name": "a", "ring_m": [[0, 0], 1, [1, 0]], "top_m": 1}]}, "a list, exactly 2 items", "1"),
        ({"sensors": [sensor(name="left#")]},
         NAME_WORDS, '"left#"'),
        ({"sensors": [sensor(name='a"b\n')]},
         NAME_WORDS, r'"a\"b\n"'),
        ({"sensors": [{k: v for k, v in sensor().items() if k != "mount"}]}, "an object", None),
    ],
)  # fmt: skip
def test_what_would_be_right_is_said_with_its_bounds_and_a_text_is_seen_in_quotes(
    changes: dict[str, Any], allowed: str, seen: str | None
) -> None:
    assert [(fault.allowed, fault.seen) for fault in found(plan(**changes))] == [(allowed, seen)]


def test_what_was_seen_is_shortened_and_can_be_sent() -> None:
    (fault,) = found(plan(sensors=[sensor(name="\ud800" * 5000)]))
    assert fault.seen is not None
    assert len(fault.seen) == 80
    assert json.loads(msgspec.json.encode(fault.seen)) == fault.seen


def test_a_key_too_long_to_point_at_is_pointed_at_by_its_object() -> None:
    (fault,) = found(plan(**{"k" * 5000: 1}))
    assert (fault.pointer, fault.code) == ("", "unknown_field")


def replaced(text: str, by: str) -> bytes:
    whole = json.dumps(plan())
    assert whole.count(text) == 1
    return whole.replace(text, by).encode()


@pytest.mark.parametrize(
    ("literal", "code"),
    [
        ("NaN", "malformed"),
        ("Infinity", "malformed"),
        ("-Infinity", "malformed"),
        ("1e400", "out_of_bounds"),
        ("-1e400", "out_of_bounds"),
        ("9" * 400, "out_of_bounds"),
        ("9" * 5000, "out_of_bounds"),
    ],
)
def test_numbers_that_are_none_are_pointed_at(literal: str, code: str) -> None:
    body = replaced('"width_m": 4.0', f'"width_m": {literal}')
    (fault,) = found(body)
    assert (fault.pointer, fault.code) == ("/door/opening/width_m", code)
    assert len(fault.seen or "") <= 80
    assert faults.decoded(replaced('"width_m": 4.0', '"width_m": 4e0'), JSON) == msgspec.convert(plan(), Plan)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_numbers_that_are_none_do_not_enter_by_messagepack_or_mapping(value: float) -> None:
    body = plan(weights={"a": value})
    for refuse in (
        lambda: faults.decoded(msgspec.msgpack.encode(body), MSGPACK, "msgpack"),
        lambda: faults.converted(body, Plan),
    ):
        with pytest.raises(MalformedError) as caught:
            refuse()
        assert [(fault.pointer, fault.code) for fault in caught.value.faults] == [("/weights/a", "out_of_bounds")]


@pytest.mark.parametrize("literal", ["3.0", "3e0", "30E-1"])
def test_a_whole_number_may_be_written_with_a_fraction_of_nought(literal: str) -> None:
    body = replaced('"least_hits": 3', f'"least_hits": {literal}')
    assert faults.decoded(body, JSON) == msgspec.convert(plan(), Plan)


def test_a_whole_number_in_messagepack_may_be_a_float() -> None:
    body = plan(sensors=[sensor(device={"family": "fan", "tilts_deg": [0.0, 10.0], "least_hits": 3.0})])
    assert faults.decoded(msgspec.msgpack.encode(body), MSGPACK, "msgpack") == msgspec.convert(plan(), Plan)


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        (('"rays": true', '"rays": true, "rays": true'), "/rays"),
        (('"width_m": 4.0', '"width_m": 9, "width_m": 4.0'), "/door/opening/width_m"),
        (('"family": "fan"', '"family": "fan", "family": "fan"'), "/sensors/0/device/family"),
        (('"a": 0.5', '"a": 0.5, "a": 0.5'), "/weights/a"),
        (('"a": 0.5', '"a": 0.5, "\\u0061": 0.5'), "/weights/a"),
    ],
)
def test_a_repeated_key_is_refused(change: tuple[str, str], pointer: str) -> None:
    assert [(fault.pointer, fault.code) for fault in found(replaced(*change))] == [(pointer, "duplicate_key")]


@pytest.mark.parametrize(
    ("body", "repeats"),
    [
        (b'{"a": {"x": 1}, "b": {"x": 1}}', False),
        (b'{"a": [{"x": 1, "x": 1}]}', True),
        (b'{"a": {"x": 1, "y": ":"}, "a": {"z": "::"}}', True),
        (b'{"a:b": "c:d", "\\":": ":"}', False),
        (b'{"a": "\\u003a", "b": "\\u003a"}', False),
        (b'{"a": "\\u003a", "a": 1}', True),
        (b"[1.0e5, null, true]", False),
    ],
)
def test_the_same_key_twice_in_one_object_is_a_repetition(body: bytes, repeats: bool) -> None:
    assert faults.repeats_a_key(body) is repeats


VALUES = st.recursive(
    st.none() | st.text(':\\"ua0', max_size=4) | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(":a\u00e9", max_size=3), inner),
)


@given(VALUES, st.booleans())
def test_a_repetition_is_seen_where_there_is_one_and_nowhere_else(value: Any, ascii_only: bool) -> None:
    text = json.dumps(value, ensure_ascii=ascii_only)
    assert faults.repeats_a_key(text.encode()) is False
    assert faults.repeats_a_key(f'[{{"q": {text}, "q": {text}}}]'.encode()) is True


@pytest.mark.parametrize(
    ("body", "detail"),
    [
        (b"", "The body is empty; a JSON object is expected."),
        (b" \n", "The body is empty; a JSON object is expected."),
        (b"\xef\xbb\xbf{}", "JSON is sent as UTF-8 without a byte order mark."),
        ("{}".encode("utf-16"), "JSON is sent as UTF-8 without a byte order mark."),
        (b'{"note": "\xff"}', "Byte 10 of the body is not UTF-8."),
        (b'{"door": ', "Not JSON: Expecting value, line 1, column 10."),
        (b'{"door": 01}', "Not JSON: Expecting ',' delimiter, line 1, column 11."),
        (b"{} {}", "Not JSON: Extra data, line 1, column 4."),
        (b"[" * 100_000, "Nested deeper than any request is."),
        (b'{"door":' * 20_000, "Nested deeper than any request is."),
        (b"3", "Must be an object."),
        (b"null", "Must be an object."),
    ],
)
def test_what_is_no_json_object_at_all(body: bytes, detail: str) -> None:
    code = "wrong_type" if detail == "Must be an object." else "malformed"
    assert [(fault.pointer, fault.code, fault.detail) for fault in found(body)] == [("", code, detail)]


@pytest.mark.parametrize(
    "body",
    [b"", b"\xc1", b"\x91" * 100_000, msgspec.msgpack.encode(plan()) + b"\x00", b"\x81\x90\x01", b"\x81\x01\x01"],
)
def test_what_is_no_messagepack_map_at_all(body: bytes) -> None:
    with pytest.raises(MalformedError) as caught:
        faults.decoded(body, MSGPACK, "msgpack")
    assert {fault.pointer for fault in caught.value.faults} <= {"", "/door"}
    assert all(fault.detail for fault in caught.value.faults)


def test_what_python_alone_can_hold_is_no_request() -> None:
    with pytest.raises(MalformedError) as caught:
        faults.converted(plan(note=object()), Plan)
    assert [(fault.pointer, fault.code) for fault in caught.value.faults] == [("", "malformed")]


def test_the_first_error_stands_in_where_the_second_reading_finds_nothing() -> None:
    sound = json.dumps(plan()).encode()
    error = msgspec.ValidationError("Object is odd - at `$.sensors[0].device`")
    assert faults.collect(sound, Plan, error) == [Fault("/sensors/0/device", "malformed", "Object is odd.")]


# Against the decoder itself: both readings keep one set of rules ------------------------------------------------

SCRAPS: list[Any] = [
    None,
    True,
    0,
    -1,
    3.0,
    2.5,
    1e9,
    "",
    "near",
    "x" * 70,
    [],
    [1],
    {},
    {"family": "mat"},
    {"kind": 1},
]


def places(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [at, *(place for key, item in inner for place in places(item, (*at, key)))]


def with_scrap(value: Any, at: tuple[Any, ...], scrap: Any) -> Any:
    if not at:
        return scrap
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[at[0]] = with_scrap(value[at[0]], at[1:], scrap)
    return copy


def resolves(pointer: str, value: Any) -> bool:
    for step in pointer.split("/")[1:]:
        name = step.replace("~1", "/").replace("~0", "~")
        try:
            value = value[int(name)] if isinstance(value, list) else value[name]
        except (KeyError, IndexError, ValueError, TypeError):
            return False
    return True


@given(st.lists(st.tuples(st.sampled_from(places(plan())[1:]), st.sampled_from(SCRAPS)), min_size=1, max_size=3))
def test_the_second_reading_refuses_what_the_decoder_refuses(changes: list[tuple[tuple[Any, ...], Any]]) -> None:
    value = plan()
    for at, scrap in changes:
        if resolves("".join(f"/{step}" for step in at), value):
            value = with_scrap(value, at, scrap)
    body = json.dumps(value).encode()
    first_error = refusal(body)
    if first_error is None:
        assert faults.decoded(body, JSON) == JSON.decode(body)
        assert faults.collect(body, Plan, ValueError("none")) == [Fault("", "malformed", "none.")]
        return
    try:
        faults.decoded(body, JSON)
    except MalformedError as refused:
        parents = [(fault, fault.pointer.rpartition("/")[0]) for fault in refused.faults]
        assert all(resolves(up if fault.code == "missing" else fault.pointer, value) for fault, up in parents)
    else:
        # The one thing forgiven: a whole number written as a float.
        assert "Expected `int`, got `float`" in first_error


def refusal(body: bytes) -> str | None:
    try:
        JSON.decode(body)
    except msgspec.ValidationError as error:
        return str(error)
    return None


def test_the_tag_of_a_lone_type_must_be_right() -> None:
    decoder = msgspec.json.Decoder(Mat)
    assert faults.decoded(b'{"family": "mat", "width_m": 1}', decoder).width_m == 1
    with pytest.raises(MalformedError) as caught:
        faults.decoded(b'{"family": "fan", "width_m": 1}', decoder)
    assert [(fault.pointer, fault.code) for fault in caught.value.faults] == [("/family", "bad_choice")]
