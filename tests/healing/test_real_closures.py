"""Real closure curves of cut stony corals, where they are at hand: fitted without nonsense.

The figures have no stated licence, so they are read from outside the project and never copied; the
folder is named by POLYPVISION_REAL_DATA. Public repositories of a regeneration study.
"""

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from polypvision.healing import WoundSeries, fit_closures

FOLDER = os.environ.get("POLYPVISION_REAL_DATA", "")
DAYS = {"initial": 0.0, "24hr": 1.0, "day7": 7.0, "day10": 10.0, "day14": 14.0}


@pytest.mark.skipif(not FOLDER, reason="POLYPVISION_REAL_DATA names no folder of measurements")
@pytest.mark.parametrize("kind", ["darkhours_wound_closure", "fragment_only"])
def test_real_wounds_that_gape_are_fitted_by_curves_that_never_rise(kind: str) -> None:
    table = pd.read_csv(Path(FOLDER) / f"acropora_{kind}_measurements.csv")
    dated = table[table["time_point"].isin(DAYS) & (table["area_mm2"] > 0)]
    wounds = []
    for _, one in dated.groupby("coral_id"):
        area = one["area_mm2"].to_numpy(float)
        days = np.array([DAYS[str(point)] for point in one["time_point"]])
        margin = one["perimeter"].to_numpy(float)
        wounds.append(
            WoundSeries(days=days, area_mm2=area, own_err_mm2=0.03 * area, margin_mm=margin)
        )
    risen = [one for one in wounds if (np.diff(one.area_mm2) > 0).any()]
    assert len(risen) >= 3
    for wound, fit in zip(wounds, fit_closures(wounds, least_mm2=0.35), strict=True):
        assert (np.diff(fit.curve_mm2) <= 1e-9).all()
        fitted = np.interp(wound.days, fit.curve_days, fit.curve_mm2)
        # A gaping wound lies off any falling curve, but not by more than half of its area.
        assert (np.abs(fitted - wound.area_mm2) < 0.5 * wound.area_mm2.max()).all()
