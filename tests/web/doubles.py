"""Planners that stand in for slow or broken ones."""

from sillcast.planner import Planner
from sillcast.registry import Registry

_REGISTRY = Registry.find()


class Quick(Planner):
    """The planner itself, ready without warming up."""

    def __init__(self) -> None:
        super().__init__(_REGISTRY)

    def warm_up(self) -> None:
        """Leave the kernels cold."""
