"""Balance quality grades: what unbalance a rotor may keep.

G = e_per w [mm/s] (ISO 21940-11:2016, formerly ISO 1940-1), so U_per = m G / w; in workshop units
U_per [g mm] = 9549 G m [kg] / n [rpm] (factor 30000/pi).
Propeller shafts are placed differently by three published listings: G 40 plain and G 16 with special
requirements (ISO 1940 as reproduced in Machinery Component Maintenance, Table 6-5), both (ISO 21940-11 as
reproduced in secondary sources), G 16 plain and G 6.3 with special requirements (ASA STD 2-1975 as printed in
Feese and Grazier, Balance This!, 33rd Turbomachinery Symposium, 2004, Table 2). Default here: G 16.
"""

import math

from vibeorder.errors import VibeorderError

__all__ = ["SHAFT_GRADE", "WHEEL_GRADE", "grade_of", "permissible_unbalance_kg_m"]

SHAFT_GRADE = 16.0
WHEEL_GRADE = 40.0


def permissible_unbalance_kg_m(mass_kg: float, rate_hz: float, grade_mm_s: float) -> float:
    """Residual unbalance allowed for the whole rotor [kg m]; half of it in each plane of an even shaft.

    >>> round(permissible_unbalance_kg_m(10.0, 50.0, 16.0) * 1e6, 1)  # g mm
    509.3
    """
    check_rotor(mass_kg, rate_hz)
    return mass_kg * grade_mm_s * 1e-3 / (2.0 * math.pi * rate_hz)


def grade_of(unbalance_kg_m: float, mass_kg: float, rate_hz: float) -> float:
    """The grade G [mm/s] that a rotor with this unbalance has at this rate: (U/m) w."""
    check_rotor(mass_kg, rate_hz)
    return unbalance_kg_m / mass_kg * 2.0 * math.pi * rate_hz * 1e3


def check_rotor(mass_kg: float, rate_hz: float) -> None:
    """Raises VibeorderError for a mass or a speed that cannot be."""
    if not 1e-6 < mass_kg < 1e6:
        raise VibeorderError(f"a mass of {mass_kg:g} kg cannot be balanced; give the rotating part's mass")
    if not 1e-3 < rate_hz < 5000.0:
        raise VibeorderError(f"a speed of {60.0 * rate_hz:g} rpm cannot be a rotor's; give the running speed")
