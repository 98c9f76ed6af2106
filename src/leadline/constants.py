"""Physical constants and fit coefficients, source beside each.

Defaults of the trade that rest on no publication stand in the module that uses them, marked there.
"""

from __future__ import annotations

from typing import Final

__all__ = [
    "AIR_MOLAR_MASS",
    "AIR_OXYGEN",
    "AIR_VIRIAL",
    "ALUMINIUM_DENSITY",
    "ATMOSPHERE",
    "BRASS_DENSITY",
    "FOAM_SOLID_DENSITY",
    "GAS_CONSTANT",
    "HELIUM_MOLAR_MASS",
    "ISO_GAS_CONSTANT",
    "ISO_LAPSE_RATE",
    "ISO_TEMPERATURE",
    "LEAD_DENSITY",
    "MIXTURE_VIRIAL",
    "NITROGEN_MOLAR_MASS",
    "OXYGEN_MOLAR_MASS",
    "STANDARD_GRAVITY",
    "STEEL_DENSITY",
    "ZERO_CELSIUS",
]

STANDARD_GRAVITY: Final = 9.80665  # m s⁻², exact, 3rd CGPM (1901)
ATMOSPHERE: Final = 1.01325  # bar, exact, 10th CGPM (1954)
ZERO_CELSIUS: Final = 273.15  # K, exact
GAS_CONSTANT: Final = 0.08314462618  # bar L mol⁻¹ K⁻¹, CODATA 2018

# ISO 2533:1975, the standard atmosphere below 11 km.
ISO_TEMPERATURE: Final = 288.15  # K at sea level
ISO_LAPSE_RATE: Final = 0.0065  # K m⁻¹
ISO_GAS_CONSTANT: Final = 287.05287  # J kg⁻¹ K⁻¹

# Handbook densities at 20 °C, kg L⁻¹, from memory.
LEAD_DENSITY: Final = 11.34
ALUMINIUM_DENSITY: Final = 2.70  # alloys 6061 and 6351
STEEL_DENSITY: Final = 7.85  # 34CrMo4 and plain carbon steel
BRASS_DENSITY: Final = 8.45  # free-cutting brass
FOAM_SOLID_DENSITY: Final = 1.25  # polychloroprene compound of suit foam, fabric included; weak source

# Molar masses, g mol⁻¹. Air: Lemmon et al. (2000); the others: IUPAC 2013 standard atomic weights.
AIR_MOLAR_MASS: Final = 28.96546
NITROGEN_MOLAR_MASS: Final = 28.0134
OXYGEN_MOLAR_MASS: Final = 31.9988
HELIUM_MOLAR_MASS: Final = 4.002602
AIR_OXYGEN: Final = 0.2095  # mole fraction of oxygen that stands for air in the records

# Virial coefficients fitted by tests/physics/fit_gas.py, which names the reference equations.
# fmt: off  (one block a virial coefficient reads better than one number a line)
AIR_VIRIAL: Final = (
    -0.008976141,
    0.004237433,
    -0.0002969433,
    0.001009869,
    -3.125554e-05,
    4.95001e-05,
)
MIXTURE_VIRIAL: Final = (
    # B
    -0.006624852,
    -0.01030482,
    0.05779607,
    -0.0005024915,
    0.01424349,
    -0.0408164,
    # B·u
    0.004208506,
    6.80459e-05,
    -0.008959993,
    0.000140861,
    -0.0003406703,
    0.005085742,
    # B·u²
    -0.0002959572,
    1.719222e-06,
    0.0006305994,
    -7.960752e-06,
    1.556848e-05,
    -0.0003622861,
    # C
    0.001159944,
    -0.000856513,
    -0.002062567,
    0.0008793641,
    0.005336173,
    0.0003266117,
    -0.0003495386,
    -0.003227067,
    -0.006085061,
    0.001355359,
    # C·u
    -3.323701e-05,
    3.258353e-05,
    5.606541e-05,
    -4.881104e-05,
    -0.0002395371,
    5.442563e-05,
    1.845889e-05,
    0.0001393756,
    0.000381891,
    -0.0001305395,
    # D
    5.288116e-05,
    -3.750026e-06,
    -0.0001003642,
    -5.179349e-05,
    -0.0001679569,
    0.0002678459,
    3.61799e-05,
    0.0002541555,
    -4.677578e-05,
    -0.000465291,
    -5.465868e-06,
    -6.831717e-05,
    -2.243611e-05,
    0.0004641397,
    0.0002102907,
)
# fmt: on
