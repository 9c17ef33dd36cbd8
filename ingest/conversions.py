"""Units that another logger may measure in, and how they become ours: SI, pressures in kPa gauge.

References
----------
.. [1] NIST Special Publication 811 (2008), appendix B.8 (factors) and section 4.2.1.1 (Celsius and Fahrenheit).
.. [2] ISO 2533: the standard atmosphere is 101.325 kPa at sea level.
"""

from __future__ import annotations

from math import pi

Linear = tuple[float, float]
"""Factor and offset: ours = factor x theirs + offset."""

_ATMOSPHERE_KPA = 101.325
_PSI_KPA = 6.894_757

UNITS: dict[str, dict[str, Linear]] = {
    "_s": {
        "s": (1.0, 0.0),
        "ms": (1e-3, 0.0),
        "us": (1e-6, 0.0),
        "min": (60.0, 0.0),
        "h": (3600.0, 0.0),
        "cycles_50hz": (1 / 50, 0.0),
        "cycles_60hz": (1 / 60, 0.0),
    },
    "_c": {"degC": (1.0, 0.0), "degF": (1 / 1.8, -32 / 1.8), "K": (1.0, -273.15)},
    "_kpa": {
        "kPa": (1.0, 0.0),
        "Pa": (1e-3, 0.0),
        "MPa": (1e3, 0.0),
        "bar": (100.0, 0.0),
        "mbar": (0.1, 0.0),
        "psi": (_PSI_KPA, 0.0),
        "kPa_abs": (1.0, -_ATMOSPHERE_KPA),
        "bar_abs": (100.0, -_ATMOSPHERE_KPA),
        "psi_abs": (_PSI_KPA, -_ATMOSPHERE_KPA),
    },
    "_a": {"A": (1.0, 0.0), "mA": (1e-3, 0.0), "kA": (1e3, 0.0)},
    "_v": {"V": (1.0, 0.0), "mV": (1e-3, 0.0), "kV": (1e3, 0.0)},
    "_w": {"W": (1.0, 0.0), "kW": (1e3, 0.0)},
    "_deg": {"deg": (1.0, 0.0), "rad": (180 / pi, 0.0)},
    "_pf": {"1": (1.0, 0.0), "%": (1e-2, 0.0)},
}
"""Units by the ending of the field's name. Absolute pressures are taken less the standard atmosphere [2]_."""


def units_of(field: str) -> dict[str, Linear]:
    """Return the units that a field may come in, by name; none for a field that is no quantity."""
    return next((units for ending, units in UNITS.items() if field.endswith(ending)), {})
