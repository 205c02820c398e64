"""The logbook: a small database of plates, photos, readings and what the keeper wrote down."""
