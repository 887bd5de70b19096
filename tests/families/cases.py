"""Places and settings in which the built-in families raise their findings."""

from sillcast.testing import Case

FIELD = {"purpose": "protection", "x_from_m": -2.0, "x_to_m": 2.0, "out_from_m": 0.0, "out_to_m": 2.0}
DIRECTED = {**FIELD, "filters": {"direction": "towards", "least_speed_m_per_s": 0.3}}
SIZED = {**FIELD, "filters": {"least_size_m": 0.1, "least_speed_m_per_s": 0.3}}
POST = {"name": "post", "ring_m": [[-0.1, -0.4], [0.1, -0.4], [0.1, -0.2], [-0.1, -0.2]], "top_m": 2.0}
HIGH = {"position": {"x_m": 0.0, "y_m": -0.3, "z_m": 6.0}}
ENDS = {"position": {"x_m": -2.0, "y_m": -0.3, "z_m": 0.3}}
FAR_ENDS = {"position": {"x_m": -2.0, "y_m": -2.5, "z_m": 0.1}}
HIGH_ENDS = {"position": {"x_m": -2.0, "y_m": -0.3, "z_m": 0.8}}

CASES = {
    "laser_scan": (
        Case({"fields": [DIRECTED]}),
        Case({"sweep_start_deg": -5.0, "sweep_end_deg": 90.0}, {"position": {"x_m": -2.1, "y_m": -0.2, "z_m": 3.0}}),
        Case(mount={"position": {"x_m": -2.1, "y_m": -0.2, "z_m": 3.0}, "tilt_deg": 90.0}),
        Case(mount={"position": {"x_m": -16.0, "y_m": -0.2, "z_m": 3.0}}),
        Case({"sweep_start_deg": -20.0, "sweep_end_deg": 9.7, "step_deg": 2.0}),
        Case({"range_m": 15.0}, conditions={"visibility_m": 20.0, "body_reflectance": 0.018}),
        Case({"range_m": 8.0, "rated_reflectance": 0.5}, {"position": {"x_m": -2.1, "y_m": -0.2, "z_m": 3.0}}),
    ),
    "active_infrared": (
        Case({"fields": [DIRECTED]}),
        Case({"range_m": 15.0}, conditions={"visibility_m": 20.0, "body_reflectance": 0.018}),
        Case({"range_m": 10.0}),
        Case(conditions={"floor_reflectance": 0.02}),
    ),
    "depth_camera": (
        Case({"fields": [DIRECTED]}),
        Case({"range_m": 10.0}, conditions={"visibility_m": 20.0, "body_reflectance": 0.018}),
        Case({"range_m": 10.0}),
        Case({"range_m": 10.0}, purposes=("activation",)),
        Case(mount={"position": {"x_m": 0.0, "y_m": -0.3, "z_m": 3.0}, "tilt_deg": 70.0}),
    ),
    "passive_infrared": (
        Case(purposes=("activation", "protection")),
        Case(conditions={"air_temperature_deg_c": 27.0}),
    ),
    "light_curtain": (
        Case({"beams": 40}, obstacles=(POST,)),
        Case({"beams": 40}, mount=FAR_ENDS, counterpart=(2.0, -2.5, 0.1)),
        Case({"mirror_m": 0.1}, mount=HIGH_ENDS, counterpart=(2.0, -0.3, 0.8)),
        Case({"range_m": 5.0}, conditions={"visibility_m": 6.0, "window_dirt": 0.6}),
        Case({"range_m": 2.0}),
    ),
    "photobeam": (
        Case(obstacles=(POST,)),
        Case({"mirror_m": 0.1, "counterpart_is": "reflector", "beam_count": 1}),
        Case({"range_m": 5.0}, conditions={"visibility_m": 6.0, "window_dirt": 0.6}),
        Case({"range_m": 2.0}),
    ),
    "pressure_mat": (
        Case(mount={"position": {"x_m": 0.0, "y_m": -0.8, "z_m": 0.0}}),
        Case({"width_m": 0.1, "depth_m": 0.1, "dead_edge_m": 0.06}),
        Case(mount={"position": {"x_m": 0.0, "y_m": -0.8, "z_m": 0.1}}),
        Case(mount={"position": {"x_m": 0.0, "y_m": -0.8, "z_m": 0.0}, "tilt_deg": 90.0}),
        Case(mount={"position": {"x_m": 0.0, "y_m": -0.8, "z_m": 0.0}, "tilt_deg": 20.0, "roll_deg": 10.0}),
    ),
    "microwave": (
        Case({"filters": {"direction": "towards"}}),
        Case({"filters": {"direction": "across"}}),
        Case(
            {"spin_deg": 30.0}, {"position": {"x_m": 0.8, "y_m": -0.3, "z_m": 3.0}, "tilt_deg": 30.0, "yaw_deg": 20.0}
        ),
        Case({"range_m": 3.0}),
    ),
    "ultrasonic": (
        Case(mount={"position": {"x_m": 0.0, "y_m": -0.3, "z_m": 0.8}}),
        Case({"floor_margin_m": 0.02, "temperature_compensated": False}, conditions={"air_temperature_deg_c": 45.0}),
        Case({"range_m": 2.0}),
    ),
    "induction_loop": (
        Case({"steel_below_m": 0.02}),
        Case({"ring_m": [[-1.0, -2.0], [0.4, -2.2], [0.5, -1.1], [-1.0, -1.0]]}),
        Case(mount={"position": {"x_m": 0.0, "y_m": -0.8, "z_m": 3.0}}),
    ),
    "pressure_edge": (
        Case(mount={"carrier": "building"}),
        Case(door={"control": {"peak_force_n": 900.0, "residual_force_n": 300.0}}),
        Case(door={"leaf": {"mass_kg": 900.0}}),
    ),
}
