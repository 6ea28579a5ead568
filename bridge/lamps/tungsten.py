"""Tungsten by table: what the filament model takes as given. Temperatures in kelvin.

Resistivity: Forsythe and Worthing 1925 (the same list is attributed elsewhere to Jones and Langmuir 1927), 300–3500 K.
Specific heat: NIST-JANAF (Shomate), 300–3000 K. Total emissivity: the list usually credited to Roeser and Wensel,
300–3000 K, from memory; it agrees with six published points (AIP, Temperature, 1941) from 1273 K up within 0.005.
Between the points lines are drawn; outside them the outermost line goes on.
"""

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]

STEFAN_BOLTZMANN = 5.670374419e-8
"""W/(m² K⁴), CODATA 2018."""

_RHO_T = np.arange(300, 3501, 100.0)
_RHO = np.array(
    """
    5.65 8.06 10.56 13.23 16.09 19 21.94 24.93 27.94 30.98 34.08 37.19 40.36 43.55 46.78 50.05 53.35
    56.67 60.06 63.48 66.91 70.39 73.91 77.49 81.04 84.7 88.33 92.04 95.76 99.54 103.3 107.2 111.1
    """.split(),  # noqa: SIM905 -- a table, to be read and compared as one
    float,
)
_CP_T = np.array([300, 500, 800, 1000, 1500, 1899, 1900, 2000, 2200, 2400, 2600, 2800, 3000.0])
_CP = np.array(
    [
        132.287,
        137.990,
        145.072,
        149.879,
        162.466,
        172.707,
        172.348,
        175.620,
        180.608,
        185.582,
        192.817,
        204.451,
        222.536,
    ]
)
_EPSILON_T = np.arange(300, 3001, 100.0)
_EPSILON = np.array(
    """
    0.032 0.042 0.053 0.064 0.076 0.088 0.101 0.114 0.128 0.143 0.158 0.175 0.192 0.207 0.222 0.236 0.249
    0.26 0.27 0.279 0.288 0.296 0.303 0.311 0.318 0.323 0.329 0.334
    """.split(),  # noqa: SIM905 -- a table, to be read and compared as one
    float,
)


def resistivity(kelvin: Doubles) -> Doubles:
    """Return the resistivity in microhm centimetres."""
    return _line(kelvin, _RHO_T, _RHO)


def specific_heat(kelvin: Doubles) -> Doubles:
    """Return the specific heat in J/(kg K)."""
    return _line(kelvin, _CP_T, _CP)


def emissivity(kelvin: Doubles) -> Doubles:
    """Return the total hemispherical emissivity, at least a hundredth."""
    return np.maximum(_line(kelvin, _EPSILON_T, _EPSILON), 0.01)


def _line(at: Doubles, x: Doubles, y: Doubles) -> Doubles:
    inside = np.interp(at, x, y)
    low = y[0] + (at - x[0]) * (y[1] - y[0]) / (x[1] - x[0])
    high = y[-1] + (at - x[-1]) * (y[-1] - y[-2]) / (x[-1] - x[-2])
    return np.where(at < x[0], low, np.where(at > x[-1], high, inside))
