"""A network in whole numbers: ``python -m polypvision.train.quantise READER.onnx --out FILE``.

Weights and what flows between layers become 8-bit codes, which processors multiply several times
as fast as floats (Jacob B et al. 2018, CVPR 2018, 2704-2713, from memory). How far the codes of a
layer reach is read off painted plates that the network did not learn from.
"""

import argparse
import tempfile
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper
from onnxruntime.quantization import (
    CalibrationDataReader,
    QuantFormat,
    QuantType,
    quantize_static,
)
from onnxruntime.quantization.shape_inference import quant_pre_process

from polypvision.errors import QualityError
from polypvision.segment.codes import (
    CODE_ORDER,
    CODE_REACH,
    CODE_STEP,
    CODE_ZERO,
    PIXEL_BYTES,
    TIMES,
    code_pixels,
)
from polypvision.segment.maps import NORMAL_MEAN, NORMAL_UNIT, STRIDE_PX
from polypvision.train.lessons import random_lessons
from polypvision.train.samples import lesson_view

_LEAST_RANGE = 1e-3
"""Of weights that hardly differ from zero: with a finer step their bias would not fit 32 bits."""
_QUANTISED = ["Conv", "Add", "Clip", "Relu", "Reshape", "Transpose"]
_PLANES = "view_planes"
_TO_LAST, _FROM_LAST = [0, 2, 3, 1], [0, 3, 1, 2]
"""Axes when channels come last, as ONNX Runtime has them in whole numbers, and back again."""


class _Views(CalibrationDataReader):  # type: ignore[misc,unused-ignore]
    """The balanced views of painted plates, one after the other."""

    def __init__(self, seed: int, pictures: int) -> None:
        self._left = islice(_painted(seed), pictures)

    def get_next(self) -> dict[str, NDArray[np.float32]] | None:
        view = next(self._left, None)
        return None if view is None else {"view": view}


def _painted(seed: int) -> Iterator[NDArray[np.float32]]:
    for lesson in random_lessons(seed, closeups=0):
        try:
            rgb = lesson_view(lesson, plates=True).rgb
        except QualityError:
            continue  # nobody could read it
        height, width = (side - side % STRIDE_PX for side in rgb.shape[:2])
        pixels = code_pixels(rgb[:height, :width]).astype(np.float32)
        yield (pixels - np.float32(NORMAL_MEAN)) / np.float32(NORMAL_UNIT)


def _producer(graph: Any, name: str) -> Any:
    return next(node for node in graph.node if name in node.output)


def _user(graph: Any, name: str) -> Any:
    return next(node for node in graph.node if name in node.input)


def _constant(graph: Any, name: str) -> Any:
    return next(one for one in graph.initializer if one.name == name)


def _change(graph: Any, name: str, change: Callable[[NDArray[Any]], NDArray[Any]]) -> None:
    """Change a constant of a graph."""
    held = _constant(graph, name)
    values = np.ascontiguousarray(change(numpy_helper.to_array(held)))
    held.CopyFrom(numpy_helper.from_array(values, name))


def _instead(graph: Any, old: Any, new: Sequence[Any]) -> None:
    """Put other nodes in the place of one."""
    place = list(graph.node).index(old)
    graph.node.remove(old)
    for node in reversed(new):
        graph.node.insert(place, node)


def _with_pixels(graph: Any) -> None:
    """Have pixels taken as `code_pixels` returns them; the fourth channel counts nothing."""
    (view,) = graph.input
    stem = _user(graph, view.name)
    spare = PIXEL_BYTES - view.type.tensor_type.shape.dim[1].dim_value
    _change(
        graph, stem.input[1], lambda values: np.pad(values, [(0, 0), (0, spare), (0, 0), (0, 0)])
    )
    stem.input[0] = _PLANES
    _instead(graph, stem, [_turned("view", _PLANES, _FROM_LAST), stem])
    shape = [1, "height", "width", PIXEL_BYTES]
    view.CopyFrom(helper.make_tensor_value_info("view", TensorProto.FLOAT, shape))


def _turned(taken: str, made: str, axes: list[int]) -> Any:
    return helper.make_node("Transpose", [taken], [made], perm=axes)


def _without_shuffle(graph: Any) -> None:
    """Have the maps said as `code_planes` takes them, each from -1 to 1."""
    shuffle = _producer(graph, graph.output[0].name)
    head = _producer(graph, shuffle.input[0])
    parts = np.repeat(1 / np.array(CODE_REACH), TIMES**2).astype(np.float32)
    for name in head.input[1:]:
        _change(graph, name, lambda values: (values.T * parts).T[CODE_ORDER])
    _instead(graph, shuffle, [_turned(head.output[0], "maps", _TO_LAST)])
    shape = [1, "half_height", "half_width", len(parts)]
    graph.output[0].CopyFrom(helper.make_tensor_value_info("maps", TensorProto.FLOAT, shape))


def _without_resize(graph: Any) -> None:
    """Have what is enlarged and then added to something added to each of its 2 x 2 pixels.

    Channels last, a convolution that says everything twice has made two pixels of one; and a row
    is added to two.
    """
    for resize in [node for node in graph.node if node.op_type == "Resize"]:
        name = resize.output[0]
        add = _user(graph, name)
        (beside,) = (one for one in add.input if one != name)
        convolution = _producer(graph, _producer(graph, resize.input[0]).input[0])
        channels = _constant(graph, convolution.input[1]).dims[0]
        for constant in convolution.input[1:]:
            _change(graph, constant, lambda values: np.concatenate([values] * TIMES))
        shapes = {
            "row_of": [0, 0, -1, channels],
            "rows_of": [-1, 1, 0, channels],
            "pairs_of": [-1, TIMES, 0, channels],
            "whole_of": [1, -1, 0, channels],
        }
        graph.initializer.extend(
            numpy_helper.from_array(np.array(values, np.int64), name + part)
            for part, values in shapes.items()
        )

        def step(kind: str, *parts: str, name: str = name) -> Any:
            *taken, made = (name + part for part in parts)
            return helper.make_node(kind, taken, [made])

        _instead(
            graph,
            add,
            [
                _turned(resize.input[0], name + "last", _TO_LAST),
                step("Reshape", "last", "row_of", "row"),
                step("Reshape", "row", "rows_of", "rows"),
                _turned(beside, name + "beside", _TO_LAST),
                step("Reshape", "beside", "pairs_of", "pairs"),
                step("Add", "pairs", "rows", "sums"),
                step("Reshape", "sums", "whole_of", "whole"),
                _turned(name + "whole", add.output[0], _FROM_LAST),
            ],
        )
        graph.node.remove(resize)


def _bare(graph: Any) -> None:
    """Have codes taken and said, not what they stand for."""
    coded, meant = _user(graph, _PLANES), _producer(graph, "maps")
    _user(graph, coded.output[0]).input[0] = _PLANES
    _producer(graph, meant.input[0]).output[0] = "maps"
    graph.node.remove(coded)
    graph.node.remove(meant)
    for one in (*graph.input, *graph.output):
        one.type.tensor_type.elem_type = TensorProto.UINT8
    del graph.value_info[:]  # of types that were


def quantise(source: Path, out: Path, *, seed: int, pictures: int) -> None:
    """Write a network in whole numbers.

    Parameters
    ----------
    source, out : Path
        As `polypvision.train.fit.export` writes it, and where the other goes.
    seed : int
        Of the painted plates.
    pictures : int
        How many of them.
    """
    with tempfile.TemporaryDirectory() as name:
        plain, ready, coded = (Path(name) / f"{one}.onnx" for one in ("plain", "ready", "coded"))
        quant_pre_process(source, plain, skip_symbolic_shape=True)
        network = onnx.load(plain)
        _with_pixels(network.graph)
        _without_shuffle(network.graph)
        _without_resize(network.graph)
        del network.graph.value_info[:]
        onnx.save(network, ready)
        head = _producer(network.graph, "maps").input[0]
        quantize_static(
            ready,
            coded,
            _Views(seed, pictures),
            quant_format=QuantFormat.QDQ,
            op_types_to_quantize=_QUANTISED,
            per_channel=True,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            extra_options={
                "ActivationSymmetric": False,
                "MinimumRealRange": _LEAST_RANGE,
                "TensorQuantOverrides": {
                    _PLANES: [_codes(NORMAL_MEAN, 1 / NORMAL_UNIT)],
                    head: [_codes(int(CODE_ZERO), float(CODE_STEP))],
                },
            },
        )
        network = onnx.load(coded)
    _bare(network.graph)
    onnx.checker.check_model(network, full_check=True)
    onnx.save(network, out)


def _codes(zero: float, step: float) -> dict[str, Any]:
    """Return which codes a tensor has, whatever it was seen to hold."""
    return {"scale": np.array(step, np.float32), "zero_point": np.array(zero, np.uint8)}


def main() -> None:
    """Read the command line and write the network."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("source", type=Path, help="network (.onnx) in floats")
    parser.add_argument("--seed", type=int, default=9001)
    parser.add_argument("--pictures", type=int, default=32)
    parser.add_argument("--out", type=Path, default=Path("plate.onnx"))
    args = parser.parse_args()
    quantise(args.source, args.out, seed=args.seed, pictures=args.pictures)


if __name__ == "__main__":
    main()
