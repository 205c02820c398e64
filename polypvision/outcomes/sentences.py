"""A comparison in sentences for a keeper."""

from collections.abc import Mapping, Sequence
from math import isfinite

from polypvision.outcomes.compare import By, Comparison, Group, Measure
from polypvision.outcomes.contrasts import Contrast, hazard_ratio
from polypvision.outcomes.curves import Curve, Span

_NAMES = {"halves": "halves", "quarters": "quarters", "margin": "margin pieces"}
_EACH: dict[By, str] = {"method": "way of cutting", "line": "line", "donor": "donor", "dip": "dip"}
_HOPELESS = 200
"""Nobody cuts more of each only to tell a difference so small."""


def group_words(by: By, name: str) -> str:
    """Return what the pieces of a group are called."""
    if by == "method":
        return _NAMES.get(name, name)
    return f"pieces of {name}" if by in ("line", "donor") else f"pieces after {name}"


def percent(share: float) -> str:
    """Return a share in whole percent."""
    return f"{100 * share:.0f} %"


def p_words(p: float) -> str:
    """Return a p for people: never 0."""
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}" if p < 0.1 else f"p = {p:.1f}"


def days_words(span: Span) -> str:
    """Return a span of days in words.

    Examples
    --------
    >>> days_words(Span(low=7, high=14)), days_words(Span(low=9, high=9))
    ('between day 7 and day 14', 'on day 9')
    """
    if span.high - span.low < 0.5:
        return f"on day {span.high:.0f}"
    return f"between day {span.low:.0f} and day {span.high:.0f}"


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _survival(comparison: Comparison) -> str:
    known = [one for one in comparison.groups if one.n_known]
    if not known:
        return "Survival cannot be told yet: no piece was followed long enough."
    parts = [
        f"{one.n_lived} of {one.n_known} {group_words(comparison.by, one.name)} "
        f"({percent(one.n_lived / one.n_known)}; 95 % interval {100 * one.lived_low:.0f} to "
        f"{percent(one.lived_high)})"
        for one in known
    ]
    days = comparison.horizon_days
    return f"Alive {days} {'day' if days == 1 else 'days'} after the cut: {_listed(parts)}."


def _time(comparison: Comparison, what: str, curve_of: Sequence[tuple[Group, Curve]]) -> str:
    parts = []
    for group, curve in curve_of:
        words = group_words(comparison.by, group.name)
        if not curve.n:
            continue
        median = curve.median()
        if median is not None:
            parts.append(f"of the {words} {days_words(median)}")
        else:
            parts.append(f"of the {words} not yet ({curve.n_happened} of {curve.n})")
    return f"Half {what}: {_listed(parts)}." if parts else ""


def _growth(comparison: Comparison) -> str:
    parts = [
        f"{group_words(comparison.by, one.name)} {one.growth_percent_per_week:+.1f} ± "
        f"{one.growth_err:.1f} % a week".replace("-", "−")
        for one in comparison.groups
        if isfinite(one.growth_percent_per_week)
    ]
    return f"Mean growth of the diameter: {_listed(parts)}." if parts else ""


_BETTER: dict[Measure, str] = {
    "survival": "{0} live more often than {1}",
    "sealed": "{0} seal faster than {1}",
    "mouth": "{0} have a mouth sooner than {1}",
    "growth": "{0} grow faster than {1}",
}


def _told(comparison: Comparison, measure: Measure, one: Contrast) -> str:
    first, second = (group_words(comparison.by, name) for name in (one.first, one.second))
    if one.difference < 0:
        first, second = second, first
    words = _BETTER[measure].format(first[:1].upper() + first[1:], second)
    if measure in ("sealed", "mouth"):
        ratio = max(hazard_ratio(one), 1 / hazard_ratio(one))
        words += f", at any time about {ratio:.1f} times as likely"
    return f"{words} ({p_words(one.p)})."


def _verdict(comparison: Comparison, measure: Measure) -> str:
    known = [one for one in comparison.contrasts[measure] if isfinite(one.p)]
    if not known:
        return ""
    told = [one for one in known if one.told]
    if told:
        return " ".join(_told(comparison, measure, one) for one in told)
    needed = [one.n_more for one in known if one.n_more is not None]
    each = _EACH[comparison.by]
    if not needed:
        return "No difference shows."
    fewest = min(needed)
    if fewest > _HOPELESS:
        return (
            f"No difference shows; one as small as this would take more than {_HOPELESS} more "
            f"pieces per {each} to tell."
        )
    return (
        f"Too few pieces to tell; about {fewest} more per {each} would, if the difference is as "
        "large as it looks."
    )


_CUT = "Write cuts down with: polypvision log cut PLATE --method ... --donor ... --individual ..."
_REMEDY: dict[By, str] = {
    "method": _CUT,
    "donor": _CUT,
    "dip": _CUT.replace("--donor", "--dip"),
    "line": "Say which line grows on a plate: polypvision plates PLATE --line NAME, and write its "
    "cuts down.",
}


def sentences(
    comparison: Comparison, kept_per_polyp: Mapping[str, float] | None = None
) -> tuple[str, ...]:
    """Return what a comparison says, the most important first, and then what to beware of.

    Parameters
    ----------
    comparison : Comparison
    kept_per_polyp : mapping of str to float, optional
        Pieces kept per polyp cut, by the name of the group.

    Returns
    -------
    tuple of str
        Every statement of a difference comes with the p of its test: Fisher's exact test for
        survival, the log-rank test (with scores for spans between photos) for times, Welch's test
        for growth.
    """
    groups = comparison.groups
    if not groups:
        return (f"No cut piece is on record that could be compared. {_REMEDY[comparison.by]}",)
    told: list[str] = []
    for measure, text in (
        ("survival", _survival(comparison)),
        ("sealed", _time(comparison, "were sealed", [(one, one.sealed) for one in groups])),
        ("mouth", _time(comparison, "had a mouth", [(one, one.mouth) for one in groups])),
        ("growth", _growth(comparison)),
    ):
        if text:
            told.append(f"{text} {_verdict(comparison, measure)}".strip())  # type: ignore[arg-type]
    if kept_per_polyp:
        parts = [
            f"{group_words(comparison.by, name)} {kept:.1f}"
            for name, kept in sorted(kept_per_polyp.items())
        ]
        told.append(f"Pieces kept or sold per polyp cut: {_listed(parts)}.")
    return (*told, *_cautions(comparison))


def _cautions(comparison: Comparison) -> list[str]:
    told = []
    each = _EACH[comparison.by]
    if len(comparison.groups) == 1:
        told.append(f"Only one {each} is on record, so there is nothing to compare it with.")
    if comparison.apart:
        told.append(
            f"No donor was used for more than one {each}: what the donor does and what the {each} "
            "does cannot be told apart. Treat pieces of one donor differently to find out."
        )
    if any(one.n > one.n_donors for one in comparison.groups) and len(comparison.groups) > 1:
        told.append(
            "Pieces of one polyp fare alike, so take every p for somewhat larger than it is."
        )
    if comparison.n_left_out:
        n = comparison.n_left_out
        told.append(
            f"{n} {'piece is' if n == 1 else 'pieces are'} left out: which {each} "
            f"{'it belongs' if n == 1 else 'they belong'} to is not known."
        )
    return told
