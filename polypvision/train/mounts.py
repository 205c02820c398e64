"""Polyps on what keepers glue them to: a plug or tile that shows pale round a piece."""

from dataclasses import replace

import numpy as np

from polypvision.render.scene import FurnitureKind, FurnitureSpec, Scene

_MOUNTS: tuple[FurnitureKind, ...] = ("plug", "plug", "tile", "glue", "rubble")


def mounted(scene: Scene, rng: np.random.Generator) -> Scene:
    """Return the scene with mounts under some of its polyps.

    A pale rim beside a raw edge looks alike and is not a wound: without many such lessons a
    reader takes plugs for exposed tissue.
    """
    share = rng.choice([0.0, 0.3, 0.8])
    under = [
        FurnitureSpec(
            kind=_MOUNTS[rng.integers(len(_MOUNTS))],
            x_mm=polyp.x_mm + rng.normal(0, 0.12) * polyp.diameter_mm,
            y_mm=polyp.y_mm + rng.normal(0, 0.12) * polyp.diameter_mm,
            size_mm=float(np.clip(polyp.diameter_mm * rng.uniform(0.9, 1.9), 6, 60)),
            angle_deg=float(rng.uniform(0, 360)),
            tint=float(rng.random() ** 2),
            seed=int(rng.integers(2**31)),
        )
        for polyp in scene.polyps
        if rng.random() < share
    ]
    return replace(scene, furniture=(*scene.furniture, *under))
