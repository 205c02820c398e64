"""A network's graph as a network in whole numbers needs it: the same answers, cheaper to run.

ONNX Runtime keeps channels last in whole numbers. What turns them to and fro here lets it see that
they can stay so.
"""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper

from polypvision.segment.codes import CODE_ORDER, CODE_REACH, PIXEL_BYTES, TIMES

VIEW, PLANES, MAPS = "view", "view_planes", "maps"
"""What is taken, the same channel by channel, and what is said."""
_TO_LAST, _FROM_LAST = [0, 2, 3, 1], [0, 3, 1, 2]


def straighten(graph: Any) -> None:
    """Have pixels taken and maps said as whole numbers are, and nothing copied on the way.

    Parameters
    ----------
    graph : GraphProto
        Of a network in floats that takes ``view`` (1, 3, H, W) and says ``maps`` (1, 6, H, W),
        as `polypvision.train.fit.export` writes it. Changed: it takes (1, H, W, 4) and says
        (1, H / 2, W / 2, 24), each map from -1 to 1.
    """
    _take_pixels(graph)
    _say_unshuffled(graph)
    _add_unenlarged(graph)
    del graph.value_info[:]  # of shapes that were


def user(graph: Any, name: str) -> Any:
    """Return the first node that takes something."""
    return next(node for node in graph.node if name in node.input)


def producer(graph: Any, name: str) -> Any:
    """Return the node that makes something."""
    return next(node for node in graph.node if name in node.output)


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


def _take_pixels(graph: Any) -> None:
    """Have pixels taken as `code_pixels` returns them; the fourth channel counts nothing."""
    (view,) = graph.input
    stem = user(graph, view.name)
    spare = PIXEL_BYTES - view.type.tensor_type.shape.dim[1].dim_value
    _change(
        graph, stem.input[1], lambda values: np.pad(values, [(0, 0), (0, spare), (0, 0), (0, 0)])
    )
    stem.input[0] = PLANES
    _instead(graph, stem, [_turned(VIEW, PLANES, _FROM_LAST), stem])
    shape = [1, "height", "width", PIXEL_BYTES]
    view.CopyFrom(helper.make_tensor_value_info(VIEW, TensorProto.FLOAT, shape))


def _turned(taken: str, made: str, axes: list[int]) -> Any:
    return helper.make_node("Transpose", [taken], [made], perm=axes)


def _say_unshuffled(graph: Any) -> None:
    """Have the maps said as `code_planes` takes them, each from -1 to 1."""
    shuffle = producer(graph, graph.output[0].name)
    head = producer(graph, shuffle.input[0])
    parts = np.repeat(1 / np.array(CODE_REACH), TIMES**2).astype(np.float32)
    for name in head.input[1:]:
        _change(graph, name, lambda values: (values.T * parts).T[CODE_ORDER])
    _instead(graph, shuffle, [_turned(head.output[0], MAPS, _TO_LAST)])
    shape = [1, "half_height", "half_width", len(parts)]
    graph.output[0].CopyFrom(helper.make_tensor_value_info(MAPS, TensorProto.FLOAT, shape))


def _add_unenlarged(graph: Any) -> None:
    """Have what is enlarged before it is added to something added as it is, to 2 x 2 pixels each.

    Channels last, a convolution that says everything twice has made two pixels of one; and each
    row is added to two.
    """
    for resize in [node for node in graph.node if node.op_type == "Resize"]:
        name = resize.output[0]
        add = user(graph, name)
        (beside,) = (one for one in add.input if one != name)
        convolution = producer(graph, producer(graph, resize.input[0]).input[0])
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
            numpy_helper.from_array(np.array(values, np.int64), f"{name}/{part}")
            for part, values in shapes.items()
        )

        def step(kind: str, *parts: str, name: str = name) -> Any:
            *taken, made = (f"{name}/{part}" for part in parts)
            return helper.make_node(kind, taken, [made])

        _instead(
            graph,
            add,
            [
                _turned(resize.input[0], f"{name}/last", _TO_LAST),
                step("Reshape", "last", "row_of", "row"),
                step("Reshape", "row", "rows_of", "rows"),
                _turned(beside, f"{name}/beside", _TO_LAST),
                step("Reshape", "beside", "pairs_of", "pairs"),
                step("Add", "pairs", "rows", "sums"),
                step("Reshape", "sums", "whole_of", "whole"),
                _turned(f"{name}/whole", add.output[0], _FROM_LAST),
            ],
        )
        graph.node.remove(resize)
