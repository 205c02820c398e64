"""All that is known of one plate, as plan and today's list need it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from polypvision.events import LogEntry
from polypvision.forecasts import DayForecast
from polypvision.growth import LEAST_DATES, PlateGrowth, growth_of, size_forecasts
from polypvision.healing import (
    ClosureCurve,
    PieceProgress,
    WoundCourse,
    foretell_closures,
    plate_progress,
    wound_courses,
)
from polypvision.outcomes import Piece, pieces_of_plate
from polypvision.plan.losses import raw_on
from polypvision.track import FissionCourse, PlateTracks, fission_courses


@dataclass(frozen=True, kw_only=True, eq=False)
class PlateState:
    """One plate through time with everything drawn from it.

    Attributes
    ----------
    plate, line : str
    tracks : PlateTracks
    log : sequence of LogEntry
    courses : sequence of WoundCourse
        In the order of the individuals.
    progress : sequence of PieceProgress
    growth : PlateGrowth
    pieces : sequence of Piece
        Cut pieces.
    remarks : sequence of str
        What could not be told of cuts.
    closures, sizes : mapping of str to DayForecast
        Of open wounds, and of the diameter asked for, by the individual's name; those of whose size
        nothing can be said are left out.
    curves : sequence of ClosureCurve
        How wounds close, as far as it was foretold.
    fissions : sequence of FissionCourse
        Who divides or has divided, how far it is, and when it is expected to come apart.
    size_mm : float
        The diameter asked for.
    """

    plate: str
    line: str
    tracks: PlateTracks
    log: Sequence[LogEntry]
    courses: Sequence[WoundCourse]
    progress: Sequence[PieceProgress]
    growth: PlateGrowth
    pieces: Sequence[Piece]
    remarks: Sequence[str] = ()
    closures: Mapping[str, DayForecast] = field(default_factory=dict)
    sizes: Mapping[str, DayForecast] = field(default_factory=dict)
    curves: Sequence[ClosureCurve] = ()
    fissions: Sequence[FissionCourse] = ()
    size_mm: float

    @property
    def living(self) -> tuple[str, ...]:
        """Names of those that are there."""
        return tuple(one.name for one in self.tracks.individuals if one.end is None)

    @property
    def partings(self) -> Mapping[str, str]:
        """When those that divide are expected to come apart, a sentence, by their names."""
        return {one.name: one.sentence for one in self.fissions if one.stage != "separated"}

    def course(self, name: str) -> WoundCourse:
        """Return the wound of one individual through time."""
        return next(one for one in self.courses if one.name == name)

    def piece(self, name: str) -> Piece | None:
        """Return the cut piece of that name, if it is one."""
        return next((one for one in self.pieces if one.name == name), None)

    def has_mouth(self, name: str, day: float) -> bool:
        """Whether a mouth had come to stay by that day; one that was never cut has always had it,
        whatever a photo shows of it."""
        progress = next((one for one in self.progress if one.name == name), None)
        return progress is None or progress.of("mouth formed").by_day <= day

    def ready(self, name: str, seen: int = -1) -> bool:
        """Whether it was ready on its last sighting, or on another: no open wound, a mouth, the
        size asked for."""
        sighting = self.tracks.individual(name).observations[seen]
        course = self.course(name)
        point = course.points[seen]
        return (
            not raw_on(course, point)
            and self.has_mouth(name, sighting.day)
            and sighting.polyp.diameter_mm >= self.size_mm
        )


def plate_state(
    tracks: PlateTracks,
    log: Sequence[LogEntry] = (),
    *,
    plate: str = "",
    line: str = "",
    size_mm: float,
    foretell: bool = True,
) -> PlateState:
    """Return one plate with everything drawn from its tracks and its log.

    Parameters
    ----------
    tracks : PlateTracks
        May be empty.
    log : sequence of LogEntry
    plate, line : str
    size_mm : float
        The diameter from which on a piece is large enough.
    foretell : bool
        Also say when wounds close and sizes are reached, which takes far longer than all the rest.
    """
    courses = wound_courses(tracks, log)
    progress = plate_progress(tracks, courses)
    growth = growth_of(tracks, courses)
    pieces, remarks = pieces_of_plate(
        tracks, log, courses=courses, progress=progress, growth=growth.individuals, line=line
    )
    state = PlateState(
        plate=plate,
        line=line,
        tracks=tracks,
        log=log,
        courses=courses,
        progress=progress,
        growth=growth,
        pieces=pieces,
        remarks=remarks,
        fissions=fission_courses(tracks),
        size_mm=size_mm,
    )
    return foretold(state) if foretell else state


def foretold(state: PlateState) -> PlateState:
    """Return a plate with its forecasts: when wounds close and the size asked for is reached."""
    closures, curves = foretell_closures(state.courses)
    sizes = size_forecasts(state.growth, state.size_mm)
    return replace(
        state,
        closures={one.name: one.when for one in closures},
        curves=curves,
        sizes={one.name: one.when for one in sizes if one.n_dates >= LEAST_DATES},
    )
