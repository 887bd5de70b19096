"""Families from outside: a real distribution that is discovered, and broken ones that are named and do no harm."""

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

HERE = Path(__file__).parent
DOOR = {
    "opening": {"width_m": 3.0, "height_m": 3.0},
    "motion": {"kind": "vertical_lift", "opening": {"speed_m_per_s": 1.0}, "closing": {"speed_m_per_s": 0.5}},
}


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """The outside distribution, built and installed into a folder of its own."""
    target = tmp_path_factory.mktemp("site")
    command = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "-q",
        "--no-deps",
        "--target",
        str(target),
        str(HERE / "step_plate"),
    ]
    subprocess.run([*command, "--disable-pip-version-check"], check=True, timeout=180)
    return target


def run(script, *paths):
    """Run a script with more folders to import from; its last line is JSON."""
    code = "import sys; sys.path[:0] = " + repr([str(p) for p in paths]) + "\n" + textwrap.dedent(script)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def test_outside_family_is_discovered_documented_and_assessed(installed):
    found = run(
        f"""
        import json
        from sillcast import Planner
        from sillcast.web.openapi import document
        planner = Planner()
        sensor = dict(name="plate", purposes=["protection"], device=dict(family="step_plate", diameter_m=0.4),
                      mount=dict(side="near", position=dict(x_m=0.0, y_m=-0.5, z_m=0.0)))
        answer = planner.assess(dict(door={DOOR!r}, sensors=[sensor], output=dict(
            detections=[dict(body="reference_body_upright")])))
        mapping = document(planner)["components"]["schemas"]["Sensor"]["properties"]["device"]["discriminator"]["mapping"]
        print(json.dumps(dict(
            card=planner.family("step_plate").distribution,
            mapping=mapping["step_plate"],
            area=answer.sensors[0].detection[0].area_m2,
            findings=[f.code for f in answer.findings if f.code.startswith("step_plate")],
            version=answer.computed_by.families["step_plate"])))
        """,
        installed,
    )
    assert found["card"] == "sillcast-step-plate"
    assert found["mapping"] == "#/components/schemas/StepPlate"
    assert found["findings"] == ["step_plate.small"]
    assert found["version"] == "0.3.0"
    # disc of 0.4 m summed with 0.3 x 0.2: pi r^2 + 2 r (a + b) + a b = 0.1257 + 0.2 + 0.06 = 0.3857; 32 corners inscribed
    assert 0.38 < found["area"] <= 0.3857


def test_outside_family_is_assessed_over_http(installed):
    found = run(
        f"""
        import json
        from litestar.testing import TestClient
        from sillcast import Planner
        from sillcast.web.app import build_app
        sensor = dict(name="plate", purposes=["protection"], device=dict(family="step_plate", diameter_m=0.8),
                      mount=dict(side="near", position=dict(x_m=0.0, y_m=-0.5, z_m=0.0)))
        body = dict(door={DOOR!r}, sensors=[sensor], output=dict(proposals=False))
        with TestClient(build_app(Planner())) as client:
            answer = client.post("/v1/assessments", json=body)
            card = client.get("/v1/families/step_plate")
        print(json.dumps(dict(status=[answer.status_code, card.status_code],
                              families=answer.json()["computed_by"]["families"], card=card.json()["distribution"])))
        """,
        installed,
    )
    assert found == {
        "status": [200, 200], "families": {"step_plate": "0.3.0"}, "card": "sillcast-step-plate",
    }  # fmt: skip


def broken(folder, name, source):
    """A distribution whose metadata is there and whose module is broken in one way."""
    (folder / f"{name}.py").write_text(textwrap.dedent(source))
    info = folder / f"sillcast_{name}-9.9.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: sillcast-{name}\nVersion: 9.9\n")
    (info / "entry_points.txt").write_text(f"[sillcast.families]\n{name} = {name}\n")
    return folder


FAMILY = """
from typing import Annotated
from msgspec import Meta
import numpy as np
from sillcast.family import *
class Odd(SensorParams, frozen=True, kw_only=True, tag="odd"):
    size_m: Annotated[float, Meta(gt=0, le=1, description="Size. [m]")] = 0.5
class OddFamily(Family):
    params = Odd
    senses = frozenset({"contact"})
    def emit(self, params, scene):
        return (FloorArea(scene.mount.origin[:2] + np.array([[0., 0.], [1., 0.], [0., 1.]])),)
@hookimpl
def sillcast_families():
    return [OddFamily()]
"""

AT_START = {
    "import_error": ("raise RuntimeError('no such library')", "no such library"),
    "wrong_hook": (FAMILY.replace("def sillcast_families", "def sillcast_familys"), "sillcast_familys"),
    "name_taken": (FAMILY.replace('tag="odd"', 'tag="photobeam"'), "taken"),
    "no_upper_bound": (FAMILY.replace("gt=0, le=1,", "gt=0,"), "upper bound"),
    "no_unit": (FAMILY.replace("Size. [m]", "Size."), "unit"),
    "old_api": (FAMILY.replace("params = Odd", "params = Odd; api_version = 99"), "api_version"),
    "lax": (FAMILY.replace("kw_only=True, tag", "kw_only=True, forbid_unknown_fields=False, tag"), "unknown fields"),
}

LOOK = """
import json
from sillcast.registry import Registry
from sillcast.errors import RegistryError
try:
    Registry.find("strict"); strict = ""
except RegistryError as error:
    strict = str(error)
skip = Registry.find("skip")
print(json.dumps(dict(strict=strict, refused=[[r.origin, r.reason] for r in skip.refused], families=[i.name for i in skip.families])))
"""


def test_a_distribution_whose_module_is_gone_is_named_and_the_service_starts_without_it_if_told(tmp_path):
    (broken(tmp_path, "gone", FAMILY) / "gone.py").unlink()

    def start(plugins):
        folders = os.pathsep.join(filter(None, [str(tmp_path), os.environ.get("PYTHONPATH", "")]))
        environment = {**os.environ, "PYTHONPATH": folders, "SILLCAST_PLUGINS": plugins}
        command = [sys.executable, "-m", "sillcast.web", "--check"]
        done = subprocess.run(command, capture_output=True, text=True, env=environment, timeout=60, check=False)
        return done.returncode, done.stdout + done.stderr

    strict, complaint = start("strict")
    assert strict == 2
    assert "sillcast cannot start: " in complaint
    skip, shown = start("skip")
    assert skip == 0
    for said in (complaint, shown):
        assert "sillcast-gone 9.9 [gone]" in said
        assert "ModuleNotFoundError" in said or "No module named" in said


@pytest.mark.parametrize("name", AT_START)
def test_broken_at_start_is_named_and_the_rest_is_served(tmp_path, name):
    source, reason = AT_START[name]
    found = run(LOOK, broken(tmp_path, name, source))
    origin = f"sillcast-{name} 9.9 [{name}]"
    assert origin in found["strict"]
    assert reason in found["strict"]
    assert [o for o, _ in found["refused"]] == [origin]
    assert "laser_scan" in found["families"]
    assert "odd" not in found["families"]


def test_whole_family_is_accepted(tmp_path):
    found = run(LOOK, broken(tmp_path, "odd_one", FAMILY))
    assert found["strict"] == ""
    assert "odd" in found["families"]


AT_WORK = {
    "raises": ("return (", "raise ValueError('x'); return ("),
    "not_a_number": ("scene.mount.origin[:2] +", "np.nan *"),
    "no_area": ("[1., 0.], [0., 1.]", "[1., 0.], [2., 0.]"),
    "not_an_emission": ("return (FloorArea", "return ('area', FloorArea"),
    "negative_time": ("params = Odd", "params = Odd; response_s = lambda self, params: -1.0"),
    "settings_raise": ("params = Odd", "params = Odd; tunables = lambda self, params, scene: 1 / 0"),
    "not_a_setting": ("params = Odd", "params = Odd; tunables = lambda self, params, scene: ['tilt']"),
}

WORK = f"""
import json
from sillcast import Planner
from sillcast.errors import FamilyError
planner = Planner()
def sensor(device):
    return dict(name=device["family"], purposes=["protection"], device=device,
                mount=dict(side="near", position=dict(x_m=0.0, y_m=-0.5, z_m=0.0)))
def ask(*devices):
    return dict(door={DOOR!r}, sensors=[sensor(d) for d in devices])
try:
    planner.assess(ask(dict(family="odd"))); said = ""
except FamilyError as error:
    said = str(error)
rest = planner.assess(ask(dict(family="pressure_mat", width_m=1.0, depth_m=1.0)))
print(json.dumps(dict(said=said, rest=len(rest.zones))))
"""


@pytest.mark.parametrize("name", AT_WORK)
def test_broken_at_work_is_named_and_the_rest_works_on(tmp_path, name):
    before, after = AT_WORK[name]
    found = run(WORK, broken(tmp_path, name, FAMILY.replace(before, after, 1)))
    assert f"sillcast-{name} 9.9 [{name}]" in found["said"]
    assert found["rest"] >= 3
