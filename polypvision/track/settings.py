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
    colour_scale : float
        Difference in CIELAB that counts as much as the largest allowed movement. Colour never
        forbids a match: light and health change it.
    weight_size, weight_colour : float
        What the size and the colour count for against the position, which counts 1.
    missed_cost : float
        Added for every photo on which the individual was not seen, so that a polyp goes to the
        individual that was there last time rather than to one long gone.
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
    colour_scale: float = 25.0
    weight_size: float = 0.5
    weight_colour: float = 0.25
    missed_cost: float = 0.25
    bridge_days: float = 60.0
    plate_shift_mm: float = 40.0
    plate_turn_deg: float = 20.0
    plate_tolerance_mm: float = 3.0

    def __post_init__(self) -> None:
        if min(self.move_floor_mm, self.size_floor, self.colour_scale) <= 0:
            raise ValueError("move_floor_mm, size_floor and colour_scale must be above 0")

    def reach_mm(self, days: float) -> float:
        """Return how far a polyp may have moved in this many days."""
        return min(self.move_floor_mm + self.move_mm_per_day * max(days, 0.0), self.move_cap_mm)

    def size_reach(self, days: float) -> float:
        """Return by how much the logarithm of its diameter may have changed."""
        return min(self.size_floor + self.size_per_day * max(days, 0.0), self.size_cap)
