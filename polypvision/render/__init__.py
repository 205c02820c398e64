"""A plate described as a table becomes a photo with exact truth: for training, tests and demo."""
