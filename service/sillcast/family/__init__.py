"""All that a sensor family may import: base class, hook marker, scene, emissions, findings, tunables, physics."""

from sillcast import physics
from sillcast.contract import ConditionsSide, DerivationInput, Door, Field, Filters, SensorParams, Site
from sillcast.family.base import (
    API_VERSION,
    FILTER_FINDINGS,
    Family,
    FindingSpec,
    RangeEffect,
    Scene,
    SensorView,
    Tunable,
    Typical,
    hookimpl,
    hookspec,
)
from sillcast.family.filters import FILTERS, asked, seen_through
from sillcast.family.optics import OPTICAL_FINDINGS, SURFACE_FINDINGS, OpticalFamily, given
from sillcast.kernel import Emission, FloorArea, Lobe, Pose, Rays, TestBody

__all__ = [
    "API_VERSION",
    "FILTERS",
    "FILTER_FINDINGS",
    "OPTICAL_FINDINGS",
    "SURFACE_FINDINGS",
    "ConditionsSide",
    "DerivationInput",
    "Door",
    "Emission",
    "Family",
    "Field",
    "Filters",
    "FindingSpec",
    "FloorArea",
    "Lobe",
    "OpticalFamily",
    "Pose",
    "RangeEffect",
    "Rays",
    "Scene",
    "SensorParams",
    "SensorView",
    "Site",
    "TestBody",
    "Tunable",
    "Typical",
    "asked",
    "given",
    "hookimpl",
    "hookspec",
    "physics",
    "seen_through",
]
