"""One number about wind on a roof, for orientation before the engineer comes; see `circuits` for what a `Sum` is."""

from solarlib.quantities import require
from solarlib.roof.circuits import ENGINEER, Sum, not_decided, summed

_PSF_PER_PA = 1.0 / 47.880259  # pounds per square foot
_PSF_PER_MPH2 = 0.00256  # half the density of air, 1.225 kg/m3, in these units: 0.002557; ASCE 7 prints 0.00256
# Factors of ASCE 7 (`from memory`): exposure Kz of open country up to 15 ft, terrain Kzt of level ground, direction Kd.
_EXPOSURE, _TERRAIN, _DIRECTION = 0.85, 1.0, 0.85
# Net coefficients met in practice, tested and sheltered to an exposed corner: `common practice, no source`.
_UPLIFT = 0.3, 1.5


def velocity_pressure(wind_m_s: float) -> Sum:
    """Return the pressure of the design wind and the span of uplift that it can mean.

    Parameters
    ----------
    wind_m_s : float
        Design wind of the place, 3-second gust, from the adopted code's map. [m/s]

    Returns
    -------
    Sum
        pressure_pa, pressure_psf, uplift_low_pa, uplift_high_pa: net uplift coefficients of 0.3 and 1.5. That the two
        differ five-fold is the point: ballast cannot be found from the pressure.

    Notes
    -----
    ASCE 7-05 eq. 6-15 without the importance factor, `seen` in a worked page; exposure factor Kz 0.85, terrain Kzt 1,
    direction Kd 0.85.
    """
    mph = require(wind_m_s, "wind_m_s", 0, 120, "m/s") / 0.44704
    psf = _PSF_PER_MPH2 * _EXPOSURE * _TERRAIN * _DIRECTION * mph**2
    pa = psf / _PSF_PER_PA
    low, high = (coefficient * pa for coefficient in _UPLIFT)
    values = {"pressure_pa": pa, "pressure_psf": psf, "uplift_low_pa": low, "uplift_high_pa": high}
    return summed("wind", not_decided(ENGINEER), values)
