"""What became of the pieces of cuts, compared by way of cutting, line, donor and dip."""

from polypvision.outcomes.compare import BYS, By, Comparison, Group, compare
from polypvision.outcomes.contrasts import Contrast, log_rank_p
from polypvision.outcomes.curves import Curve, Span, curve, kaplan_meier, turnbull, wilson_interval
from polypvision.outcomes.cuts import CutPieces, pieces_of_cuts
from polypvision.outcomes.pieces import Piece, pieces_of_plate
from polypvision.outcomes.sentences import group_words, sentences
from polypvision.outcomes.yields import DonorYield, donor_yields, kept_per_polyp

__all__ = [
    "BYS",
    "By",
    "Comparison",
    "Contrast",
    "Curve",
    "CutPieces",
    "DonorYield",
    "Group",
    "Piece",
    "Span",
    "compare",
    "curve",
    "donor_yields",
    "group_words",
    "kaplan_meier",
    "kept_per_polyp",
    "log_rank_p",
    "pieces_of_cuts",
    "pieces_of_plate",
    "sentences",
    "turnbull",
    "wilson_interval",
]
