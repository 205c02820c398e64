"""Two ways to say how far a wound has closed."""


def percentage_closure(area0: float, area_t: float) -> float:
    """Return the closed part of a wound in percent: 100 (A0 - At) / A0.

    Parameters
    ----------
    area0, area_t : float
        First and present area, in the same unit.

    Returns
    -------
    float
        0 where nothing has changed, 100 where it has closed, negative where it has grown. It
        depends on the wound's first size and shape: a slit half closed reads 50 %, a round wound
        75 % after the same advance of its margin (Saiko 2021, doi 10.5220/0010337601820187).

    Raises
    ------
    ValueError
        If the first area is not above 0, or the present one is below 0.

    Examples
    --------
    >>> percentage_closure(80.0, 36.0)
    55.0
    """
    if not area0 > 0:
        raise ValueError(f"the first area must be above 0, got {area0}")
    if area_t < 0:
        raise ValueError(f"an area cannot be below 0, got {area_t}")
    return 100.0 * (area0 - area_t) / area0


def linear_advance(area0: float, area_t: float, perimeter0: float, perimeter_t: float) -> float:
    """Return how far the margin has moved inward: d = 2 (A0 - At) / (p0 + pt).

    Parameters
    ----------
    area0, area_t : float
        First and present area, mm2.
    perimeter0, perimeter_t : float
        Length of the *living* margin then and now, mm. A cut edge without tissue behind it does
        not advance; counting it in makes the advance of a half disc read 39 % short.

    Returns
    -------
    float
        In mm; negative where the wound has grown. Exact for a disc, a ring and a convex polygon
        whose margin advances evenly as long as none of its sides has vanished.

    Raises
    ------
    ValueError
        If a length or area is below 0, or both lengths are 0.

    Notes
    -----
    Gilman TH 1990, Parameter for measurement of wound closure, Wounds 2(3):95-101 (from memory).
    Unlike the percentage it does not depend on the wound's first size and shape.

    Examples
    --------
    >>> linear_advance(100.0, 36.0, 40.0, 24.0)
    2.0
    """
    if min(area0, area_t, perimeter0, perimeter_t) < 0:
        raise ValueError("areas and lengths cannot be below 0")
    if perimeter0 + perimeter_t == 0:
        raise ValueError("there is no margin to advance: both lengths are 0")
    return 2.0 * (area0 - area_t) / (perimeter0 + perimeter_t)
