"""Answers as they go over the wire."""

from base64 import b64encode
from hashlib import sha256
from typing import Any


def digest(content: bytes) -> str:
    """Value of Content-Digest and Repr-Digest, after RFC 9530."""
    return f"sha-256=:{b64encode(sha256(content).digest()).decode()}:"


def raw(client: Any, method: str, path: str, **more: Any) -> tuple[Any, bytes]:
    """A response and the bytes that came, not yet decoded."""
    with client.stream(method, path, **more) as response:
        return response, b"".join(response.iter_raw())
