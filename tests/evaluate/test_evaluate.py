"""Scores against worked examples, exact geometry, and things that must not change a score."""

import json
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from polypvision import evaluate
from polypvision.errors import TableError
from polypvision.evaluate.comparisons import cohen_kappa
from polypvision.evaluate.overlap import match
from polypvision.evaluate.scores import Detection, errors
from polypvision.evaluate.truth import ellipse
from polypvision.measure.overlap import iou_matrix

Points = NDArray[np.float64]


def disc(x: float, y: float, radius: float) -> Points:
    angle = np.arange(3600) * (2 * np.pi / 3600)
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def box(x: float, y: float, width: float, height: float) -> Points:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def iou(one: Points, other: Points) -> float:
    return float(iou_matrix([one], [other])[0, 0])


def polyp(
    outline: Points, label: int = 1, *, mouths: list[tuple[float, float]] | None = None, **more: Any
) -> dict[str, Any]:
    places = [] if mouths is None else mouths
    return {
        "label": label,
        "outline_px": outline.tolist(),
        "diameter_mm": 10.0,
        "diameter_mm_err": 0.1,
        "n_mouths": len(places),
        "mouths": [{"x_px": x, "y_px": y, "score": 1.0} for x, y in places],
        "two_mouths_probability": float(len(places) >= 2),
        "wound_mm2": 0.0,
        "wound_mm2_err": None,
        **more,
    }


def photo(*polyps: dict[str, Any], name: str = "a/plate.jpg", **more: Any) -> dict[str, Any]:
    return {
        "photo": name,
        "error": None,
        "scale": {"mm_per_px": 0.1},
        "polyps": list(polyps),
        **more,
    }


class TestOverlap:
    def test_two_equal_discs_half_a_radius_apart(self) -> None:
        # Exact: lens area 2 r^2 acos(d/2r) - (d/2) sqrt(4 r^2 - d^2) over 2 pi r^2 less the lens.
        assert iou(disc(0, 0, 40), disc(20, 0, 40)) == pytest.approx(0.520956, abs=2e-6)

    def test_half_is_reached_at_the_exact_offset(self) -> None:
        # IoU = 0.5 at d = 0.529864 r, by solving the lens formula.
        assert iou(disc(0, 0, 1), disc(0.529864, 0, 1)) == pytest.approx(0.5, abs=2e-6)

    def test_boxes(self) -> None:
        # By counting squares: 50 of 150, and 25 of 175.
        assert iou(box(0, 0, 10, 10), box(5, 0, 10, 10)) == pytest.approx(1 / 3, abs=1e-12)
        assert iou(box(0, 0, 10, 10), box(5, 5, 10, 10)) == pytest.approx(1 / 7, abs=1e-12)

    def test_concentric_discs(self) -> None:
        assert iou(disc(0, 0, 0.9), disc(0, 0, 1)) == pytest.approx(0.81, abs=1e-9)

    def test_apart_touching_empty_and_crossed_outlines(self) -> None:
        square = box(0, 0, 10, 10)
        assert iou(square, box(20, 0, 10, 10)) == 0
        assert iou(square, box(10, 0, 10, 10)) == 0
        assert iou(square, np.zeros((2, 2))) == 0
        # A bow tie of two triangles, 25 each, both inside the square of 100.
        bow = np.array([[0.0, 0.0], [10.0, 10.0], [10.0, 0.0], [0.0, 10.0]])
        assert iou(square, bow) == pytest.approx(0.5)

    @given(
        st.floats(0, 2 * np.pi),
        st.floats(0.1, 50),
        st.floats(-500, 500),
        st.floats(-500, 500),
    )
    def test_turning_scaling_and_moving_the_photo_change_nothing(
        self, angle: float, scale: float, x: float, y: float
    ) -> None:
        turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        one, other = ellipse(0, 0, 30, 20), ellipse(4, 3, 25, 28)
        moved = iou(one @ turn.T + [x, y], other @ turn.T + [x, y])
        assert moved == pytest.approx(iou(one, other), abs=1e-9)

    def test_most_pairs_come_first_then_overlap(self) -> None:
        # The greedy choice takes 0.9 and leaves the second without a partner.
        greedy_trap = np.array([[0.9, 0.6], [0.6, 0.0]])
        assert match(greedy_trap) == [(0, 1), (1, 0)]
        assert match(np.array([[0.6, 0.9], [0.9, 0.6]])) == [(0, 1), (1, 0)]

    def test_exactly_half_is_no_match(self) -> None:
        assert match(np.array([[0.5]])) == []
        assert match(np.zeros((0, 3))) == []


class TestFormulas:
    def test_precision_recall_f1(self) -> None:
        d = Detection(tp=8, fp=2, fn=3)
        assert d.precision == pytest.approx(0.8)
        assert d.recall == pytest.approx(0.727273, abs=5e-7)
        assert d.f1 == pytest.approx(0.761905, abs=5e-7)

    def test_panoptic_quality(self) -> None:
        # Kirillov et al. 2019, CVPR: PQ = SQ x RQ, with IoUs .90 .80 .75 .60, 1 FP, 2 FN.
        d = Detection(tp=4, fp=1, fn=2, iou_sum=0.90 + 0.80 + 0.75 + 0.60)
        assert d.segmentation_quality == pytest.approx(0.7625)
        assert d.f1 == pytest.approx(0.727273, abs=5e-7)
        assert d.panoptic_quality == pytest.approx(0.554545, abs=5e-7)

    def test_counts(self) -> None:
        # Worked by hand: differences -1 0 2 0 -2.
        e = errors([11, 8, 17, 10, 18], [12, 8, 15, 10, 20])
        assert (e.mae, e.worst, e.n) == (1.0, 2.0, 5)
        assert e.bias == pytest.approx(-0.2)
        assert e.rmse == pytest.approx(1.341641, abs=5e-7)

    def test_kappa(self) -> None:
        # By hand: po .70, pe .50; and Cohen J 1960, Educ Psychol Meas 20:37-46 (from memory).
        assert cohen_kappa(np.array([[20, 5], [10, 15]])) == pytest.approx(0.4)
        paper = np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]])
        assert cohen_kappa(paper) == pytest.approx(0.4915254, abs=5e-8)

    def test_nothing_to_count_is_unknown_not_perfect(self) -> None:
        assert np.isnan([Detection().precision, Detection().f1, Detection().panoptic_quality]).all()
        assert np.isnan([errors([], []).bias, errors([np.nan], [1.0]).rmse]).all()
        assert np.isnan(cohen_kappa(np.zeros((4, 4), dtype=np.int64)))


class TestPhoto:
    def test_truth_scored_against_itself_is_perfect(self) -> None:
        truth = [
            photo(
                polyp(disc(50, 50, 40), 1, mouths=[(50, 50)], wound_mm2=3.0),
                polyp(disc(200, 50, 40), 2, mouths=[(185, 50), (215, 50)]),
                polyp(box(50, 200, 60, 30), 3),
            )
        ]
        scores = evaluate.score(truth, truth)
        assert scores.polyps.f1 == scores.mouths.f1 == scores.two_mouths.f1 == 1
        assert scores.polyps.panoptic_quality == pytest.approx(1)
        assert scores.diameters_mm.worst == scores.wounds_mm2.worst == scores.counts.mae == 0
        assert scores.counts_exact == 1
        assert scores.mouth_confusion.tolist() == np.diag([1, 1, 1, 0]).tolist()

    def test_every_kind_of_mistake_is_counted_once(self) -> None:
        truth = [
            photo(
                polyp(disc(50, 50, 40), 1, mouths=[(50, 50)]),
                polyp(disc(200, 50, 40), 2, mouths=[(185, 50), (215, 50)]),
                polyp(disc(350, 50, 40), 3, mouths=[(350, 50)]),
            )
        ]
        reading = photo(
            # Right, 5 percent too large, its mouth too far off (0.15 diameters are 12 px).
            polyp(disc(50, 50, 42), 1, mouths=[(50, 70)], diameter_mm=10.5),
            # Right, one mouth of two seen.
            polyp(disc(200, 50, 40), 2, mouths=[(186, 50)]),
            # Nothing there, said to have two mouths.
            polyp(disc(500, 50, 40), 3, mouths=[(495, 50), (505, 50)]),
        )
        scores = evaluate.score([reading], truth)
        d = scores.polyps
        assert (d.tp, d.fp, d.fn) == (2, 1, 1)
        assert d.iou_sum == pytest.approx((40 / 42) ** 2 + 1, abs=1e-9)
        assert (scores.mouths.tp, scores.mouths.fp, scores.mouths.fn) == (1, 3, 3)
        assert (scores.two_mouths.tp, scores.two_mouths.fp, scores.two_mouths.fn) == (0, 1, 1)
        assert scores.diameters_percent.bias == pytest.approx(2.5)
        assert scores.photos[0].count_error == 0
        assert scores.mouth_confusion[1, 1] == scores.mouth_confusion[2, 1] == 1
        assert scores.mouth_distance_median == pytest.approx(1 / 80)

    @pytest.mark.parametrize("said", [{"partial": True}, {"flags": ["touches-edge"]}])
    def test_partial_polyps_are_neither_right_nor_wrong(self, said: dict[str, Any]) -> None:
        whole, cut = polyp(disc(50, 50, 40), 1), polyp(disc(200, 50, 40), 2, **said)
        truth = [photo(whole, cut)]
        for reading in (photo(whole), photo(whole, polyp(disc(205, 50, 38), 2))):
            scores = evaluate.score([reading], truth)
            assert (scores.polyps.tp, scores.polyps.fp, scores.polyps.fn) == (1, 0, 0)
            assert scores.counts.mae == 0
        assert scores.photos[0].n_ignored == 1

    def test_a_refused_photo_misses_everything(self) -> None:
        truth = [photo(polyp(disc(50, 50, 40), 1, mouths=[(45, 50), (55, 50)]))]
        reading = photo(error={"kind": "no-card", "message": "..."}, scale=None)
        scores = evaluate.score([reading], truth)
        assert (scores.polyps.fn, scores.mouths.fn, scores.two_mouths.fn) == (1, 2, 1)
        assert scores.photos[0].refused == "no-card"
        assert scores.counts.bias == -1

    def test_no_polyps_anywhere(self) -> None:
        scores = evaluate.score([photo()], [photo()])
        assert scores.polyps == Detection()
        assert scores.counts_exact == 1
        assert np.isnan(scores.polyps.f1)

    def test_labels_and_order_do_not_matter(self) -> None:
        polyps = [polyp(disc(100 * k, 50, 40), k, mouths=[(100 * k, 50)]) for k in range(1, 6)]
        one = evaluate.score([photo(*polyps[1:])], [photo(*polyps)])
        other = evaluate.score([photo(*polyps[:0:-1])], [photo(*polyps[::-1])])
        assert one.polyps.tp == other.polyps.tp == 4
        assert one.polyps.iou_sum == pytest.approx(other.polyps.iou_sum)


class TestEllipseAnnotations:
    ENTRY: ClassVar[dict[str, Any]] = {
        "file": "images/a.jpg",
        "polyps": [
            {"x": 100, "y": 80, "w": 60, "h": 40, "mouths": 1, "mouth_xy": [[100, 80]]},
            {"x": 300, "y": 80, "w": 50, "h": 50, "mouths": 2, "mouth_xy": [[290, 80]]},
        ],
        "partial_or_closed_polyps": [{"x": 10, "y": 10}],
        "distractors": [{"x": 500, "y": 80, "w": 40, "h": 40, "kind": "bubble"}],
        "n_polyps_range": [2, 3],
    }

    def reading(self, *outlines: Points) -> dict[str, Any]:
        polyps = [polyp(outline, k, diameter_mm=5.0) for k, outline in enumerate(outlines, 1)]
        return photo(*polyps, name="somewhere/images/a.jpg")

    def test_sizes_are_put_on_the_reading_s_scale(self) -> None:
        found = self.reading(ellipse(100, 80, 60, 40), ellipse(300, 80, 50, 50))
        scores = evaluate.score([found], [self.ENTRY])
        assert scores.polyps.f1 == 1
        # sqrt(60 x 40) px at 0.1 mm/px, and 50 px.
        true = [pair.diameter_true_mm for pair in scores.pairs]
        assert true == pytest.approx([4.898979, 5.0], abs=1e-6)
        assert scores.wounds_mm2.n == 0

    def test_ellipse_has_its_area(self) -> None:
        from shapely import Polygon

        # pi/4 w h; 180 corners fall short by (2 pi/180)^2 / 6.
        area = Polygon(ellipse(5, 6, 60, 40)).area
        assert area == pytest.approx(np.pi / 4 * 2400, rel=2.1e-4)

    def test_partial_points_and_distractors(self) -> None:
        found = self.reading(
            ellipse(100, 80, 60, 40),
            ellipse(300, 80, 50, 50),
            ellipse(12, 9, 30, 30),
            ellipse(500, 80, 40, 40),
        )
        one = evaluate.score([found], [self.ENTRY]).photos[0]
        assert (one.polyps.fp, one.n_ignored, one.distractors_taken) == (1, 1, 1)
        assert one.within_range is False
        assert evaluate.score([self.reading()], [self.ENTRY]).photos[0].within_range is False

    def test_a_mouth_whose_place_is_unknown_makes_none_wrong(self) -> None:
        second = polyp(ellipse(300, 80, 50, 50), 1, mouths=[(291, 80), (310, 80)])
        scores = evaluate.score([photo(second, name="a.jpg")], [self.ENTRY])
        # One in place, one allowed for; the first polyp's mouth is missed.
        assert (scores.mouths.tp, scores.mouths.fp, scores.mouths.fn) == (1, 0, 1)


class TestNames:
    def test_folders_tell_photos_of_one_name_apart(self) -> None:
        one, two = polyp(disc(50, 50, 40)), polyp(disc(500, 500, 40))
        truth = [photo(one, name="p1/day1.jpg"), photo(two, name="p2/day1.jpg")]
        readings = [photo(two, name="x/p2/day1.jpg"), photo(one, name="x/p1/day1.jpg")]
        assert evaluate.score(readings, truth).polyps.f1 == 1
        half = evaluate.score(readings[:1], truth)
        assert half.unread == ("p1/day1.jpg",)
        assert half.polyps.f1 == 1

    def test_names_that_cannot_be_told_apart(self) -> None:
        twice = [photo(name="p1/day1.jpg"), photo(name="p2/day1.jpg")]
        with pytest.raises(TableError, match=r"2 readings could be of day1\.jpg"):
            evaluate.score(twice, [photo(name="day1.jpg")])
        with pytest.raises(TableError, match=r"Two entries of the truth fit day1\.jpg"):
            evaluate.score([photo(name="day1.jpg")], twice)

    def test_what_was_not_scored_is_said(self) -> None:
        scores = evaluate.score([photo(name="a.jpg"), photo(name="b.jpg")], [photo(name="a.jpg")])
        assert scores.untrue == ("b.jpg",)
        assert "no truth: b.jpg" in evaluate.text(scores)

    @pytest.mark.parametrize(
        ("truth", "words"),
        [
            ([{"polyps": []}], "Entry 1 of the truth cannot be used: no 'photo'"),
            ([{"file": "a", "polyps": [{"x": 1}]}], "no 'y'"),
            ({"photo": "a"}, "not a list"),
            ([3], "Entry 1"),
        ],
    )
    def test_a_truth_that_is_none(self, truth: Any, words: str) -> None:
        with pytest.raises(TableError, match=words):
            evaluate.score([], truth)


class TestTables:
    def test_table_text_and_json_say_the_same(self) -> None:
        truth = [photo(polyp(disc(50, 50, 40)), polyp(disc(200, 50, 40), 2))]
        scores = evaluate.score([photo(polyp(disc(50, 50, 40)))], truth)
        frame = evaluate.table(scores)
        assert frame["photo"].tolist() == ["a/plate.jpg", "all"]
        assert frame["recall"].tolist() == [0.5, 0.5]
        plain = evaluate.to_json(scores)
        assert json.loads(json.dumps(plain, allow_nan=False)) == plain
        assert plain["all"]["polyps"]["recall"] == 0.5
        assert "recall 0.500" in evaluate.text(scores)

    def test_subset(self) -> None:
        truth = [photo(name="a.jpg"), photo(polyp(disc(50, 50, 40)), name="b.jpg")]
        scores = evaluate.score(truth, truth)
        assert scores.subset(["b.jpg"]).polyps.tp == 1
        assert scores.subset(["a.jpg"]).polyps.tp == 0
