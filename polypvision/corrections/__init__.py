"""What people put right in readings: a layer of its own over what the machine read.

The machine's reading is never changed. `apply` gives the reading that holds.
"""

from polypvision.corrections.acts import LINEAGE, Act, Correction, kind_of
from polypvision.corrections.apply import Corrected, Standing, apply, correct
from polypvision.corrections.history import to_redo, to_undo, withdrawn
from polypvision.corrections.lineage import label_at, sayings_in
from polypvision.corrections.wishes import Wish, act_of, wish_of

__all__ = [
    "LINEAGE",
    "Act",
    "Corrected",
    "Correction",
    "Standing",
    "Wish",
    "act_of",
    "apply",
    "correct",
    "kind_of",
    "label_at",
    "sayings_in",
    "to_redo",
    "to_undo",
    "wish_of",
    "withdrawn",
]
