"""What one request found out, under all that it depends on."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from hashlib import sha256
from typing import Any, TypeVar

import numpy as np

__all__ = ["Kept", "digest"]

Answer = TypeVar("Answer")

_MOST = 4096  # answers; then it begins anew


class Kept:
    """Answers by all that they depend on; it lives no longer than the request that all who share it belong to."""

    def __init__(self) -> None:
        self._numbers: dict[Hashable, int] = {}
        self._found: dict[Hashable, Any] = {}

    def number(self, content: Hashable) -> int:
        """A number that only equal contents share. [1]"""
        return self._numbers.setdefault(content, len(self._numbers))

    def once(self, key: Hashable, make: Callable[[], Answer]) -> Answer:
        """What is kept under a key, made if it is not there yet."""
        if key not in self._found:
            if len(self._found) >= _MOST:
                self._found.clear()
            self._found[key] = make()
        answer: Answer = self._found[key]
        return answer


def digest(*arrays: Any) -> bytes:
    """Short stand-in for arrays whose types are known: that of other arrays is another."""
    whole = sha256()  # processors have it built in
    for array in arrays:
        whole.update(repr(array.shape).encode())
        whole.update(np.ascontiguousarray(array).data)
    return whole.digest()
