"""A network's graph made ready for whole numbers says what it said before."""

from typing import Any

import numpy as np
import pytest
from onnxruntime import InferenceSession

from polypvision.segment.codes import CODE_REACH, code_pixels, code_planes
from polypvision.segment.maps import NORMAL_MEAN, NORMAL_UNIT, network_pixels

onnx = pytest.importorskip("onnx", reason="needs the package onnx")
from onnx import TensorProto, helper, numpy_helper  # noqa: E402

from polypvision.train.graph import straighten  # noqa: E402


def _small_network() -> Any:
    """A network of the reader's kind: one halving more, and the way back."""
    rng = np.random.default_rng(5)
    constants: list[Any] = []

    def convolution(taken: str, made: str, inner: int, outer: int, **more: Any) -> Any:
        size = more["kernel_shape"][0]
        shapes = {f"{made}_w": (outer, inner, size, size), f"{made}_b": (outer,)}
        for name, shape in shapes.items():
            values = rng.normal(0, 0.5, shape).astype(np.float32)
            constants.append(numpy_helper.from_array(values, name))
        return helper.make_node("Conv", [taken, *shapes], [made], **more)

    around = {"kernel_shape": [3, 3], "pads": [1, 1, 1, 1]}
    constants.append(numpy_helper.from_array(np.array([1, 1, 2, 2], np.float32), "twice"))
    nodes = [
        convolution("view", "half", 3, 8, strides=[2, 2], **around),
        convolution("half", "quarter", 8, 6, strides=[2, 2], **around),
        convolution("quarter", "narrow", 6, 4, kernel_shape=[1, 1]),
        helper.make_node("Relu", ["narrow"], ["up"]),
        helper.make_node(
            "Resize",
            ["up", "", "twice"],
            ["wide"],
            mode="nearest",
            nearest_mode="floor",
            coordinate_transformation_mode="asymmetric",
        ),
        convolution("half", "side", 8, 4, kernel_shape=[1, 1]),
        helper.make_node("Add", ["side", "wide"], ["sum"]),
        convolution("sum", "head", 4, 24, **around),
        helper.make_node("DepthToSpace", ["head"], ["maps"], mode="CRD", blocksize=2),
    ]
    view, maps = (
        helper.make_tensor_value_info(name, TensorProto.FLOAT, [1, channels, "h", "w"])
        for name, channels in (("view", 3), ("maps", 6))
    )
    graph = helper.make_graph(nodes, "small", [view], [maps], constants)
    opset = helper.make_opsetid("", 17)
    return helper.make_model(graph, opset_imports=[opset], ir_version=8)


def test_a_network_says_the_same_as_before() -> None:
    network = _small_network()
    rgb = np.random.default_rng(6).integers(0, 256, (12, 20, 3), np.uint8)
    before = InferenceSession(network.SerializeToString(), providers=["CPUExecutionProvider"])
    (expected,) = before.run(None, {"view": network_pixels(rgb)})

    straighten(network.graph)
    onnx.checker.check_model(network, full_check=True)
    assert not {"Resize", "DepthToSpace"} & {node.op_type for node in network.graph.node}
    after = InferenceSession(network.SerializeToString(), providers=["CPUExecutionProvider"])
    pixels = (code_pixels(rgb).astype(np.float32) - NORMAL_MEAN) / NORMAL_UNIT
    (said,) = after.run(None, {"view": pixels.astype(np.float32)})
    # The numbers of each channel are found by where the shuffle brings their positions.
    places = np.stack([np.full((6, 10), n, np.uint8) for n in range(24)], -1)
    origin = code_planes(places)
    rows, columns = np.mgrid[:12, :20] // 2
    found = np.stack(
        [
            said[0][rows, columns, origin[channel]] * reach
            for channel, reach in enumerate(CODE_REACH)
        ]
    )
    np.testing.assert_allclose(found, expected[0], rtol=1e-5, atol=1e-4)
