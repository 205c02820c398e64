"""Close-ups as keepers and sellers take them, painted at the view's scale, with exact truth."""

from polypvision.train.closeups.picture import closeup_lesson

__all__ = ["closeup_lesson"]
