"""What a person knows of where discs, card, water and camera are: heights, depths, glass."""

from dataclasses import dataclass, replace
from typing import Any, Literal

from polypvision.calibrate.water import INDEX_ERR, water_index
from polypvision.errors import SurroundingsDoubtful

DISC_HEIGHT_ERR_MM = 1.5
"""Standard uncertainty of the height of the discs above the card, by ruler or by eye where none was
said: discs are not flat, and rise and sink by some millimetres (own estimate)."""
WATER_DEPTH_ERR_MM = 3.0
"""The same for a depth of water, mm: tanks are filled up and evaporate (own estimate)."""
PORT_ERR_MM = 5.0
"""The same for the way from the lens to a pane: where in the phone the lens has its middle, nobody
sees (own estimate)."""
_HEIGHT_MM = (-1000.0, 1000.0)
_DEPTH_MM = (0.0, 2000.0)


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What lies between the card, the discs and the camera, in mm.

    Attributes
    ----------
    disc_height_mm, disc_height_err_mm : float
        Of the oral discs above the card's plane, towards the camera; negative if the card lies
        higher than the discs.
    water_depth_mm, water_depth_err_mm : float or None, float
        Of the water above the discs, its surface (or a pane) being parallel to the plate. None is
        no water. The card lies in the same water unless it is higher than the surface.
    port_mm, port_err_mm : float or None, float
        From the lens to a pane square to the line of sight, all beyond it under water.
    index, index_err : float
        Refractive index of the water.

    Raises
    ------
    SurroundingsDoubtful
        If a length cannot be, or both kinds of boundary are given.
    """

    disc_height_mm: float = 0.0
    disc_height_err_mm: float = DISC_HEIGHT_ERR_MM
    water_depth_mm: float | None = None
    water_depth_err_mm: float = WATER_DEPTH_ERR_MM
    port_mm: float | None = None
    port_err_mm: float = PORT_ERR_MM
    index: float = water_index()
    index_err: float = INDEX_ERR

    def __post_init__(self) -> None:
        _check("The discs' height", self.disc_height_mm, _HEIGHT_MM)
        _check("The water's depth", self.water_depth_mm or 0.0, _DEPTH_MM)
        _check("The distance of the pane", self.port_mm or 0.0, _DEPTH_MM)
        for name in ("disc_height_err_mm", "water_depth_err_mm", "port_err_mm"):
            _check("An uncertainty", getattr(self, name), (0.0, 500.0))
        if self.water_depth_mm is not None and self.port_mm is not None:
            raise SurroundingsDoubtful(
                "Water under a surface and water behind a pane at the lens were given together. "
                "Give the one through which the camera looks."
            )

    @property
    def boundary(self) -> Literal["none", "surface", "port"]:
        """Where water begins."""
        if self.water_depth_mm is not None:
            return "surface"
        return "none" if self.port_mm is None else "port"

    @property
    def boundary_mm(self) -> float:
        """Height of the surface above the card's plane, or distance of the pane from the lens."""
        if self.water_depth_mm is not None:
            return self.disc_height_mm + self.water_depth_mm
        return self.port_mm or 0.0

    @property
    def plain(self) -> bool:
        """Whether the discs are at the card's height, in air."""
        return self.disc_height_mm == 0 and self.boundary == "none"

    @property
    def sight_values(self) -> dict[str, Any]:
        """The fields of a `Sight` that it settles."""
        return {
            "disc_height_mm": self.disc_height_mm,
            "boundary": self.boundary,
            "boundary_mm": self.boundary_mm,
            "index": self.index if self.boundary != "none" else 1.0,
        }

    def nudges(self) -> list[tuple[str, float, str, "Surroundings"]]:
        """Return every length with its name, uncertainty, unit, and all as it would be one more."""
        found = [
            (
                "disc-height",
                self.disc_height_err_mm,
                "mm",
                replace(self, disc_height_mm=self.disc_height_mm + self.disc_height_err_mm),
            )
        ]
        if self.water_depth_mm is not None:
            deeper = replace(self, water_depth_mm=self.water_depth_mm + self.water_depth_err_mm)
            found.append(("water-depth", self.water_depth_err_mm, "mm", deeper))
        if self.port_mm is not None:
            farther = replace(self, port_mm=self.port_mm + self.port_err_mm)
            found.append(("pane", self.port_err_mm, "mm", farther))
        if self.boundary != "none":
            denser = replace(self, index=self.index + self.index_err)
            found.append(("water-index", self.index_err, "", denser))
        return found


def _check(what: str, value: float, limits: tuple[float, float]) -> None:
    if not limits[0] <= value <= limits[1]:
        raise SurroundingsDoubtful(
            f"{what} is given as {value:g} mm, not within {limits[0]:g} to {limits[1]:g}. Measure "
            "it again, in millimetres."
        )
