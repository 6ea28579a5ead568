"""How bright a hot body is to the eye: Planck's law weighed with the CIE 1924 luminous efficiency V(λ)."""

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]

# Planck constant J s, speed of light m/s, Boltzmann constant J/K: exact by the definition of the SI (2019).
_H, _C, _K = 6.62607015e-34, 299_792_458.0, 1.380649e-23

_WAVES = np.arange(380, 781, 5) * 1e-9
# V(λ), 380 to 780 nm each 5 nm; source: CIE 1924 photopic standard observer, as the library colour-science has it.
_V = np.array(
    """
    3.9e-05 6.4e-05 0.00012 0.000217 0.000396 0.00064 0.00121 0.00218 0.004 0.0073 0.0116 0.01684
    0.023 0.0298 0.038 0.048 0.06 0.0739 0.09098 0.1126 0.13902 0.1693 0.20802 0.2586
    0.323 0.4073 0.503 0.6082 0.71 0.7932 0.862 0.91485 0.954 0.9803 0.99495 1
    0.995 0.9786 0.952 0.9154 0.87 0.8163 0.757 0.6949 0.631 0.5668 0.503 0.4412
    0.381 0.321 0.265 0.217 0.175 0.1382 0.107 0.0816 0.061 0.04458 0.032 0.0232
    0.017 0.01192 0.00821 0.005723 0.004102 0.002929 0.002091 0.001484 0.001047 0.00074 0.00052 0.0003611
    0.0002492 0.0001719 0.00012 8.48e-05 6e-05 4.24e-05 3e-05 2.12e-05 1.499e-05
    """.split(),  # noqa: SIM905 -- a table, to be read and compared as one
    float,
)
_WEIGHT = _V / _WAVES**5
_EXPONENT = _H * _C / (_WAVES * _K)


def luminance(kelvin: Doubles) -> Doubles:
    """Return the luminance of black bodies at these temperatures, in a unit of its own: only ratios mean anything.

    The emissivity of tungsten hardly changes over the visible wavelengths that count, so the ratios hold for filaments.
    """
    with np.errstate(over="ignore"):
        radiance: Doubles = _WEIGHT / np.expm1(_EXPONENT / np.asarray(kelvin)[..., np.newaxis])
    return np.asarray(radiance.sum(axis=-1))
