"""Configuration by environment variables `SILLCAST_*`: listed, typed, checked at start."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta, Struct

__all__ = ["PREFIX", "Settings", "SettingsError", "variable"]

PREFIX = "SILLCAST_"


class SettingsError(ValueError):
    """Environment variables are unknown or hold what they must not; the text names all of them, a line for each."""


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
        known = {variable(field): field for field in cls.__struct_fields__}
        unknown = sorted(given.keys() - known.keys())
        wrong = [f"{', '.join(unknown)}: no setting of that name; there are {', '.join(known)}"] if unknown else []
        for name in (name for name in known if name in given):
            try:  # each alone, since the decoder stops at the first fault
                msgspec.convert({known[name]: given[name]}, cls, strict=False)
            except msgspec.ValidationError as error:
                wrong.append(f"{name}: {str(error).partition(' - at `$.')[0]}")
        if wrong:
            raise SettingsError("\n".join(wrong))
        return msgspec.convert({known[name]: value for name, value in given.items()}, cls, strict=False)

    @classmethod
    def described(cls) -> str:
        """Each variable with its default, what it may be and what it is for."""
        schema = msgspec.json.schema_components([cls])[1][cls.__name__]
        return "\n".join(_described(*each) for each in schema["properties"].items())

    def as_environment(self) -> dict[str, str]:
        """Variable names with the values in force."""
        return {variable(field): str(getattr(self, field)) for field in self.__struct_fields__}


def variable(field: str) -> str:
    """Name of the environment variable of a setting."""
    return f"{PREFIX}{field.upper()}"


_BOUNDS = {"minimum": ">=", "exclusiveMinimum": ">", "maximum": "<="}


def _described(field: str, schema: dict[str, Any]) -> str:
    """A line of help: the variable with its default, its choices or bounds, and what it is for."""
    bounds = [f"{sign} {schema[key]}" for key, sign in _BOUNDS.items() if key in schema]
    may_be = " or ".join(schema["enum"]) if "enum" in schema else ", ".join([str(schema["type"]), *bounds])
    return f"  {variable(field)}={schema['default']}\n      {may_be}. {schema['description']}"
