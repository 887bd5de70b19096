"""Lists and zones as the advice words them."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["joined", "labelled"]


def joined(parts: Sequence[str]) -> str:
    """Parts with commas, the last with "and"."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def labelled(labels: Sequence[str], one: str, many: str) -> str:
    """Labels in quotes, with the verb that fits their number: "'leaf line' is" or "'leaf line' and 'strip' are"."""
    quoted = [f"'{label}'" for label in labels]
    return f"{joined(quoted)} {one if len(quoted) == 1 else many}"
