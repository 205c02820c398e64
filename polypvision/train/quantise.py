"""A network in whole numbers: ``python -m polypvision.train.quantise READER.onnx --out FILE``.

Weights and what flows between layers become 8-bit codes, which processors multiply several times
as fast as floats (Jacob B et al. 2018, CVPR 2018, 2704-2713, from memory). How far the codes of a
layer reach is read off painted plates that the network did not learn from.
"""

import argparse
import tempfile
from collections.abc import Iterator
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
from polypvision.segment.maps import CHANNELS, STRIDE_PX, network_pixels
from polypvision.train.lessons import random_lessons
from polypvision.train.samples import lesson_view

_MAPS_REACH = (8.0, 8.0, 8.0, 8.0, 3.0, 3.0)
"""How far the codes of each map reach: log-odds beyond 8 are as good as sure, and no polyp is
wider than 2 x 3 units of its way to the middle."""
_LEAST_RANGE = 1e-3
"""Of weights that hardly differ from zero: with a finer step their bias would not fit 32 bits."""
_QUANTISED = ["Conv", "Add", "Clip", "Relu", "Resize"]


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
        yield network_pixels(rgb[:height, :width])


def _constants(graph: Any) -> dict[str, Any]:
    return {one.name: one for one in graph.initializer}


def _producer(graph: Any, name: str) -> Any:
    return next(node for node in graph.node if node.output[0] == name)


def _without_shuffle(graph: Any) -> int:
    """Take the last shuffling of channels off; each map then reaches from -1 to 1.

    Returns
    -------
    int
        How many times the shuffling enlarges.
    """
    shuffle = _producer(graph, graph.output[0].name)
    head = _producer(graph, shuffle.input[0])
    (times,) = (one.i for one in shuffle.attribute if one.name == "blocksize")
    parts = np.repeat(1 / np.array(_MAPS_REACH), times**2).astype(np.float32)
    held = _constants(graph)
    for name in head.input[1:]:
        values = numpy_helper.to_array(held[name])
        shaped = parts.reshape(-1, *[1] * (values.ndim - 1))
        held[name].CopyFrom(numpy_helper.from_array(values * shaped, name))
    graph.node.remove(shuffle)
    del graph.output[:]
    graph.output.append(
        helper.make_tensor_value_info(head.output[0], TensorProto.FLOAT, [1, len(parts), "h", "w"])
    )
    return int(times)


def _with_shuffle(graph: Any, times: int) -> None:
    """Put the shuffling back, of codes, and give each map its own reach again."""
    last = _producer(graph, graph.output[0].name)
    codes = _producer(graph, last.input[0])
    step, zero = np.float32(1 / 127), np.uint8(128)
    held = _constants(graph)
    for name, value in zip(last.input[1:3], (step, zero), strict=True):
        held[name].CopyFrom(numpy_helper.from_array(np.asarray(value), name))
    graph.node.remove(last)
    reach = np.array(_MAPS_REACH, np.float32)
    graph.initializer.extend(
        [
            numpy_helper.from_array(step * reach, "maps_step"),
            numpy_helper.from_array(np.full(len(reach), zero), "maps_zero"),
        ]
    )
    graph.node.extend(
        [
            helper.make_node(
                "DepthToSpace", codes.output[:1], ["maps_codes"], mode="CRD", blocksize=times
            ),
            helper.make_node(
                "DequantizeLinear", ["maps_codes", "maps_step", "maps_zero"], ["maps"], axis=1
            ),
        ]
    )
    del graph.output[:]
    shape = [1, len(CHANNELS), "height", "width"]
    graph.output.append(helper.make_tensor_value_info("maps", TensorProto.FLOAT, shape))


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
        plain, cut, coded = (Path(name) / f"{stage}.onnx" for stage in ("plain", "cut", "coded"))
        quant_pre_process(source, plain, skip_symbolic_shape=True)
        network = onnx.load(plain)
        times = _without_shuffle(network.graph)
        onnx.save(network, cut)
        quantize_static(
            cut,
            coded,
            _Views(seed, pictures),
            quant_format=QuantFormat.QDQ,
            op_types_to_quantize=_QUANTISED,
            per_channel=True,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            extra_options={"ActivationSymmetric": False, "MinimumRealRange": _LEAST_RANGE},
        )
        network = onnx.load(coded)
    _with_shuffle(network.graph, times)
    onnx.checker.check_model(network)
    onnx.save(network, out)


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
