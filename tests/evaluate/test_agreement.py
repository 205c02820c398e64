"""The machine against people, and its figures against published ones."""

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa
from time_builders import make_polyp, make_reading

from polypvision.evaluate.agreement import (
    agreement_lines,
    agreement_record,
    compare_with_people,
)
from polypvision.evaluate.comparisons import bland_altman, cohen_kappa

# Peak expiratory flow rate, l/min, 17 people, first readings (Bland & Altman 1986, Lancet
# i:307-310, table 1).
LARGE = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def test_limits_of_agreement_as_published() -> None:
    found = bland_altman([a - b for a, b in zip(LARGE, MINI, strict=True)])
    # Published: -2.1, 38.8; limits by 2 SD -79.7 and 75.5; of the lower one -114.3 to -45.1.
    assert found.n == 17
    assert (found.bias, found.sd) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert found.bias - 2 * found.sd == pytest.approx(-79.7, abs=0.2)
    assert found.bias + 2 * found.sd == pytest.approx(75.5, abs=0.2)
    spread = 2 * found.sd - 1.96 * found.sd
    assert found.low_ci[0] - spread == pytest.approx(-114.3, abs=0.2)
    assert found.low_ci[1] - spread == pytest.approx(-45.1, abs=0.2)
    # The same data, not rounded, with 1.96 SD.
    assert (found.low, found.high) == pytest.approx((-78.097302, 73.862007), abs=1e-5)
    assert found.bias_ci == pytest.approx((-22.048838, 17.813544), abs=1e-5)


def test_too_few_have_no_limits() -> None:
    assert bland_altman([]).n == 0
    assert np.isnan(bland_altman([]).bias)
    one = bland_altman([0.5])
    assert (one.n, one.bias) == (1, 0.5)
    assert np.isnan(one.low)


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # Cohen 1960, Educ Psychol Meas 20:37-46, n = 200 (from memory), and a textbook 2 x 2.
        ([[88, 14, 18], [10, 40, 10], [2, 6, 12]], 0.4915254),
        ([[20, 5], [10, 15]], 0.4),
    ],
)
def test_kappa_as_published(table: list[list[int]], kappa: float) -> None:
    counts = np.array(table)
    assert cohen_kappa(counts) == pytest.approx(kappa, abs=1e-6)
    assert cohen_kappa(counts) == pytest.approx(cohens_kappa(counts).kappa)
    ours, theirs = (np.repeat(one.ravel(), counts.ravel()) for one in np.indices(counts.shape))
    assert cohen_kappa(counts) == pytest.approx(cohen_kappa_score(ours, theirs))


def test_kappa_where_there_is_no_choice() -> None:
    assert np.isnan(cohen_kappa(np.zeros((4, 4), np.int64)))
    assert np.isnan(cohen_kappa(np.diag([0, 7, 0, 0])))


def test_the_machine_against_people() -> None:
    machine = make_reading(0, [make_polyp(1, 20, 20, 15), make_polyp(2, 50, 20, 18),
                               make_polyp(3, 80, 20, 18, n_mouths=2)])  # fmt: skip
    person = make_reading(0, [make_polyp(1, 20, 20, 16), make_polyp(2, 50, 20, 18, n_mouths=2),
                              make_polyp(3, 80, 20, 18, n_mouths=2), make_polyp(4, 20, 60, 12),
                              make_polyp(5, 50, 60, 12)])  # fmt: skip
    other = make_reading(7, [make_polyp(1, 20, 20, 15)])
    found = compare_with_people([(machine, person), (other, other)])
    assert (found.n_photos, found.n_machine, found.n_people, found.n_same) == (2, 4, 6, 4)
    assert (found.count_bias, found.n_exact) == (-1.0, 1)
    assert found.diameters.n == 4
    assert found.diameters.bias == pytest.approx(-0.25)
    assert (found.redrawn.n, found.redrawn.bias) == (1, -1.0)
    assert found.mouths[1, 1] == 2
    assert (found.mouths[1, 2], found.mouths[2, 2]) == (1, 1)
    # po 3/4; chance (3 x 2 + 1 x 2) / 16 = 1/2.
    assert found.kappa == pytest.approx(0.5)
    lines = "\n".join(agreement_lines(found))
    assert "4 polyps by the machine, 6 by people" in lines
    assert "drawn anew: 1, too few" in lines
    record = agreement_record(found)
    assert record["redrawn"]["low"] is None
    assert record["mouths"][1] == [0, 2, 1, 0]
    assert "Nobody has corrected" in agreement_lines(compare_with_people([]))[0]
