"""How surely the outlines of polyps and wounds are placed."""

from polypvision.measure.sizes import OUTLINE_ERR_MM


def outline_err_mm(edge_width_mm: float) -> float:
    """Return the standard uncertainty of where an outline runs, common to all of it, mm."""
    return OUTLINE_ERR_MM


def border_err_mm(edge_width_mm: float) -> float:
    """Return the same for the border of a wound."""
    return OUTLINE_ERR_MM
