"""A sensor of one family at a plain door, for tests of that family alone."""

from dataclasses import dataclass
from typing import Any

import msgspec

from sillcast.contract import Door, Mount, Site
from sillcast.family import Family, Scene, SensorView, TestBody
from sillcast.kernel import Pose

BODY = TestBody("body", 0.3, 0.2, 0.7)
LIFT = {"kind": "vertical_lift", "opening": {"speed_m_per_s": 1.0}, "closing": {"speed_m_per_s": 0.5}}


@dataclass(frozen=True)
class Seen:
    """Parameters and scene of a sensor, with what its family makes of them."""

    family: Family
    params: Any
    scene: Scene

    def emitted(self) -> Any:
        """The only emission."""
        (emission,) = self.family.emit(self.params, self.scene)
        return emission

    def remarks(
        self,
        *,
        wanted: tuple[float, float, float, float] | None = None,
        body: TestBody = BODY,
        slowest: tuple[str, float] | None = None,
    ) -> dict[str, Any]:
        """Findings by key."""
        view = SensorView((), (), (), 1.0, wanted, body, slowest)
        return {f.code.split(".")[1]: f for f in self.family.review(self.params, self.scene, view)}


def seen(
    family: Family,
    *,
    device: dict[str, Any] | None = None,
    at: tuple[float, float, float] = (0.0, -0.3, 3.0),
    tilt_deg: float = 0.0,
    conditions: dict[str, Any] | None = None,
    door: dict[str, Any] | None = None,
) -> Seen:
    """A sensor on the near side: its example with other parameters, at a door of 4 x 4 m unless told otherwise."""
    params = msgspec.convert({**family.example, "family": family.name, **(device or {})}, family.params)
    whole = msgspec.convert({"opening": {"width_m": 4.0, "height_m": 4.0}, "motion": LIFT, **(door or {})}, Door)
    site = msgspec.convert({"conditions": {"near": conditions or {}}}, Site)
    place = {"x_m": at[0], "y_m": at[1], "z_m": at[2]}
    mount = msgspec.convert({"side": "near", "position": place, "tilt_deg": tilt_deg}, Mount)
    pose = Pose.of(side="near", **place, tilt_deg=mount.tilt_deg)
    return Seen(family, params, Scene(whole, site, pose, None, 0.0, "/sensors/0", tuple(sorted(family.purposes))))
