"""Advice: what to set and where to mount, in numbers that were proven by assessing the changed request."""

from sillcast.advice.advise import Advised, advise, advised
from sillcast.advice.candidates import place_faults
from sillcast.advice.mount_answer import mount_search
from sillcast.advice.mounts import Bench, base_request, mount_search_type, slowest
from sillcast.advice.places import Site
from sillcast.advice.task import Budget, Task

__all__ = [
    "Advised",
    "Bench",
    "Budget",
    "Site",
    "Task",
    "advise",
    "advised",
    "base_request",
    "mount_search",
    "mount_search_type",
    "place_faults",
    "slowest",
]
