"""The charts of one plate by name: which there are, what each says, and each drawn alone."""

from collections.abc import Callable, Mapping, Sequence

from markupsafe import Markup
from matplotlib.figure import Figure

from polypvision.healing import WoundCourse
from polypvision.plan import PlateState
from polypvision.reports.charts import growth_chart, healing_chart, wound_chart
from polypvision.reports.drawing import inline_svg
from polypvision.reports.remarks import division_words, expected_words
from polypvision.reports.timelines import dates_chart, lineage_chart, stages_chart
from polypvision.track import PlateTracks


def _dates(state: PlateState) -> Figure:
    return dates_chart(
        state.tracks,
        closures=state.closures,
        sizes=state.sizes,
        fissions=state.fissions,
        size_mm=state.size_mm,
    )


_DRAW: dict[str, Callable[[PlateState], Figure]] = {
    "growth": lambda s: growth_chart(s.tracks, s.growth, s.courses, s.log),
    "dates": _dates,
    "lineage": lambda s: lineage_chart(s.tracks, s.fissions),
    "wounds": lambda s: wound_chart(s.tracks, s.courses, s.log),
    "healing": lambda s: healing_chart(s.tracks, s.courses, closures=s.closures, curves=s.curves),
    "stages": lambda s: stages_chart(s.tracks, s.progress),
}
FORETOLD = ("dates", "healing")
"""Charts that show what is to come: they need a state with its forecasts."""


def chart_names(state: PlateState) -> tuple[str, ...]:
    """Return the charts that a plate has: none without a photo; ``growth``, ``dates``, ``lineage``,
    with a wound ``wounds`` and ``healing``, with a cut piece ``stages``."""
    if not state.tracks.photos:
        return ()
    names = ["growth", "dates", "lineage"]
    if any(one.status != "no wound" for one in state.courses):
        names += ["wounds", "healing"]
    if state.progress:
        names.append("stages")
    return tuple(names)


def plate_figure(state: PlateState, name: str) -> Figure:
    """Return one chart of a plate.

    Raises
    ------
    KeyError
        If it is none of `chart_names`.
    """
    if name not in chart_names(state):
        raise KeyError(name)
    return _DRAW[name](state)


def plate_figures(state: PlateState) -> dict[str, Figure]:
    """Return the charts of a plate by name, as they are written to files; none without a photo."""
    return {name: plate_figure(state, name) for name in chart_names(state)}


def growth_sentence(state: PlateState) -> str:
    """Return what the chart of growth says; empty without a photo."""
    growth = state.growth
    return f"Planform area of the whole plate: {growth.sentence}." if growth.photos else ""


def wound_sentence(tracks: PlateTracks, courses: Sequence[WoundCourse]) -> str:
    """Return what the chart of wounds says."""
    wounded = [one for one in courses if one.status != "no wound"]
    if not wounded:
        return "No wound was seen on this plate."
    ends = {one.name: one.end for one in tracks.individuals}
    counts: dict[str, int] = {}
    for course in wounded:
        end = ends[course.name]
        open_at_end = end is not None and course.wounded
        word = f"{end} with it open" if open_at_end else course.status
        counts[word] = counts.get(word, 0) + 1
    said = ", ".join(f"{count} {word}" for word, count in sorted(counts.items()))
    return f"{len(wounded)} wounded so far: {said}."


def chart_words(state: PlateState, name: str, title: str) -> str:
    """Return what is read out instead of a chart.

    Parameters
    ----------
    state : PlateState
    name : str
        One of `chart_names`.
    title : str
        What the plate is called.
    """
    said = {
        "growth": lambda: f"Growth chart of {title}. {growth_sentence(state)}",
        "wounds": lambda: (
            f"Wound-closure chart of {title}. {wound_sentence(state.tracks, state.courses)}"
        ),
        "healing": lambda: f"Areas of the wounds of {title} with the fitted forms.",
        "stages": lambda: f"Between which photos pieces of {title} reached each stage.",
        "dates": lambda: f"Expected dates on {title}. {' '.join(expected_words(state))}",
        "lineage": lambda: f"Who came from whom on {title}. {' '.join(division_words(state))}",
    }
    return said[name]()


def inline_charts(
    state: PlateState, title: str, figures: Mapping[str, Figure]
) -> dict[str, Markup]:
    """Return charts of a plate, of `plate_figures`, as SVG for its page, by name."""
    return {
        name: Markup(inline_svg(figure, name=name, description=chart_words(state, name, title)))
        for name, figure in figures.items()
    }
