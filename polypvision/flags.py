"""Quality flags: short words on photos and polyps that ask a person to look twice."""

from collections.abc import Iterable

FLAGS: dict[str, str] = {
    # on a photo
    "print-scale-unknown": (
        "The card's printed bar was never measured; the scale may be off by about half a percent. "
        "Measure it with callipers and say so: polypvision plates CODE --bar-mm X."
    ),
    "tilted": (
        "The camera looked at the plate from more than 35 degrees; sizes are less certain. Hold it "
        "straight above the plate."
    ),
    "colour-cast": (
        "The light has almost no red or green left; colours and wounds are less certain. Switch on "
        "white light for the photo."
    ),
    "coarse": "Fewer than 5 photo pixels per mm; a mouth of 1 mm may be missed. Go closer.",
    "soft": "The card's edges are soft; focus on the plate and hold still.",
    "bright": "Parts of the plate are pure white; lower the exposure.",
    "dim": "The photo is so dark that tissue is hardly told from black; add light.",
    "bent-card": (
        "The card's markers do not lie in one plane, so sizes are less certain: ripples, a curled "
        "card, or a bent lens. Wait for still water or look through a pane, lay the card flat, or "
        "make a lens profile: polypvision lens."
    ),
    "few-markers": "Some of the card's markers are hidden; uncover them for a surer scale.",
    "stray-marker": "A marker that does not belong to this plate's card lies in the photo.",
    "no-colour-reference": "No card, so colours were not balanced; wounds are less certain.",
    "scale-doubtful": (
        "At the scale you gave, these sizes are not those of any polyp in the trade; check it."
    ),
    "focal-denied": (
        "The card's perspective does not fit the photo's focal length: was it zoomed or cropped? "
        "The focal length was left out; sizes are less certain."
    ),
    "zoomed": (
        "The photo was zoomed digitally, so its lens profile does not hold; take it without zoom."
    ),
    "cropped": (
        "The photo was cropped or its shape changed after it was taken, so its focal length no "
        "longer holds; read the original."
    ),
    "other-lens": (
        "The lens profiles are of another camera or focal length and were not used; make one for "
        "this camera: polypvision lens."
    ),
    "cut-off": (
        "At the edge lies part of a polyp whose middle is not in the picture; it was not counted. "
        "Move back until all is in the picture."
    ),
    # on a photo or on a polyp
    "card-far": (
        "The card is too small, or too far away, for a sure scale everywhere; lay a second card "
        "near these polyps, or use a frame."
    ),
    # on a polyp
    "touches-edge": "The polyp runs out of the measured area; its size is a lower limit.",
    "touching": "The polyp touches a neighbour; its outline there is a guess.",
    "glare": ("Glare covers part of the polyp; shade the lamp or move the camera aside."),
    "two-mouths": "More mouths than normal for this line: it may be about to divide.",
    "mouth-unsure": "Whether there is one mouth or two cannot be told from this photo.",
    "wound": "Pale exposed tissue at the margin.",
    "folded": "The margin folds in; the polyp is larger than it looks.",
    "oblique": "The disc seems to be seen at a slant; it is larger than it looks.",
    "hidden": "A neighbour lies over part of the polyp; its size is a lower limit.",
    "irregular": "The outline is far from round; check that it is one polyp.",
}


def check_flags(flags: Iterable[str]) -> tuple[str, ...]:
    """Return the flags once each, in the order of `FLAGS`.

    Parameters
    ----------
    flags : iterable of str
        Words out of `FLAGS`, in any order, repeats allowed.

    Raises
    ------
    ValueError
        If a word is not in `FLAGS`.

    Examples
    --------
    >>> check_flags(["wound", "touching", "wound"])
    ('touching', 'wound')
    """
    found = set(flags)
    unknown = sorted(found - FLAGS.keys())
    if unknown:
        raise ValueError(f"unknown flags: {', '.join(unknown)}")
    return tuple(word for word in FLAGS if word in found)
