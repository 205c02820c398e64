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
from onnx import TensorProto
from onnxruntime.quantization import (
    CalibrationDataReader,
    QuantFormat,
    QuantType,
    quantize_static,
)
from onnxruntime.quantization.shape_inference import quant_pre_process

from polypvision.errors import QualityError
from polypvision.segment.codes import CODE_STEP, CODE_ZERO, code_pixels
from polypvision.segment.maps import NORMAL_MEAN, NORMAL_UNIT, STRIDE_PX
from polypvision.train.graph import MAPS, PLANES, VIEW, producer, straighten, user
from polypvision.train.lessons import random_lessons
from polypvision.train.samples import lesson_view

_LEAST_RANGE = 1e-3
"""Of weights that hardly differ from zero: with a finer step their bias would not fit 32 bits."""
_QUANTISED = ["Conv", "Add", "Clip", "Relu", "Reshape", "Transpose"]


class _Views(CalibrationDataReader):  # type: ignore[misc,unused-ignore]
    """The balanced views of painted plates, one after the other."""

    def __init__(self, seed: int, pictures: int) -> None:
        self._left = islice(_painted(seed), pictures)

    def get_next(self) -> dict[str, NDArray[np.float32]] | None:
        view = next(self._left, None)
        return None if view is None else {VIEW: view}


def _painted(seed: int) -> Iterator[NDArray[np.float32]]:
    for lesson in random_lessons(seed, closeups=0):
        try:
            rgb = lesson_view(lesson, plates=True).rgb
        except QualityError:
            continue  # nobody could read it
        height, width = (side - side % STRIDE_PX for side in rgb.shape[:2])
        pixels = code_pixels(rgb[:height, :width]).astype(np.float32)
        yield (pixels - np.float32(NORMAL_MEAN)) / np.float32(NORMAL_UNIT)


def _bare(graph: Any) -> None:
    """Have codes taken and said, not what they stand for."""
    coded, meant = user(graph, PLANES), producer(graph, MAPS)
    user(graph, coded.output[0]).input[0] = PLANES
    producer(graph, meant.input[0]).output[0] = MAPS
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
        straighten(network.graph)
        onnx.save(network, ready)
        head = producer(network.graph, MAPS).input[0]
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
                    PLANES: [_codes(NORMAL_MEAN, 1 / NORMAL_UNIT)],
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
