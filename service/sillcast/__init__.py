"""What the sensors of an automatic door will see, whether that is what the door needs, and how to prove it."""

from sillcast.contract import Assessment, CoverageAnswer, NeedsAnswer
from sillcast.errors import MalformedError, SillcastError, UncomputableError
from sillcast.planner import Planner
from sillcast.registry import Registry

__all__ = [
    "Assessment",
    "CoverageAnswer",
    "MalformedError",
    "NeedsAnswer",
    "Planner",
    "Registry",
    "SillcastError",
    "UncomputableError",
]
