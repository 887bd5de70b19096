"""Physics of sensing: pure functions with their sources, for fog, rain, light, radio, sound and induction.

Every function takes numbers in the units of its names and docstrings and keeps nothing. Where a formula holds only
within limits, its Notes say so. The standing of each source is part of the reference: verified (seen in the primary
text or an official copy), second-hand, from memory, or common practice.
"""

from sillcast.physics.approach import curtain_separation_m, rod_blocks_s
from sillcast.physics.induction import parallel_side_mutual_h, polygon_inductance_h, rectangle_inductance_h
from sillcast.physics.light import (
    beam_power_w,
    cone_floor_ellipse,
    cone_solid_angle_sr,
    distance_noise_m,
    geometric_loss_db,
    mirror_offset_m,
    pyramid_solid_angle_sr,
    received_power_w,
    round_trip_s,
    spot_diameter_m,
    sunlight_in_band_w_per_m2,
    wien_peak_m,
)
from sillcast.physics.radio import (
    dbm,
    doppler_hz,
    doppler_speed_m_per_s,
    eirp_w,
    flat_plate_echo_m2,
    free_space_loss_db,
    radar_power_w,
    rain_coefficients,
    rain_db_per_km,
    wavelength_m,
)
from sillcast.physics.reach import db_per_km, per_m, range_under_loss
from sillcast.physics.sound import echo_time_s, sound_absorption_db_per_m, speed_of_sound_m_per_s
from sillcast.physics.weather import (
    fog_extinction_per_m,
    optical_rain_db_per_km,
    optical_snow_db_per_km,
    visibility_2_m,
)

__all__ = [
    "beam_power_w",
    "cone_floor_ellipse",
    "cone_solid_angle_sr",
    "curtain_separation_m",
    "db_per_km",
    "dbm",
    "distance_noise_m",
    "doppler_hz",
    "doppler_speed_m_per_s",
    "echo_time_s",
    "eirp_w",
    "flat_plate_echo_m2",
    "fog_extinction_per_m",
    "free_space_loss_db",
    "geometric_loss_db",
    "mirror_offset_m",
    "optical_rain_db_per_km",
    "optical_snow_db_per_km",
    "parallel_side_mutual_h",
    "per_m",
    "polygon_inductance_h",
    "pyramid_solid_angle_sr",
    "radar_power_w",
    "rain_coefficients",
    "rain_db_per_km",
    "range_under_loss",
    "received_power_w",
    "rectangle_inductance_h",
    "rod_blocks_s",
    "round_trip_s",
    "sound_absorption_db_per_m",
    "speed_of_sound_m_per_s",
    "spot_diameter_m",
    "sunlight_in_band_w_per_m2",
    "visibility_2_m",
    "wavelength_m",
    "wien_peak_m",
]
