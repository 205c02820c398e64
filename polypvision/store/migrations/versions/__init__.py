"""One file per step, numbered in order."""
