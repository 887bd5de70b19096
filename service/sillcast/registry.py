"""Installed sensor families: find -> load -> check -> freeze; and the request type made of all of them."""

from __future__ import annotations

import importlib.metadata
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union

import msgspec
import pluggy
from msgspec import Meta, inspect

from sillcast.contract import Body, Door, Output, Rules, SensorBase, SensorParams, Site, Traveller
from sillcast.errors import RegistryError, UnknownNameError
from sillcast.family import API_VERSION, Family, hookspec

__all__ = ["GROUP", "Installed", "Refused", "Registry", "check"]

GROUP = "sillcast.families"
SENSES = {"presence", "motion", "metal", "warm", "contact"}
PURPOSES = {"activation", "protection"}
SEATS = {"beside", "opening", "floor", "leaf"}
_TAG = re.compile(r"[a-z][a-z0-9_]{1,63}")


class _Hooks:
    @hookspec
    def sillcast_families(self) -> Sequence[Family]:
        """Families of this module; called once at start."""
        raise NotImplementedError


@dataclass(frozen=True)
class Installed:
    """A family with the distribution that brought it."""

    family: Family
    distribution: str
    version: str
    entry: str

    @property
    def name(self) -> str:
        """Name of the family."""
        return self.family.name

    @property
    def origin(self) -> str:
        """`distribution version [entry]`, as errors name it."""
        return f"{self.distribution} {self.version} [{self.entry}]"


@dataclass(frozen=True)
class Refused:
    """An entry that was left out, and why."""

    origin: str
    reason: str


class Registry:
    """Frozen set of installed families, and the request type that holds them all."""

    def __init__(self, installed: Iterable[Installed], refused: Iterable[Refused] = ()) -> None:
        self.families = tuple(sorted(installed, key=lambda i: i.name))
        self.refused = tuple(refused)
        if not self.families:
            raise RegistryError("no sensor family is installed; install one that declares the entry point " + GROUP)
        self._by_name = {i.name: i for i in self.families}
        self._by_params = {i.family.params: i for i in self.families}
        self.request_type = _request_type([i.family.params for i in self.families])

    @classmethod
    def find(cls, mode: Literal["strict", "skip"] = "strict") -> Registry:
        """Find, load and check all installed families.

        Parameters
        ----------
        mode : {"strict", "skip"}
            What to do with an entry that fails: stop, or leave it out and list it in `refused`.

        Raises
        ------
        RegistryError
            In strict mode, naming distribution, version and entry.
        """
        good: list[Installed] = []
        refused: list[Refused] = []
        for entry in _entries():
            origin = _origin(entry)
            try:
                for family in _load(entry):
                    check(family, good)
                    good.append(Installed(family, *_distribution(entry), entry.name))
            except Exception as error:  # whatever a foreign module raises on import
                reason = str(error) or type(error).__name__
                if mode == "strict":
                    raise RegistryError(f"{origin}: {reason}") from error
                refused.append(Refused(origin, reason))
                good = [i for i in good if i.entry != entry.name]
        return cls(good, refused)

    def named(self, name: str) -> Installed:
        """The family of that name.

        Raises
        ------
        UnknownNameError
            If it is not installed.
        """
        if name not in self._by_name:
            raise UnknownNameError(f"no family {name!r} is installed; installed are {', '.join(self._by_name)}")
        return self._by_name[name]

    def of(self, params: SensorParams) -> Installed:
        """The family to which these parameters belong."""
        return self._by_params[type(params)]


def _entries() -> list[importlib.metadata.EntryPoint]:
    entries = importlib.metadata.entry_points(group=GROUP)
    return sorted(entries, key=lambda e: (*_distribution(e), e.name))


def _distribution(entry: importlib.metadata.EntryPoint) -> tuple[str, str]:
    return (entry.dist.name, entry.dist.version) if entry.dist else ("unknown", "0")


def _origin(entry: importlib.metadata.EntryPoint) -> str:
    return f"{' '.join(_distribution(entry))} [{entry.name}]"


def _load(entry: importlib.metadata.EntryPoint) -> list[Family]:
    manager = pluggy.PluginManager("sillcast")
    manager.add_hookspecs(_Hooks)
    manager.register(entry.load(), name=entry.name)
    manager.check_pending()
    families = [family for found in manager.hook.sillcast_families() for family in found]
    if not families:
        raise RegistryError("the module gives no family: it needs a function sillcast_families marked with hookimpl")
    return families


def check(family: Any, taken: list[Installed]) -> None:
    """Refuse a family that breaks the contract of sillcast.family."""
    if not isinstance(family, Family):
        raise RegistryError(f"{family!r} is no Family")
    if family.api_version != API_VERSION:
        raise RegistryError(f"api_version is {family.api_version}, this sillcast has {API_VERSION}")
    if not (isinstance(family.params, type) and issubclass(family.params, SensorParams)):
        raise RegistryError("params must be a subclass of SensorParams")
    if not _TAG.fullmatch(family.name):
        raise RegistryError(f"the name {family.name!r} must be lower case letters, digits and underscores")
    for other in taken:
        if other.name == family.name or other.family.params.__name__ == family.params.__name__:
            raise RegistryError(f"the name {family.name!r} is taken by {other.origin}")
    if not family.params.__struct_config__.forbid_unknown_fields:
        raise RegistryError("params must forbid unknown fields")
    sets = (family.senses, SENSES), (family.purposes, PURPOSES), (family.never_alone, PURPOSES), ({family.sits}, SEATS)
    for what, known in sets:
        if not set(what) <= known:
            raise RegistryError(f"{sorted(set(what) - known)} is not among {sorted(known)}")
    _check_numbers(family.params)


def _check_numbers(params: type[SensorParams]) -> None:
    info = inspect.type_info(params)
    assert isinstance(info, inspect.StructType)
    for field in info.fields:
        for number, description in _numbers(field.type, ""):
            low = number.ge if number.ge is not None else number.gt
            high = number.le if number.le is not None else number.lt
            if low is None or high is None:
                raise RegistryError(f"{field.name}: a number needs a lower and an upper bound")
            if isinstance(number, inspect.FloatType) and "[" not in description:
                raise RegistryError(f"{field.name}: its description needs the unit in brackets")


def _numbers(info: inspect.Type, text: str) -> Iterable[tuple[inspect.FloatType | inspect.IntType, str]]:
    """Numbers in a type with the description nearest to them; structs of the contract check themselves."""
    if isinstance(info, inspect.Metadata):
        text = (info.extra_json_schema or {}).get("description", text)
        yield from _numbers(info.type, text)
    elif isinstance(info, inspect.FloatType | inspect.IntType):
        yield info, text
    elif isinstance(info, inspect.UnionType):
        for one in info.types:
            yield from _numbers(one, text)
    elif isinstance(info, inspect.ListType | inspect.VarTupleType):
        yield from _numbers(info.item_type, text)
    elif isinstance(info, inspect.TupleType):
        for one in info.item_types:
            yield from _numbers(one, text)


def _request_type(params: list[type[SensorParams]]) -> type[msgspec.Struct]:
    device: Any = Annotated[
        Union[tuple(params)],  # noqa: UP007  # made at run time
        Meta(description="The sensor's own parameters; `family` names the family they belong to."),
    ]
    sensor = msgspec.defstruct(
        "Sensor",
        [("device", device)],
        bases=(SensorBase,),
        frozen=True,
        kw_only=True,
        forbid_unknown_fields=True,
        namespace={"__doc__": "A sensor: name, purposes, mount and device."},
    )
    fields: list[Any] = [
        ("door", Door),
        ("site", Site, Site()),
        ("traffic", Annotated[tuple[Traveller, ...], Meta(max_length=16, description="Who passes the door.")], ()),
        ("sensors", Annotated[tuple[sensor, ...], Meta(max_length=16, description="Sensors of the plan.")], ()),  # type: ignore[valid-type]  # made at run time
        ("rules", Rules, Rules()),
        (
            "bodies",
            Annotated[tuple[Body, ...], Meta(max_length=16, description="Test bodies beside the standard ones.")],
            (),
        ),
        ("output", Output, Output()),
    ]
    doc = "A door with its surroundings, traffic and sensors, and what is wanted of the answer."
    return msgspec.defstruct(
        "AssessmentRequest", fields, frozen=True, kw_only=True, forbid_unknown_fields=True, namespace={"__doc__": doc}
    )
