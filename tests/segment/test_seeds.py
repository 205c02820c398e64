"""Votes go to the nearest middle."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.distance import cdist

from polypvision.segment.seeds import nearest_centres


@pytest.mark.parametrize("n_centres", [1, 2, 3, 40])
@pytest.mark.parametrize("spread_px", [2.0, 60.0])
def test_every_vote_goes_to_the_nearest_centre(n_centres: int, spread_px: float) -> None:
    # All distances worked out (scipy.spatial.distance.cdist), for votes that crowd round the
    # centres and for such as lie anywhere, outside the view too.
    rng = np.random.default_rng(n_centres)
    centres = np.asarray(rng.integers(0, 300, (n_centres, 2)), np.float64)
    votes = centres[rng.integers(n_centres, size=5000)] + rng.normal(0, spread_px, (5000, 2))
    x, y = (np.asarray(side, np.float32) for side in votes.T)
    nearest = nearest_centres(x, y, centres)
    ways = cdist(np.column_stack([x, y]), centres)
    chosen: NDArray[np.float64] = ways[np.arange(len(ways)), nearest]
    np.testing.assert_allclose(chosen, ways.min(axis=1), atol=1e-9)
