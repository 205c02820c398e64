"""What a photo told, in words for the person who just took it; and how to take a better one."""

from dataclasses import dataclass
from pathlib import PurePath

from polypvision.flags import FLAGS
from polypvision.reading import Outcome, PlateReading, Refusal
from polypvision.reports.sayings import Tile, number

_AGAIN: dict[str, str] = {
    # flags of a photo
    "coarse": "Go closer: a small mouth is less than five pixels wide.",
    "tilted": "Less tilt: hold the camera straight above the plate.",
    "soft": "Hold still, and tap the plate on the screen to focus there.",
    "bright": "Too bright: turn the lamp down, or lower the exposure.",
    "dim": "Too dark: more light, or a longer exposure.",
    "colour-cast": "Switch on white light for the photo.",
    "bent-card": "Wait until the water is still, or look through a pane; lay the card flat.",
    "card-far": "Lay a second card beside the polyps that are far from the first, or use a frame.",
    "few-markers": "Part of the card is covered: uncover it.",
    "stray-marker": "Take cards of other plates out of the picture.",
    "zoomed": "Take it without zoom: go closer instead.",
    "cropped": "Send the original photo, not a cut-out of it.",
    "cut-off": "A polyp at the edge was not counted: move back until all is in the picture.",
    # kinds of refusal
    "blurred": "Hold still, and tap the plate on the screen to focus there.",
    "overexposed": "Too bright: turn the lamp down, or lower the exposure.",
    "dark": "Too dark: more light, or a longer exposure.",
    "small-card": "Go closer: the card is too small in the picture to be read.",
    "half-card": "Part of the card is covered or cut off: get all of it into the picture.",
    "two-plates": "Leave only one plate's card in the picture.",
    "mirrored": "The photo is mirrored: take it with the main camera, not the one for selfies.",
    "too-small": "Send the original photo, not its thumbnail.",
}
_ON_POLYPS: dict[str, str] = {
    "glare": "Glare on {who}: shade the lamp or move the camera aside, then take it again.",
    "card-far": "{who} too far from the card: lay a second card beside it, or use a frame.",
    "coarse": "{who} too small in the picture: go closer, or hold the camera straight above.",
    "touches-edge": "{who} cut off by the edge: move back until all is in the picture.",
}


@dataclass(frozen=True, kw_only=True)
class PhotoAnswer:
    """What one photo told.

    Attributes
    ----------
    name : str
        The file's name alone.
    heading : str
    tiles : tuple of Tile
        Empty if the photo could not be read.
    again : tuple of str
        Why it should be taken again, and how.
    notes : tuple of str
        What else to know.
    lacks : str
        What a person can add for it to be read: 'date', 'scale', or empty.
    """

    name: str
    heading: str
    tiles: tuple[Tile, ...]
    again: tuple[str, ...]
    notes: tuple[str, ...]
    lacks: str


def _who(labels: list[int]) -> str:
    if len(labels) == 1:
        return f"polyp {labels[0]}"
    return f"polyps {', '.join(map(str, labels[:-1]))} and {labels[-1]}"


def photo_answer(outcome: Outcome) -> PhotoAnswer:
    """Return what a photo told, for the person who took it.

    Parameters
    ----------
    outcome : PlateReading or Refusal
    """
    name = PurePath(outcome.facts.photo).name
    if isinstance(outcome, Refusal):
        return _refused(outcome, name)
    return _read(outcome, name)


def _refused(refusal: Refusal, name: str) -> PhotoAnswer:
    again = _AGAIN.get(refusal.kind)
    lacks = {"no-card": "scale", "no-date": "date", "doubtful-date": "date"}.get(refusal.kind, "")
    return PhotoAnswer(
        name=name,
        heading="Not read",
        tiles=(),
        again=(f"Take it again. {again}",) if again else (),
        # Where the file lies is nothing to tell over the network.
        notes=(refusal.message.replace(refusal.facts.photo, name),),
        lacks=lacks,
    )


def _read(reading: PlateReading, name: str) -> PhotoAnswer:
    polyps = reading.polyps
    two = [one.label for one in polyps if "two-mouths" in one.flags]
    unsure = [one.label for one in polyps if "mouth-unsure" in one.flags]
    wounded = [one.label for one in polyps if "wound" in one.flags]
    wound_mm2 = sum(one.wound_mm2 for one in polyps if "wound" in one.flags)
    again = [f"Take it again. {_AGAIN[flag]}" for flag in reading.flags if flag in _AGAIN]
    for flag, words in _ON_POLYPS.items():
        labels = [one.label for one in polyps if flag in one.flags]
        if labels and flag not in reading.flags:
            sentence = words.format(who=_who(labels))
            again.append(sentence[:1].upper() + sentence[1:])
    notes = [FLAGS[flag] for flag in reading.flags if flag not in _AGAIN]
    if unsure:
        notes.append(f"One mouth or two? Look at {_who(unsure)}.")
    if not polyps:
        notes.append("No polyp was seen. Is it the right plate, and in the light?")
    plate = f"Plate {reading.plate}" if reading.plate else "Plate without a name"
    return PhotoAnswer(
        name=name,
        heading=plate,
        tiles=(
            Tile(label="polyps", value=str(len(polyps)), note="on this photo", alert=False),
            Tile(
                label="with two mouths",
                value=str(len(two)),
                note=f"no. {', '.join(map(str, two))}" if two else "none",
                alert=False,
            ),
            Tile(
                label="with a wound",
                value=str(len(wounded)),
                note=f"{number(wound_mm2, 0)} mm² open" if wounded else "none",
                alert=False,
            ),
        ),
        again=tuple(again),
        notes=tuple(notes),
        lacks="",
    )
