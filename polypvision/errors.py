"""Every error a keeper can meet, as one family.

::

    PolypvisionError
    ├── PhotoError            a photo file cannot be used
    │   ├── PhotoUnreadable       "unreadable"      damaged, empty, or no picture at all
    │   ├── PhotoTooLarge         "too-large"       more pixels than a camera here makes
    │   ├── PhotoTooSmall         "too-small"       no polyp could be seen in it
    │   ├── DateMissing           "no-date"         no date in the photo, its name or the command
    │   └── DateDoubtful          "doubtful-date"   a date that cannot be right
    ├── CardError             the reference card does not give a scale
    │   ├── CardMissing           "no-card"
    │   ├── CardIncomplete        "half-card"
    │   ├── CardTooSmall          "small-card"      too few pixels to be read
    │   ├── CardMirrored          "mirrored"
    │   ├── CardsOfTwoPlates      "two-plates"
    │   └── BarDoubtful           "doubtful-bar"    a length that another bar has
    ├── QualityError          the photo would give a misleading number
    │   ├── PhotoBlurred          "blurred"
    │   ├── PhotoOverexposed      "overexposed"
    │   ├── PhotoDark             "dark"
    │   └── ScaleDoubtful         "doubtful-scale"  a scale given by hand that cannot be right
    ├── MemoryShort           "memory"            too little free memory for a photo
    ├── ReaderDied            "reader-died"       the process that read a photo ended suddenly
    ├── BatchError            "batch"             many photos cannot be read as they were to be
    │   ├── ClusterError          "cluster"           a cluster cannot be used or was lost
    │       └── ClusterOther          "cluster-version"   its workers have another polypvision
    ├── SurroundingsDoubtful  "doubtful-setting"  heights or water that cannot be as given
    ├── LensError             "lens"              a lens profile that cannot be made or read
    ├── ComparisonError       "comparison"        photos that cannot be compared
    ├── TableError            "table"             a table handed in has a wrong column or value
    ├── LogbookError          "logbook"           the logbook cannot be opened or written
    │   ├── LogbookTooNew         "logbook-too-new"
    │   ├── PlateUnknown          "unknown-plate"
    │   ├── PhotoUnknown          "unknown-photo"
    │   ├── EntryUnknown          "unknown-entry"
    │   └── TaskUnknown           "unknown-task"
    ├── CorrectionError       "correction"        a correction that cannot be made as it is written
    │   └── CorrectionConflict    "conflict"      what it was made on has changed since
    ├── BackupError           "backup"            a backup that is none, or is damaged
    └── OutputError           "output"            a result could not be written

Each message says what was found, what is the matter, and what to do next.
"""


class PolypvisionError(Exception):
    """Base of the family. ``kind`` is a stable word for scripts; ``str(error)`` is for people."""

    kind = "error"


class PhotoError(PolypvisionError):
    """A photo file cannot be used."""

    kind = "photo"


class PhotoUnreadable(PhotoError):
    """The file is damaged, empty, or no picture that can be read."""

    kind = "unreadable"


class PhotoTooLarge(PhotoError):
    """The picture claims more pixels than a photo here may have."""

    kind = "too-large"


class PhotoTooSmall(PhotoError):
    """The picture has too few pixels to show a polyp."""

    kind = "too-small"


class DateMissing(PhotoError):
    """No date is known for a photo that is to be recorded."""

    kind = "no-date"


class DateDoubtful(PhotoError):
    """The date of a photo cannot be right."""

    kind = "doubtful-date"


class CardError(PolypvisionError):
    """The reference card does not give a scale."""

    kind = "card"


class CardMissing(CardError):
    """No marker of a reference card was found."""

    kind = "no-card"


class CardIncomplete(CardError):
    """Too few markers of a card are visible."""

    kind = "half-card"


class CardTooSmall(CardError):
    """The card is too small in the picture to be read."""

    kind = "small-card"


class CardMirrored(CardError):
    """The card reads only in the mirror image of the photo."""

    kind = "mirrored"


class CardsOfTwoPlates(CardError):
    """Cards with different plate codes lie in one photo."""

    kind = "two-plates"


class BarDoubtful(CardError):
    """The given length of the printed bar cannot be that of this card."""

    kind = "doubtful-bar"


class QualityError(PolypvisionError):
    """The photo would give a misleading number."""

    kind = "quality"


class PhotoBlurred(QualityError):
    """The card's edges are smeared over more than a small polyp's mouth."""

    kind = "blurred"


class PhotoOverexposed(QualityError):
    """Too much of the plate is pure white."""

    kind = "overexposed"


class PhotoDark(QualityError):
    """The card's white is nearly as dark as its black."""

    kind = "dark"


class ScaleDoubtful(QualityError):
    """At the scale that was given, what the photo shows cannot be polyps; at another it can."""

    kind = "doubtful-scale"


class MemoryShort(PolypvisionError):
    """The computer has too little free memory to read a photo."""

    kind = "memory"


class ReaderDied(PolypvisionError):
    """The process that read a photo ended suddenly, more than once."""

    kind = "reader-died"


class BatchError(PolypvisionError):
    """Many photos cannot be read in the way that was asked for."""

    kind = "batch"


class ClusterError(BatchError):
    """A cluster cannot be used, or was lost for good."""

    kind = "cluster"


class ClusterOther(ClusterError):
    """The workers of a cluster have another polypvision, which might read otherwise."""

    kind = "cluster-version"


class SurroundingsDoubtful(PolypvisionError):
    """What was said of heights, water or glass cannot be."""

    kind = "doubtful-setting"


class LensError(PolypvisionError):
    """Photos of a board do not give a lens profile, or a profile cannot be read."""

    kind = "lens"


class ComparisonError(PolypvisionError):
    """Photos, or a photo and a person's measurements, cannot be compared."""

    kind = "comparison"


class TableError(PolypvisionError):
    """A table or file handed in has a wrong column or value."""

    kind = "table"


class LogbookError(PolypvisionError):
    """The logbook cannot be opened or written."""

    kind = "logbook"


class LogbookTooNew(LogbookError):
    """The logbook was written by a newer polypvision."""

    kind = "logbook-too-new"


class PlateUnknown(LogbookError):
    """The logbook has no plate of that name."""

    kind = "unknown-plate"


class PhotoUnknown(LogbookError):
    """The logbook has no such photo, or several of that name."""

    kind = "unknown-photo"


class EntryUnknown(LogbookError):
    """The log has no such line."""

    kind = "unknown-entry"


class TaskUnknown(LogbookError):
    """Today's list has no such task."""

    kind = "unknown-task"


class CorrectionError(PolypvisionError):
    """A correction cannot be made as it is written."""

    kind = "correction"


class CorrectionConflict(CorrectionError):
    """What a correction was made on has changed since."""

    kind = "conflict"


class BackupError(PolypvisionError):
    """A backup cannot be used: it is none, it is damaged, or it may not go where it should."""

    kind = "backup"


class OutputError(PolypvisionError):
    """A result could not be written."""

    kind = "output"
