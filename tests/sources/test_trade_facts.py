"""Facts of the trade. Common practice, no source, unless one is named.

They hold the invented season and the words of the logbook to what keepers would recognise.
"""

from datetime import date
from pathlib import Path

import pandas as pd

from polypvision.events import CUT_METHODS
from polypvision.files.log_table import read_log_table

SAMPLES = Path(__file__).parents[2] / "sample_images"


def _events() -> pd.DataFrame:
    return pd.read_csv(SAMPLES / "truth" / "events.csv", dtype=str).fillna("")


def _day(kind: str, individual: str) -> date:
    events = _events()
    row = events[(events["kind"] == kind) & (events["individual"] == individual)].iloc[0]
    return date.fromisoformat(str(row["date"]))


def test_a_cut_goes_through_the_mouth_into_halves_or_at_most_quarters() -> None:
    # Common practice, no source.
    assert set(CUT_METHODS) == {"halves", "quarters", "margin"}
    through = {method for method, words in CUT_METHODS.items() if "through the mouth" in words}
    assert through == {"halves", "quarters"}
    pieces = {"halves": 2, "quarters": 4}
    cuts = [entry for entry in read_log_table(SAMPLES / "log.csv") if entry.kind == "cut"]
    for cut in cuts:
        if cut.method in pieces:
            # A plate need not carry all pieces of one cut.
            assert cut.pieces is not None
            assert cut.pieces <= pieces[cut.method]


def test_the_dip_is_about_a_minute() -> None:
    # Common practice, no source.
    dips = [entry.dip for entry in read_log_table(SAMPLES / "log.csv") if entry.kind == "cut"]
    assert all("1 minute" in dip for dip in dips)


def test_a_foot_margin_piece_is_on_its_own_in_about_a_fortnight() -> None:
    # Common practice, no source.
    for piece in ("m1", "m2", "m3", "m4", "m5"):
        days = (_day("closed", piece) - date(2024, 3, 4)).days
        assert 7 <= days <= 21


def test_two_mouths_show_for_a_few_weeks_of_a_fission_of_about_two_months() -> None:
    # Chen CLA et al. 1995, Zoological Studies 34(1):29-40, by way of an aquarium handbook:
    # two-mouth fission takes about two months in all, two mouths are visible "a few weeks".
    days = (_day("divided", "g1") - _day("two-mouths", "g1")).days
    assert 14 <= days <= 62


def test_cuts_close_within_days_to_weeks() -> None:
    # Common practice, no source: one to three weeks; no closure times of cut mushroom polyps
    # are published.
    log = read_log_table(SAMPLES / "log.csv")
    first_cut = {e.plate: e.at.date() for e in reversed(log) if e.kind == "cut"}
    closed = _events()
    closed = closed[closed["kind"] == "closed"]
    for plate, day in zip(closed["plate"], closed["date"], strict=True):
        assert 7 <= (date.fromisoformat(str(day)) - first_cut[str(plate)]).days <= 28
