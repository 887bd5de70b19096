"""Everything wrong with a request at once: decoding that names each fault, where it is and what would be right.

The decoder stops at the first thing it dislikes. Only after it has done so is the request read a second time, to
plain values, and walked beside the very type tree the decoder was built from: one set of rules, two readings. The
second reading also forgives the one thing in which JSON Schema is more generous than the decoder: `29.0` where a whole
number is wanted.
"""

import codecs
import json
import re
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from difflib import get_close_matches
from functools import lru_cache
from typing import Any, Literal, TypeVar, cast

import msgspec
from msgspec import inspect

from sillcast.errors import SEEN_LENGTH, Fault, MalformedError, quoted

__all__ = ["DECODE_ERRORS", "FAULT_LIMIT", "collect", "converted", "decoded", "repeats_a_key"]

FAULT_LIMIT = 25
"""Faults that one answer lists at most."""

DECODE_ERRORS = (msgspec.ValidationError, msgspec.DecodeError, UnicodeDecodeError, RecursionError)
"""All that a decoder of msgspec raises over bad input."""

Media = Literal["json", "msgpack"]
T = TypeVar("T")

_LONGEST_KEY = 80


def decoded(body: bytes, decoder: "msgspec.json.Decoder[T] | msgspec.msgpack.Decoder[T]", media: Media = "json") -> T:
    """The request in `body`, decoded by a prebuilt decoder.

    Raises
    ------
    MalformedError
        With up to `FAULT_LIMIT` faults. Repeated keys are refused in JSON; in MessagePack the last one counts,
        since no reader of it reports them.
    """
    try:
        request = decoder.decode(body)
    except DECODE_ERRORS as error:
        value, faults = _second_reading(body, decoder.type, media)
        return cast("T", _settled(value, decoder.type, faults, error))
    if media == "json" and repeats_a_key(body):
        raise MalformedError(_second_reading(body, decoder.type, media)[1])
    return request


def converted(value: object, type_: type[T]) -> T:
    """The request in a mapping or struct made in-process, checked as strictly as one that came as bytes.

    Raises
    ------
    MalformedError
        With up to `FAULT_LIMIT` faults.
    """
    try:
        plain = msgspec.to_builtins(value)
    except (TypeError, ValueError, RecursionError) as error:
        raise MalformedError([Fault("", "malformed", f"Holds what JSON cannot hold: {_clean(str(error))}.")]) from None
    try:
        return msgspec.convert(plain, type_)
    except DECODE_ERRORS as error:
        walk = _Walk()
        walked = walk.value(plain, _tree(cast("Any", type_)), "")
        return cast("T", _settled(walked, type_, walk.faults, error))


def collect(body: bytes, type_: type, first_error: Exception, media: Media = "json") -> list[Fault]:
    """All faults of a body that `type_` refuses, at most `FAULT_LIMIT`, never none: the first error stands in."""
    return _second_reading(body, type_, media)[1] or [_from_message(first_error)]


def repeats_a_key(body: bytes) -> bool:
    r"""Whether an object of a well-formed JSON text gives the same key twice.

    Reading to plain values keeps one of equal keys, so writing them again loses the colon of each other one; no
    number, word or escape but `\uXXXX` makes or hides a colon. About half the cost of asking per object.
    """
    if b"\\u" not in body:
        return msgspec.json.encode(msgspec.json.decode(body)).count(b":") != body.count(b":")
    try:
        json.loads(body, object_pairs_hook=_refusing_repeats)
    except _RepeatError:
        return True
    return False


# The raw text ------------------------------------------------------------------------------------------------------


class _RepeatError(Exception):
    """An object gives a key twice."""


class _Object(dict[str, Any]):
    """A JSON object that remembers which of its keys came more than once."""

    repeated: tuple[str, ...] = ()


@dataclass(frozen=True)
class _NoNumber:
    """What stands where a number is meant and is none that can be computed with: NaN, Infinity, 1e400."""

    text: str


def _refusing_repeats(pairs: list[tuple[str, Any]]) -> None:
    if len({key for key, _ in pairs}) != len(pairs):
        raise _RepeatError


def _object(pairs: list[tuple[str, Any]]) -> _Object:
    made = _Object(pairs)
    if len(made) != len(pairs):
        made.repeated = tuple(key for key, times in Counter(key for key, _ in pairs).items() if times > 1)
    return made


def _number(text: str) -> float | _NoNumber:
    value = float(text)
    return _NoNumber(text) if value in (float("inf"), float("-inf")) else value


def _whole(text: str) -> int | _NoNumber:
    return int(text) if len(text) <= SEEN_LENGTH else _NoNumber(text)


def _second_reading(body: bytes, type_: Any, media: Media) -> tuple[Any, list[Fault]]:
    """Plain values of the body with whole floats made integers where wanted, and the faults found on the way."""
    try:
        value = _plain_json(body) if media == "json" else _plain_msgpack(body)
    except MalformedError as error:
        return None, list(error.faults)
    walk = _Walk()
    walked = walk.value(value, _tree(type_), "")
    return walked, walk.faults


def _plain_json(body: bytes) -> Any:
    if not body.strip():
        raise _unreadable("The body is empty; a JSON object is expected.")
    if body.startswith((codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise _unreadable("JSON is sent as UTF-8 without a byte order mark.")
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise _unreadable(f"Byte {error.start} of the body is not UTF-8.") from None
    try:
        return json.loads(
            text, object_pairs_hook=_object, parse_float=_number, parse_int=_whole, parse_constant=_NoNumber
        )
    except json.JSONDecodeError as error:
        raise _unreadable(f"Not JSON: {error.msg}, line {error.lineno}, column {error.colno}.") from None
    except RecursionError:
        raise _unreadable("Nested deeper than any request is.") from None


def _plain_msgpack(body: bytes) -> Any:
    if not body:
        raise _unreadable("The body is empty; a MessagePack map is expected.")
    try:
        return msgspec.msgpack.decode(body)
    except RecursionError:
        raise _unreadable("Nested deeper than any request is.") from None
    except (msgspec.DecodeError, UnicodeDecodeError, ValueError, TypeError, OverflowError) as error:
        raise _unreadable(f"Not MessagePack: {_clean(str(error))}.") from None


def _unreadable(detail: str) -> MalformedError:
    return MalformedError([Fault("", "malformed", detail)])


# The walk ----------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=64)
def _tree(type_: Any) -> inspect.Type:
    return inspect.type_info(type_)


class _Walk:
    """One walk over a value beside its type; gathers faults and gives the value back, whole floats made integers."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []

    def value(self, value: Any, kind: inspect.Type, at: str) -> Any:
        step = _STEPS.get(type(kind))
        return value if step is None or self._full() else step(self, value, kind, at)

    def _full(self) -> bool:
        return len(self.faults) >= FAULT_LIMIT

    def _add(self, at: str, code: str, detail: str, value: Any = msgspec.UNSET, allowed: str | None = None) -> None:
        if not self._full():
            seen = None if value is msgspec.UNSET else _seen(value)
            self.faults.append(Fault(at, code, detail, allowed, seen))

    def _metadata(self, value: Any, kind: inspect.Metadata, at: str) -> Any:
        if isinstance(kind.type, inspect.StrType):
            return self._text(value, kind.type, at, _description(kind))
        return self.value(value, kind.type, at)

    def _plain(self, value: Any, kind: inspect.Type, at: str) -> Any:
        self._is(value, kind, at)
        return value

    def _is(self, value: Any, kind: inspect.Type, at: str) -> bool:
        """Whether the value is of the sort that `kind` wants."""
        if _fits(value, kind):
            return True
        self._add(at, "wrong_type", f"Must be {_wanted(kind)}.", value, _allowed(kind))
        return False

    def _struct(self, value: Any, kind: inspect.StructType, at: str) -> Any:
        if not self._is(value, kind, at):
            return value
        if kind.tag_field in value and not self._tag(value, (kind,), at):
            return value
        names = {field.encode_name for field in kind.fields} | ({kind.tag_field} if kind.tag_field else set())
        walked = dict(value)
        for field in kind.fields:
            name = field.encode_name
            if name in value:
                walked[name] = self.value(value[name], field.type, _below(at, name))
            elif field.required:
                detail, allowed = f"Required: {_described(field.type)}", _allowed(field.type)
                self._add(_below(at, name), "missing", detail, allowed=allowed)
        self._keys(value, at)
        for name in value:
            if name not in names and kind.forbid_unknown_fields and not self._full():
                self._unknown(name, sorted(str(known) for known in names), at)
        return walked

    def _tag(self, value: Mapping[str, Any], kinds: tuple[inspect.StructType, ...], at: str) -> bool:
        """Whether the tag that chooses among `kinds` is there and known."""
        field = str(kinds[0].tag_field)
        tags = [kind.tag for kind in kinds]
        if field in value:
            return self._choice(value[field], tags, _below(at, field))
        self._add(_below(at, field), "missing", "Required: says which fields follow.", allowed=_listed(tags))
        return False

    def _keys(self, value: Mapping[str, Any], at: str) -> None:
        for name in getattr(value, "repeated", ()):
            self._add(_keyed(at, name), "duplicate_key", "The key is given more than once; give it once.", name)

    def _unknown(self, name: Any, known: list[str], at: str) -> None:
        self._add(
            _keyed(at, name), "unknown_field", f"No such field here.{_hint(str(name), known)}", name, _listed(known)
        )

    def _union(self, value: Any, kind: inspect.UnionType, at: str) -> Any:
        kinds = [_bare(each) for each in kind.types]
        tagged = tuple(each for each in kinds if isinstance(each, inspect.StructType) and each.tag_field)
        if len(tagged) > 1 and isinstance(value, Mapping):
            if self._tag(value, tagged, at):
                return self._struct(value, next(each for each in tagged if each.tag == value[each.tag_field]), at)
            return value
        for each, bare in zip(kind.types, kinds, strict=True):
            if _fits(value, bare):
                return self.value(value, each, at)
        self._add(at, "wrong_type", f"Must be {_wanted(kind)}.", value, _allowed(kind))
        return value

    def _length(self, value: Any, kind: Any, at: str, things: str) -> bool:
        """Whether a text or list has an allowed length."""
        least, most = kind.min_length, kind.max_length
        allowed = _range(least, most, "at least {}", "at most {}")
        if least is not None and len(value) < least:
            self._add(at, "too_short", f"Has {len(value)} {things}; {allowed} needed.", value, allowed)
        elif most is not None and len(value) > most:
            self._add(at, "too_long", f"Has {len(value)} {things}; {allowed} may be.", value, allowed)
        else:
            return True
        return False

    def _list(self, value: Any, kind: inspect.ListType | inspect.VarTupleType, at: str) -> Any:
        if not self._is(value, kind, at) or not self._length(value, kind, at, "items"):
            return value
        return [self.value(item, kind.item_type, f"{at}/{place}") for place, item in enumerate(value)]

    def _tuple(self, value: Any, kind: inspect.TupleType, at: str) -> Any:
        if not self._is(value, kind, at):
            return value
        wanted = len(kind.item_types)
        if len(value) != wanted:
            code = "too_short" if len(value) < wanted else "too_long"
            self._add(at, code, f"Has {len(value)} items; exactly {wanted} needed.", value, f"exactly {wanted}")
            return value
        pairs = zip(value, kind.item_types, strict=True)
        return [self.value(item, each, f"{at}/{place}") for place, (item, each) in enumerate(pairs)]

    def _dict(self, value: Any, kind: inspect.DictType, at: str) -> Any:
        if not self._is(value, kind, at):
            return value
        self._keys(value, at)
        return {name: self.value(item, kind.value_type, _keyed(at, name)) for name, item in value.items()}

    def _number(self, value: Any, kind: inspect.IntType | inspect.FloatType, at: str) -> Any:
        allowed = _bounds(kind)
        if not self._is(value, kind, at):
            return value
        if isinstance(value, _NoNumber):
            if value.text.strip("-").isalpha():
                self._add(at, "malformed", f"`{value.text}` is no number of JSON.", value, allowed)
            else:
                self._add(at, "out_of_bounds", f"Must be {_wanted(kind)}, {allowed}.", value, allowed)
            return value
        if isinstance(kind, inspect.IntType) and isinstance(value, float):
            if not value.is_integer():
                self._add(at, "wrong_type", "Must be a whole number.", value, _allowed(kind))
                return value
            value = int(value)
        if not _within(value, kind):
            self._add(at, "out_of_bounds", f"Must be {allowed}.", value, allowed)
        return value

    def _text(self, value: Any, kind: inspect.StrType, at: str, words: str = "") -> Any:
        """A text; `words` say what its pattern asks for."""
        if not self._is(value, kind, at):
            return value
        if _clean(value) != value:
            self._add(at, "malformed", "Holds half of a surrogate pair, which is no character.", value)
        elif self._length(value, kind, at, "characters") and kind.pattern and not re.search(kind.pattern, value):
            self._add(at, "bad_pattern", "Holds characters that are not allowed here.", value, words or kind.pattern)
        return value

    def _literal(self, value: Any, kind: inspect.LiteralType, at: str) -> Any:
        self._choice(value, kind.values, at)
        return value

    def _choice(self, value: Any, choices: Any, at: str) -> bool:
        if any(value == each and type(value) is type(each) for each in choices):
            return True
        hint = _hint(value, choices) if isinstance(value, str) else ""
        self._add(at, "bad_choice", f"Must be one of {_listed(choices)}.{hint}", value, _listed(choices))
        return False


_STEPS: dict[type[inspect.Type], Callable[[_Walk, Any, Any, str], Any]] = {
    inspect.Metadata: _Walk._metadata,
    inspect.StructType: _Walk._struct,
    inspect.UnionType: _Walk._union,
    inspect.ListType: _Walk._list,
    inspect.VarTupleType: _Walk._list,
    inspect.TupleType: _Walk._tuple,
    inspect.DictType: _Walk._dict,
    inspect.IntType: _Walk._number,
    inspect.FloatType: _Walk._number,
    inspect.StrType: _Walk._text,
    inspect.LiteralType: _Walk._literal,
    inspect.BoolType: _Walk._plain,
    inspect.NoneType: _Walk._plain,
}


# Words -------------------------------------------------------------------------------------------------------------


def _settled(value: Any, type_: Any, faults: list[Fault], first_error: Exception) -> Any:
    """The struct of a second reading without faults; where the decoder still objects, its own words are the fault."""
    if faults:
        raise MalformedError(faults) from None
    if value is None:
        raise MalformedError([_from_message(first_error)]) from None
    try:
        return msgspec.convert(value, type_)
    except DECODE_ERRORS as error:
        raise MalformedError([_from_message(error)]) from None


def _from_message(error: Exception) -> Fault:
    """A fault out of the decoder's own text, its path made a JSON pointer."""
    text, _, path = _clean(str(error)).partition(" - at `$")
    steps = re.findall(r"\.([^.\[`]+)|\[(\d+)\]", path)
    pointer = "".join(f"/{_escaped(name or place)}" for name, place in steps)
    return Fault(pointer, "malformed", f"{text or type(error).__name__}.")


def _escaped(name: str) -> str:
    return name.replace("~", "~0").replace("/", "~1")


def _below(at: str, name: str) -> str:
    return f"{at}/{_escaped(name)}"


def _keyed(at: str, name: Any) -> str:
    """Pointer to a key that a client made up; to its object, where the key is too long or no text to point with."""
    usable = isinstance(name, str) and len(name) <= _LONGEST_KEY and _clean(name) == name
    return _below(at, name) if usable else at


def _clean(text: str) -> str:
    """Text that can be sent: halves of surrogate pairs spelt out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _seen(value: Any) -> str:
    """What was seen, short; of lists and objects only their size."""
    match value:
        case Mapping():
            return f"an object with {len(value)} fields"
        case list() | tuple():
            return f"a list of {len(value)} items"
        case str():
            return quoted(_clean(value[: SEEN_LENGTH + 1]))
        case _NoNumber():
            text = value.text
        case None | bool():
            text = json.dumps(value)
        case bytes() | bytearray():
            text = f"{len(value)} bytes"
        case msgspec.msgpack.Ext() | datetime():
            text = "a time" if isinstance(value, datetime) else f"an extension of type {value.code}"
        case _:
            text = _clean(repr(value))
    return text if len(text) <= SEEN_LENGTH else f"{text[: SEEN_LENGTH - 1]}…"


def _hint(text: str, choices: Any) -> str:
    close = get_close_matches(text[:_LONGEST_KEY], [str(each) for each in choices], n=1)
    return f" Is `{close[0]}` meant?" if close else ""


def _listed(choices: Any) -> str:
    return ", ".join(str(each) for each in choices)


def _bare(kind: inspect.Type) -> inspect.Type:
    return _bare(kind.type) if isinstance(kind, inspect.Metadata) else kind


# What a type is called, and the Python types it may come as.
_SORTS: dict[type[inspect.Type], tuple[str, tuple[type, ...]]] = {
    inspect.StructType: ("an object", (Mapping,)),
    inspect.DictType: ("an object", (Mapping,)),
    inspect.ListType: ("a list", (list, tuple)),
    inspect.VarTupleType: ("a list", (list, tuple)),
    inspect.TupleType: ("a list", (list, tuple)),
    inspect.StrType: ("text", (str,)),
    inspect.BoolType: ("true or false", (bool,)),
    inspect.NoneType: ("null", (type(None),)),
    inspect.IntType: ("a whole number", (int, float, _NoNumber)),
    inspect.FloatType: ("a number", (int, float, _NoNumber)),
}


def _fits(value: Any, kind: inspect.Type) -> bool:
    """Whether a value is of the sort that a type wants; `true` is no number."""
    if isinstance(kind, inspect.LiteralType):
        return any(type(value) is type(each) for each in kind.values)
    if isinstance(value, bool):
        return isinstance(kind, inspect.BoolType)
    return isinstance(value, _SORTS[type(kind)][1])


def _wanted(kind: inspect.Type) -> str:
    if isinstance(kind, inspect.UnionType):
        return " or ".join(dict.fromkeys(_wanted(_bare(each)) for each in kind.types))
    return f"one of {_listed(kind.values)}" if isinstance(kind, inspect.LiteralType) else _SORTS[type(kind)][0]


def _described(kind: inspect.Type) -> str:
    """What a field is: its description where it has one, else the sort of value."""
    if isinstance(kind, inspect.Metadata):
        return _description(kind) or _described(kind.type)
    if isinstance(kind, inspect.StructType) and kind.cls.__doc__:
        return f"an object. {kind.cls.__doc__.splitlines()[0]}"
    return f"{_wanted(kind)}."


def _description(kind: inspect.Metadata) -> str:
    return str((kind.extra_json_schema or {}).get("description", ""))


def _allowed(kind: inspect.Type) -> str:
    """What a value of a type may be: its sort, and its bounds, length or choices; a pattern in its own words."""
    match kind:
        case inspect.Metadata(type=inspect.StrType(pattern=str())) if words := _description(kind):
            return words
        case inspect.Metadata():
            return _allowed(kind.type)
        case inspect.UnionType():
            return ", or ".join(dict.fromkeys(_allowed(each) for each in kind.types))
        case inspect.LiteralType():
            return _listed(kind.values)
        case inspect.IntType() | inspect.FloatType():
            limits = _bounds(kind)
        case inspect.StrType() | inspect.ListType() | inspect.VarTupleType():
            limits = _range(kind.min_length, kind.max_length, "at least {}", "at most {}")
            limits += "" if limits == "any" else " characters" if isinstance(kind, inspect.StrType) else " items"
        case inspect.TupleType():
            limits = f"exactly {len(kind.item_types)} items"
        case _:
            limits = "any"
    return _wanted(kind) if limits == "any" else f"{_wanted(kind)}, {limits}"


def _range(least: Any, most: Any, from_text: str, to_text: str) -> str:
    parts = [text.format(bound) for text, bound in ((from_text, least), (to_text, most)) if bound is not None]
    return " and ".join(parts) or "any"


def _bounds(kind: inspect.IntType | inspect.FloatType) -> str:
    above, below = kind.gt is not None, kind.lt is not None
    least, most = (kind.gt if above else kind.ge), (kind.lt if below else kind.le)
    return _range(least, most, "above {}" if above else "at least {}", "below {}" if below else "at most {}")


def _within(value: float, kind: inspect.IntType | inspect.FloatType) -> bool:
    """Whether a number lies within its bounds; NaN lies in none."""
    return (
        (kind.ge is None or value >= kind.ge)
        and (kind.gt is None or value > kind.gt)
        and (kind.le is None or value <= kind.le)
        and (kind.lt is None or value < kind.lt)
        and value == value  # noqa: PLR0124 - NaN is the one value that differs from itself
    )
