"""The tool with its advice from the library in its own process: `python in_process.py`."""

import msgspec
from door_tool import Json, RefusedError, design

from sillcast import MalformedError, Planner, UncomputableError


class Library:
    """Adviser without a service. The planner is made once, since it loads the families."""

    def __init__(self) -> None:
        self._planner = Planner()

    def needs(self, request: Json) -> Json:
        """A struct with attributes comes back; the tool wants what JSON would give."""
        return self._plain("needs", request)

    def assess(self, request: Json) -> Json:
        """The same bytes as the service gives, once encoded."""
        return self._plain("assess", request)

    def _plain(self, call: str, request: Json) -> Json:
        try:
            answer = getattr(self._planner, call)(request)
        except (MalformedError, UncomputableError) as error:
            raise RefusedError([(fault.pointer, fault.detail) for fault in error.faults]) from None
        return dict(msgspec.to_builtins(answer))


if __name__ == "__main__":
    design(Library())
