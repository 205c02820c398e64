"""What a keeper does: read photos, note a cut, look at a plate through time, take tables away.

The only place that joins files, pipeline and store.
"""
