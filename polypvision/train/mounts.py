"""What plates teach too little of by chance: mounted pieces, round things that are no polyps."""

from dataclasses import replace

import numpy as np

from polypvision.render.scene import FurnitureKind, FurnitureSpec, Scene

_MOUNTS: tuple[FurnitureKind, ...] = ("plug", "plug", "tile", "glue", "rubble")
_DECOYS: tuple[FurnitureKind, ...] = ("snail", "snail", "snail", "plug", "rubble", "glue")


def mounted(scene: Scene, rng: np.random.Generator) -> Scene:
    """Return the scene with mounts under some of its polyps.

    A pale rim beside a raw edge looks alike and is not a wound: without many such lessons a
    reader takes plugs for exposed tissue.
    """
    share = rng.choice([0.2, 0.5, 0.9])
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


def with_decoys(scene: Scene, rng: np.random.Generator) -> Scene:
    """Return the scene with snails and other round things where no polyp is.

    A snail's shell has a middle and rings, as an oral disc has.
    """
    left, top, right, bottom = scene.plate_box_mm
    decoys = []
    for _ in range(int(rng.integers(0, 8))):
        x, y = rng.uniform(left + 8, right - 8), rng.uniform(top + 8, bottom - 8)
        size = float(rng.uniform(5, 16))
        if all(
            np.hypot(x - polyp.x_mm, y - polyp.y_mm) > 0.6 * (polyp.diameter_mm + size)
            for polyp in scene.polyps
        ):
            decoys.append(
                FurnitureSpec(
                    kind=_DECOYS[rng.integers(len(_DECOYS))],
                    x_mm=float(x),
                    y_mm=float(y),
                    size_mm=size,
                    angle_deg=float(rng.uniform(0, 360)),
                    tint=float(rng.random()),
                    seed=int(rng.integers(2**31)),
                )
            )
    return replace(scene, furniture=(*scene.furniture, *decoys))
