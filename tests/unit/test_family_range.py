"""What the declared conditions make of the range of each optical family, and that the emission uses it."""

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from kettlewharf import dock_door
from sillcast.family import Rays
from sillcast.planner import Planner
from sillcast.sensing import floors_of, scene_of

PLANNER = Planner()
SCAN = {
    "family": "laser_scan", "plane_tilts_deg": [5.0], "sweep_start_deg": -80.0, "sweep_end_deg": 0.0, "step_deg": 1.0,
    "range_m": 9.0, "rated_reflectance": 0.1, "wavelength_nm": 905.0,
}  # fmt: skip
BEAM = {"family": "photobeam", "range_m": 5.0}
LOW = {"x_m": -2.0, "y_m": -0.3, "z_m": 0.3}


def placed(device, near=None, far=None, counterpart=None):
    sensor = {
        "name": "sensor",
        "purposes": ["activation"],
        "mount": {"side": "near", "position": LOW if counterpart else {"x_m": 0.0, "y_m": -0.3, "z_m": 3.0}},
        "device": device,
    }
    if counterpart:
        sensor["counterpart"] = {"position": counterpart}
    request = PLANNER.decode(
        json.dumps(
            {
                "door": {
                    "opening": {"width_m": 4.0, "height_m": 4.0},
                    "motion": {
                        "kind": "vertical_lift",
                        "opening": {"speed_m_per_s": 1},
                        "closing": {"speed_m_per_s": 0.5},
                    },
                },
                "site": {"conditions": {"near": near or {}, "far": far or {}}},
                "sensors": [sensor],
            }
        ).encode()
    )
    scene = scene_of(request.sensors[0], 0, request.door, request.site, floors_of(request.site))
    family = PLANNER.registry.of(request.sensors[0].device).family
    return family, request.sensors[0].device, scene


def effects(device, near, **more):
    family, params, scene = placed(device, near, **more)
    return {e.name: e for e in family.range_effects(params, scene)}


def test_nothing_declared_changes_nothing():
    family, params, scene = placed(SCAN)
    assert family.range_effects(params, scene) == ()
    assert family.working_range_m(params, scene) == 9.0


def test_conditions_of_the_other_side_do_not_count():
    family, params, scene = placed(SCAN, far={"visibility_m": 20.0})
    assert family.range_effects(params, scene) == ()


def test_dark_cloth_shortens_by_the_square_root():
    # 9 m at 10 %: 9 sqrt(0.018 / 0.1) = 3.818 m at 1.8 %.
    found = effects(SCAN, {"body_reflectance": 0.018})["surface"]
    assert (found.before_m, found.after_m) == (9.0, pytest.approx(3.818, abs=5e-4))
    assert [(i.name, i.value) for i in found.inputs] == [("rated_reflectance", 0.1), ("body_reflectance", 0.018)]
    assert found.status == "from_memory"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        # 9 m at 10 % are 3.818 m at 1.8 %; the reference body is 0.70 m high.
        ({"z_m": 4.51}, "dark_cloth"),
        ({"z_m": 4.53}, "dark_cloth_unseen"),
        ({"z_m": 4.53, "purposes": ["activation"]}, "dark_cloth"),
        ({"z_m": 4.53, "near": {"body_reflectance": 0.05}}, None),
        # Spots miss the floor's echo behind a dark body.
        ({"z_m": 4.53, "device": {"family": "active_infrared", "range_m": 9.0, "rated_reflectance": 0.1}}, "dark_cloth"),
    ],
)  # fmt: skip
def test_a_head_out_of_reach_of_dark_clothing_is_a_warning(change, code):
    request = dock_door(**{"/site/conditions/near": change.get("near", {})})
    request["sensors"][0]["mount"]["position"] |= {"x_m": 0.0, "z_m": change["z_m"]}
    request["sensors"][0] |= {"purposes": change.get("purposes", ["activation", "protection"])}
    device = {k: v for k, v in request["sensors"][0]["device"].items() if k != "rated_reflectance"}
    request["sensors"][0]["device"] = change.get("device", device | {"rated_reflectance": 0.1})
    found = {f.code.split(".")[1]: f for f in PLANNER.assess(request).findings if "dark_cloth" in f.code}
    assert list(found) == ([code] if code else [])
    if code == "dark_cloth_unseen":
        values = found[code].values
        assert found[code].severity == "warning"
        assert values["dark_m"] == pytest.approx(3.818, abs=5e-4)
        assert values["least_m"] == pytest.approx((4.53 - 0.70) / np.sqrt(0.18))


def test_a_brighter_body_is_not_seen_farther_than_the_sheet_says():
    assert effects(SCAN, {"body_reflectance": 0.9})["surface"].after_m == 9.0


def test_window_dirt_counts_on_the_way_out_and_back():
    # (1 - 0.2)^2 of the power, so 0.8 of the range.
    assert effects(SCAN, {"window_dirt": 0.2})["window"].after_m == pytest.approx(7.2)


def test_fog_by_hand():
    # Visibility 50 m by 5 %: sigma = 2.9957 / 50 = 0.05991 1/m (Kim's exponent is 0 so low). R exp(sigma R) = 9 m.
    after = effects(SCAN, {"visibility_m": 50.0})["fog"].after_m
    assert after * np.exp(2.995732 / 50 * after) == pytest.approx(9.0, rel=1e-6)
    assert 6.2 < after < 6.21  # by trial: 6.2 exp(0.3715) = 8.99, 6.21 exp(0.3721) = 9.01


def test_effects_follow_each_other_and_end_where_the_emission_begins():
    near = {
        "body_reflectance": 0.05, "window_dirt": 0.1, "visibility_m": 100.0, "rain_mm_per_h": 20.0,
        "snow_mm_per_h": 1.0,
    }  # fmt: skip
    family, params, scene = placed(SCAN, near)
    found = family.range_effects(params, scene)
    assert [e.name for e in found] == ["surface", "window", "fog", "rain", "snow"]
    assert all(a.after_m == b.before_m for a, b in pairwise(found))
    (rays,) = family.emit(params, scene)
    assert isinstance(rays, Rays)
    assert set(rays.range_m) == {found[-1].after_m}
    assert found[-1].after_m < 9.0


def test_snow_without_a_temperature_is_the_worse_kind():
    # 5 mm/h at 905 nm: dry 5.545 * 5^1.38 = 51.1 dB/km, wet 3.878 * 5^0.72 = 12.4 dB/km.
    unknown = effects(SCAN, {"snow_mm_per_h": 5.0})["snow"].after_m
    dry = effects(SCAN, {"snow_mm_per_h": 5.0, "air_temperature_deg_c": -10.0})["snow"].after_m
    wet = effects(SCAN, {"snow_mm_per_h": 5.0, "air_temperature_deg_c": 1.0})["snow"].after_m
    assert unknown == dry < wet


def test_a_beam_goes_its_way_once_and_to_a_reflector_twice():
    end = {"x_m": 2.0, "y_m": -0.3, "z_m": 0.3}
    once = effects(BEAM, {"visibility_m": 30.0}, counterpart=end)["fog"].after_m
    twice = effects({**BEAM, "counterpart_is": "reflector"}, {"visibility_m": 30.0}, counterpart=end)["fog"].after_m
    sigma = 2.995732 / 30  # Koschmieder, 5 %
    assert once * np.exp(sigma * once / 2) == pytest.approx(5.0, rel=1e-6)
    assert twice * np.exp(sigma * twice) == pytest.approx(5.0, rel=1e-6)


def test_a_beam_that_fog_cuts_short_emits_nothing():
    end = {"x_m": 2.0, "y_m": -0.3, "z_m": 0.3}
    family, params, scene = placed(BEAM, {"visibility_m": 10.0}, counterpart=end)
    assert family.working_range_m(params, scene) < 4.0
    assert family.emit(params, scene) == ()
    family, params, scene = placed(BEAM, {"visibility_m": 1000.0}, counterpart=end)
    assert len(family.emit(params, scene)) == 1


def test_warm_air_hides_warm_bodies():
    # Contrast of 1 K against 3.5 K stated, at 28 deg C: nearly linear, so sqrt(1 / 3.5) of 6 m.
    device = {"family": "passive_infrared", "range_m": 6.0, "rated_contrast_k": 3.5, "body_temperature_deg_c": 28.0}
    assert effects(device, {"air_temperature_deg_c": 27.0})["contrast"].after_m == pytest.approx(
        6 * np.sqrt(1 / 3.5), rel=0.01
    )
    assert effects(device, {"air_temperature_deg_c": 28.0})["contrast"].after_m == 0.0
    assert effects(device, {"air_temperature_deg_c": -20.0})["contrast"].after_m == 6.0


def test_sun_lifts_the_floor_margin_of_a_camera():
    device = {"family": "depth_camera", "columns": 16, "rows": 8}
    family, params, scene = placed(device)
    dark = [e.floor_margin_m for e in family.emit(params, scene)]
    family, params, scene = placed(device, {"sun_w_per_m2": 1000.0})
    bright = [e.floor_margin_m for e in family.emit(params, scene)]
    assert all(b > d for d, b in zip(dark, bright, strict=True))
    # 3 m straight down: 830 to 870 nm hold 38.6 W/m2 of the sun, over 10 W/m2 own light: s = 0.01 sqrt(1 + 3.86).
    assert family.noise_at_m(params, scene, 3.0) == pytest.approx(0.01 * np.sqrt(1 + 3.86), rel=0.01)


def test_examples_of_the_families_are_worked_requests():
    folder = Path(__file__).parents[2] / "openapi" / "examples"
    for name in (
        "laser_scan",
        "active_infrared",
        "depth_camera",
        "passive_infrared",
        "light_curtain",
        "photobeam",
        "pressure_mat",
    ):
        request = PLANNER.decode((folder / f"{name}.json").read_bytes())
        assert name in {PLANNER.registry.of(s.device).name for s in request.sensors}
