"""Places for which a profile may state a runout limit, by every name that the bench knows them under."""

__all__ = ["LIMIT_PLACES"]

LIMIT_PLACES = (
    "pinion_flange", "companion_flange", "flange_face", "pinion_flange_face",
    "pilot_bore", "pinion_flange_bore", "pinion_flange_pilot_bore",
    "pinion_yoke", "yoke_fixture", "yoke_shaft",
    "driveshaft", "driveshaft_front", "driveshaft_middle", "driveshaft_rear",
    "tube", "tube_front", "tube_middle", "tube_rear", "shaft_tube",
    "transmission_flange", "transmission_output_flange", "transfer_case_flange", "transfer_case_output_flange",
    "wheel", "wheel_radial", "wheel_lateral", "tire", "tire_radial", "tire_lateral",
    "hub", "hub_face", "hub_pilot",
)  # fmt: skip
"""The part alone (pinion_flange, driveshaft, tire) counts for each of its places; a test compares with the bench."""
