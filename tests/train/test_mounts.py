import numpy as np

from polypvision.render.chance import random_scene
from polypvision.train.mounts import mounted, with_decoys


def test_mounts_lie_under_polyps_and_change_nothing_else() -> None:
    rng = np.random.default_rng(2)
    scene = random_scene(rng, n_polyps=12)
    more = mounted(scene, rng)
    added = more.furniture[len(scene.furniture) :]
    assert more.polyps == scene.polyps
    assert more.furniture[: len(scene.furniture)] == scene.furniture
    assert added
    for thing in added:
        nearest = min(np.hypot(thing.x_mm - p.x_mm, thing.y_mm - p.y_mm) for p in scene.polyps)
        assert nearest < 0.5 * max(p.diameter_mm for p in scene.polyps)


def test_decoys_keep_clear_of_every_polyp() -> None:
    rng = np.random.default_rng(3)
    scene = random_scene(rng, n_polyps=6)
    seen = 0
    for _ in range(10):
        more = with_decoys(scene, rng)
        for thing in more.furniture[len(scene.furniture) :]:
            seen += 1
            for polyp in scene.polyps:
                gap = np.hypot(thing.x_mm - polyp.x_mm, thing.y_mm - polyp.y_mm)
                assert gap > 0.6 * (thing.size_mm + polyp.diameter_mm) - 1e-9
    assert seen
