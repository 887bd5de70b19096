"""Configuration by environment variables `SILLCAST_*`: listed, typed, checked at start."""

from collections.abc import Mapping
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

__all__ = ["PREFIX", "Settings", "SettingsError"]

PREFIX = "SILLCAST_"


class SettingsError(ValueError):
    """An environment variable is unknown or holds what it must not."""


class Settings(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All that can be configured; each field is the variable `SILLCAST_<FIELD>`."""

    host: Annotated[str, Meta(min_length=1, max_length=255, description="Address to listen on.")] = "127.0.0.1"
    port: Annotated[int, Meta(ge=0, le=65535, description="Port; 0 lets the system choose one.")] = 8080
    plugins: Annotated[
        Literal["skip", "strict"],
        Meta(description="A family that cannot be loaded stops the start (strict) or is left out and listed (skip)."),
    ] = "strict"
    body_limit_bytes: Annotated[int, Meta(ge=1024, le=16_777_216, description="Largest request body. [byte]")] = 262_144
    receive_timeout_s: Annotated[
        float, Meta(gt=0, le=300, description="Time for the headers, and again for the body, to arrive. [s]")
    ] = 10.0
    deadline_s: Annotated[
        float, Meta(gt=0, le=600, description="Time from the whole request to its answer, waiting included. [s]")
    ] = 60.0
    workers: Annotated[
        int, Meta(ge=1, le=64, description="Requests computed at the same time, each in a process of its own.")
    ] = 1
    memory_mb: Annotated[int, Meta(ge=1024, le=262_144, description="Address space that a worker may have. [MiB]")] = (
        2048
    )
    queue: Annotated[int, Meta(ge=0, le=10_000, description="Requests that may wait for a worker.")] = 16
    warm_up: Annotated[
        Literal["off", "on"],
        Meta(description="Warm the kernels before being ready; off starts at once, and the first requests are slow."),
    ] = "on"
    keep_alive_s: Annotated[
        float, Meta(gt=0, le=3600, description="Idle time of a connection; longer than the balancer's. [s]")
    ] = 75.0
    drain_s: Annotated[
        float, Meta(ge=0, le=300, description="Time between SIGTERM and the end of listening, to be unlisted. [s]")
    ] = 2.0
    cors_origins: Annotated[
        str,
        Meta(
            max_length=2048,
            pattern=r"^(\*|https?://[a-z0-9.\[\]:-]+(,https?://[a-z0-9.\[\]:-]+)*)?(?![\s\S])",
            description="Origins whose pages may call this service, with commas between; * for any; empty for none.",
        ),
    ] = ""
    traces_endpoint: Annotated[
        str,
        Meta(
            max_length=2048,
            pattern=r"^(https?://[!-~]+)?(?![\s\S])",
            description="Where OpenTelemetry spans go, by OTLP over HTTP (ends in /v1/traces); empty for nowhere. "
            "Needs the extra `otel`.",
        ),
    ] = ""
    traces_share: Annotated[
        float, Meta(ge=0, le=1, description="Share of requests that are traced, where the caller does not say. [1]")
    ] = 1.0
    build: Annotated[
        str,
        Meta(pattern=r"^[A-Za-z0-9._-]{0,64}(?![\s\S])", description="Which build this is, shown by /health/ready."),
    ] = ""
    back_end: Annotated[
        Literal["compiled", "numpy"], Meta(description="Read by the kernel: compiled where it can be, or numpy alone.")
    ] = "compiled"
    log: Annotated[Literal["off", "on"], Meta(description="One JSON line per request, without its body.")] = "on"

    @classmethod
    def from_environment(cls, environment: Mapping[str, str]) -> "Settings":
        """Settings out of the variables that begin with `SILLCAST_`.

        Raises
        ------
        SettingsError
            If such a variable is unknown, or its value is of the wrong sort or out of bounds.
        """
        given = {name: value for name, value in environment.items() if name.startswith(PREFIX)}
        known = {f"{PREFIX}{field.upper()}": field for field in cls.__struct_fields__}
        unknown = sorted(given.keys() - known.keys())
        if unknown:
            raise SettingsError(f"{unknown[0]} is no setting; there are {', '.join(known)}")
        try:
            return msgspec.convert({known[name]: value for name, value in given.items()}, cls, strict=False)
        except msgspec.ValidationError as error:
            text, _, path = str(error).partition(" - at `$.")
            raise SettingsError(f"{PREFIX}{path.rstrip('`').upper()}: {text}") from None

    def as_environment(self) -> dict[str, str]:
        """Variable names with the values in force."""
        return {f"{PREFIX}{field.upper()}": str(getattr(self, field)) for field in self.__struct_fields__}
