"""Readings against truth: counts, overlap, mouths, diameters, wounds, and identities in time.

Pure: everything here takes parsed JSON or our own values, and returns values.
"""

from polypvision.evaluate.breakdown import breakdown
from polypvision.evaluate.score import score
from polypvision.evaluate.scores import Detection, Errors, Pair, PhotoScore, Scores
from polypvision.evaluate.tables import table, text, to_json
from polypvision.evaluate.tracks import TrackScores, score_tracks
from polypvision.evaluate.truth import TruthPhoto, TruthPolyp, truth_photos

__all__ = [
    "Detection",
    "Errors",
    "Pair",
    "PhotoScore",
    "Scores",
    "TrackScores",
    "TruthPhoto",
    "TruthPolyp",
    "breakdown",
    "score",
    "score_tracks",
    "table",
    "text",
    "to_json",
    "truth_photos",
]
