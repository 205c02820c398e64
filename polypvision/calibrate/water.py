"""Refractive index of water by its salt and warmth."""

from polypvision.errors import SurroundingsDoubtful

REEF_SALINITY = 35.0
REEF_TEMPERATURE_C = 25.0
"""What reef tanks are kept at, about (common practice, no source)."""
GREEN_NM = 550.0
"""Middle of the light that a camera sees."""
INDEX_ERR = 0.003
"""Standard uncertainty of the index when salt and warmth are about right: from blue (450 nm) to red
(650 nm) it varies by 0.010, and blue lamps are common."""
_SALINITY = (0.0, 45.0)
_TEMPERATURE_C = (0.0, 40.0)
_WAVELENGTH_NM = (380.0, 750.0)


def water_index(
    salinity: float = REEF_SALINITY,
    temperature_c: float = REEF_TEMPERATURE_C,
    wavelength_nm: float = GREEN_NM,
) -> float:
    """Return the refractive index of sea water against air.

    Parameters
    ----------
    salinity : float
        Grams of salt per kilogram (per mille). The formula was fitted from 0 to 35; brine up to
        45 is let through, since the index is nearly a straight line in it.
    temperature_c : float
        Fitted from 0 to 30; up to 40 is let through.
    wavelength_nm : float
        Fitted from 400 to 700; what the eye sees is let through.

    Raises
    ------
    SurroundingsDoubtful
        If one of them cannot be that of a tank.

    References
    ----------
    Quan X, Fry ES 1995, Empirical equation for the index of refraction of seawater, Applied Optics
    34(18):3477-3480.

    Examples
    --------
    >>> round(water_index(35, 25, 589.3), 6)
    1.338858
    """
    _check("A salinity", salinity, _SALINITY, "per mille; sea water has about 35")
    _check("A temperature", temperature_c, _TEMPERATURE_C, "degrees Celsius; a reef has about 25")
    _check("A wavelength", wavelength_nm, _WAVELENGTH_NM, "nm; the eye sees 380 to 750")
    s, t, w = salinity, temperature_c, wavelength_nm
    return (
        1.31405
        + (1.779e-4 - 1.05e-6 * t + 1.6e-8 * t**2) * s
        - 2.02e-6 * t**2
        + (15.868 + 0.01155 * s - 0.00423 * t) / w
        - 4382.0 / w**2
        + 1.1455e6 / w**3
    )


def _check(what: str, value: float, limits: tuple[float, float], unit: str) -> None:
    low, high = limits
    if not low <= value <= high:
        raise SurroundingsDoubtful(
            f"{what} of {value:g} is not between {low:g} and {high:g} {unit}. Correct it."
        )
