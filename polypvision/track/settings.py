"""How far, how much and how long a polyp may change between photos and still be the same one."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class TrackSettings:
    """Limits of matching. Those of movement and size are per day, not per photo.

    Attributes
    ----------
    move_mm_per_day, move_floor_mm : float
        A polyp may move ``move_floor_mm + move_mm_per_day * days``, at most `move_cap_mm`. The
        corallimorph Corynactis californica moved 0 to 14 mm a month (Chadwick & Adams 1991), which
        is 0.47 mm a day; the floor is what a disc's middle may wander by expanding to one side.
    move_cap_mm : float
        However long the gap, nothing farther away is taken for the same polyp.
    size_per_day, size_floor : float
        The logarithm of the diameter may change by ``size_floor + size_per_day * days``, at most
        `size_cap`. The floor allows for a disc opening and closing with the light.
    size_cap : float
    size_sigma, size_sigma_per_day : float
        Standard deviation of the change in the logarithm of a diameter that is one polyp's own:
        the change which all polyps of a photo share, by light or growth, is taken out first.
    shape_sigma : float
        Likewise of the logarithm of its elongation (Feret diameter over diameter).
    colour_sigma : float
        Likewise of its colour, CIELAB.
    look_cap : float
        However unlike a polyp looks, in squared standard deviations, it counts no more than this
        at the place where it is looked for: a disturbed disc closes up.
    odd_look : float
        Squared standard deviations from which on a polyp looks unlike the one that stood there.
    look_margin : float
        One looks like no other if all others are this much less alike.
    missed_cost : float
        Added for every photo on which the individual was not seen, so that a polyp goes to the
        individual that was there last time rather than to one long gone.
    ghost_cost : float
        Added for one that was seen once only: it may never have been there.
    open_cost : float
        Added for one that was left open when pieces changed places: at its place stands another.
    unmatched_cost : float
        Cost of leaving one individual without a polyp and one polyp without an individual.
    bridge_days : float
        An individual not seen for longer is not looked for again.
    plate_shift_mm, plate_turn_deg : float
        Motion of the whole plate against its card that is looked for first.
    plate_tolerance_mm : float
        How well one polyp must agree with the motion of the plate to count for it.
    """

    move_mm_per_day: float = 0.5
    move_floor_mm: float = 3.0
    move_cap_mm: float = 15.0
    size_per_day: float = 0.02
    size_floor: float = 0.45
    size_cap: float = 1.0
    size_sigma: float = 0.07
    size_sigma_per_day: float = 0.003
    shape_sigma: float = 0.10
    colour_sigma: float = 3.0
    look_cap: float = 12.0
    odd_look: float = 9.0
    look_margin: float = 8.0
    missed_cost: float = 2.0
    ghost_cost: float = 6.0
    open_cost: float = 10.0
    unmatched_cost: float = 24.0
    bridge_days: float = 60.0
    plate_shift_mm: float = 40.0
    plate_turn_deg: float = 20.0
    plate_tolerance_mm: float = 3.0

    def __post_init__(self) -> None:
        if min(self.move_floor_mm, self.size_floor, self.size_sigma, self.colour_sigma) <= 0:
            raise ValueError("the floors and sigmas must be above 0")

    def reach_mm(self, days: float) -> float:
        """Return how far a polyp may have moved in this many days."""
        return min(self.move_floor_mm + self.move_mm_per_day * max(days, 0.0), self.move_cap_mm)

    def size_reach(self, days: float) -> float:
        """Return by how much the logarithm of its diameter may have changed."""
        return min(self.size_floor + self.size_per_day * max(days, 0.0), self.size_cap)
