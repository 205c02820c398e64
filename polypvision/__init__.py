"""polypvision: a photo of a propagation plate becomes counts, sizes, mouths and wounds over time.

The folders stand in the order in which a photo passes through them: ``card``, ``calibrate``,
``segment``, ``mouths``, ``measure``, ``track``, ``healing``, ``growth``, ``reports``.
"""

__version__ = "0.1.0"
