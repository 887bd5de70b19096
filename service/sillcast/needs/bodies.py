"""Catalogue of test bodies, each with where its size comes from and how sure that is."""

from collections.abc import Mapping
from types import MappingProxyType

from sillcast.kernel import TestBody

__all__ = ["catalogue"]

_REFERENCE = (
    "Reference body CA, 700 x 300 x 200 mm, EN 16005:2012 Annex C, {}; read second-hand in trade training slides"
)
_PRACTICE = "common practice, no source"

_BODIES = (
    TestBody("reference_body_upright", 0.30, 0.20, 0.70, source=_REFERENCE.format("standing")),
    TestBody("reference_body_lying", 0.70, 0.30, 0.20, source=_REFERENCE.format("lying on its 700 x 300 mm face")),
    TestBody(
        "person_standing", 0.424, 0.353, 1.50,
        source="Body ellipse 500 x 600 mm, FHWA-RD-98-107 section 2.1 (verified), here the box inside it, so that a "
        "person is never found too easily; height of a small adult from memory",
    ),
    TestBody(
        "person_28_in", 0.30, 0.20, 0.711,
        source="28 in (711 mm) high person, ANSI/BHMA A156.10-2005 8.1.2, second-hand; the standard's summary gives no "
        "width, the footprint is that of the reference body (own choice)",
    ),
    TestBody(
        "crawling_child", 0.30, 0.50, 0.40,
        source="Height of a crawling child 400 mm from memory; footprint common practice, no source",
    ),
    TestBody("small_object", 0.10, 0.10, 0.10, source=_PRACTICE),
    TestBody("vehicle_front", 1.10, 0.30, 1.00, source=f"Front of a lift truck: {_PRACTICE}", metal=True),
    TestBody("pallet_truck", 0.70, 0.30, 0.20, source=f"Pallet truck with its forks low: {_PRACTICE}", metal=True),
    TestBody(
        "floor_plate", 0.01, 0.305, 0.152,
        source="White vertical surface 6 in high, 12 in long, 16 CFR 1211.11(c) (verified); the regulation gives no "
        "thickness, 10 mm is our own choice",
    ),
    TestBody(
        "low_strip", 0.30, 0.30, 0.0254,
        source="Floor object 1 in (25.4 mm) high, 16 CFR 1211.7(b) (verified); its footprint is our own choice",
    ),
    TestBody(
        "lying_cylinder_200", 0.60, 0.141, 0.170,
        source="Diameter 200 mm, 600 mm long, lying, ISO 3691-4, from memory; here the box inside, down to the floor",
    ),
    TestBody("post_70", 0.07, 0.07, 0.40, "cylinder", "Diameter 70 mm, 400 mm high, ISO 3691-4, from memory"),
)  # fmt: skip
_CATALOGUE = MappingProxyType({body.name: body for body in _BODIES})


def catalogue() -> Mapping[str, TestBody]:
    """Standard test bodies by name; each `source` says where the size comes from and how sure that is.

    Not nested: a larger name is not always a larger body in every direction.
    """
    return _CATALOGUE
