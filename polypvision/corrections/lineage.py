"""What people said of who is who, put together over all photos of a plate."""

from collections.abc import Mapping, Sequence

from polypvision.corrections.acts import Correction, JoinLineage, NameIndividual, PartLineage
from polypvision.corrections.apply import SAME_IOU, Corrected, Standing
from polypvision.events import Saying, SayingKind, Sighting
from polypvision.measure.overlap import iou_matrix
from polypvision.reading import PlateReading, Polyp


def sayings_in(photos: Sequence[Corrected]) -> tuple[tuple[Saying, ...], tuple[Standing, ...]]:
    """Return what people say of who is who on a plate, by labels as they are now.

    Parameters
    ----------
    photos : sequence of Corrected
        Of one plate.

    Returns
    -------
    tuple of Saying
        In the order in which they were said.
    tuple of Standing
        Those that are open because the polyp on the earlier photo is not found any more.
    """
    readings = {one.machine.facts.sha256: one.reading for one in photos}
    said: list[tuple[Correction, Saying]] = []
    unsettled: list[Standing] = []
    for photo in photos:
        for standing in photo.standings:
            if standing.state != "applied" or not standing.labels:
                continue
            seen = Sighting(sha256=photo.machine.facts.sha256, label=standing.labels[0])
            try:
                said.append((standing.correction, _saying(standing.correction, seen, readings)))
            except LookupError:
                unsettled.append(
                    Standing(
                        correction=standing.correction,
                        state="open",
                        why="The polyp on the earlier photo that it was joined to is not found "
                        "any more. Join it anew, or withdraw this.",
                    )
                )
    said.sort(key=lambda one: (one[0].at, one[0].number, one[0].id))
    return tuple(saying for _, saying in said), tuple(unsettled)


def _saying(correction: Correction, seen: Sighting, readings: Mapping[str, PlateReading]) -> Saying:
    act = correction.act
    if isinstance(act, NameIndividual):
        return Saying(kind="name", seen=seen, name=act.name)
    if isinstance(act, JoinLineage):
        before = Sighting(sha256=act.photo, label=label_at(readings[act.photo], act.before))
        return Saying(kind=act.relation, seen=seen, before=before)
    assert isinstance(act, PartLineage)
    kind: SayingKind = "other" if act.relation == "same" else "no-parent"
    return Saying(kind=kind, seen=seen)


def label_at(reading: PlateReading, was: Polyp) -> int:
    """Return the label of the polyp that stands where one stood.

    Raises
    ------
    LookupError
        If there is none.
    """
    shared = iou_matrix([was.outline_px], [one.outline_px for one in reading.polyps])[0]
    if not len(shared) or shared.max() <= SAME_IOU:
        raise LookupError(was.label)
    return reading.polyps[int(shared.argmax())].label
