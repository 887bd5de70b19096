"""Settings by JSON pointer: read one, set one, and the patch that does it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from sillcast.contract import PatchStep

__all__ = ["patch_step", "value_at", "with_value", "with_values"]


def _steps(pointer: str) -> list[str]:
    """Reference tokens of a pointer [1]_.

    References
    ----------
    .. [1] RFC 6901, JavaScript Object Notation (JSON) Pointer, section 4.
    """
    return [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]


def value_at(root: Any, pointer: str) -> Any:
    """Value of a request struct at a pointer; defaults count as there.

    Raises
    ------
    KeyError
        If nothing is there.
    """
    at = root
    for token in _steps(pointer):
        try:
            at = at[int(token)] if isinstance(at, tuple) else getattr(at, token)
        except (AttributeError, IndexError, ValueError) as error:
            raise KeyError(pointer) from error
    return at


def with_value(root: Any, pointer: str, value: Any) -> Any:
    """The request struct with one value replaced; everything else is shared with the old one.

    Raises
    ------
    KeyError
        If nothing is there.
    """
    value_at(root, pointer)
    return _replaced(root, _steps(pointer), value)


def _replaced(at: Any, tokens: list[str], value: Any) -> Any:
    if not tokens:
        return value
    head, *rest = tokens
    if isinstance(at, tuple):
        index = int(head)
        return (*at[:index], _replaced(at[index], rest, value), *at[index + 1 :])
    return msgspec.structs.replace(at, **{head: _replaced(getattr(at, head), rest, value)})


def with_values(root: Any, values: Mapping[str, Any]) -> Any:
    """The request struct with several values replaced."""
    for pointer, value in values.items():
        root = with_value(root, pointer, value)
    return root


def patch_step(root: Any, pointer: str, value: Any) -> PatchStep:
    """One operation that sets a value in the request as the client sent it [1]_.

    A member of an object is added, which also replaces it, since the client may have left a default out; an item of
    an array is replaced, since adding would insert.

    References
    ----------
    .. [1] RFC 6902, JavaScript Object Notation (JSON) Patch, sections 4.1 and 4.3.
    """
    inside = value_at(root, pointer.rpartition("/")[0])
    op = "replace" if isinstance(inside, tuple) else "add"
    return PatchStep(op=op, path=pointer, value=msgspec.to_builtins(value))
