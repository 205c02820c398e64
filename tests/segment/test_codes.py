"""What a network in whole numbers takes and says, against ONNX's own definitions."""

from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest
from map_makers import blank_view
from numpy.typing import NDArray
from onnxruntime import GraphOptimizationLevel, InferenceSession, SessionOptions
from scipy.special import expit

from polypvision.segment import maps
from polypvision.segment.codes import (
    CODE_ORDER,
    CODE_REACH,
    code_pixels,
    code_planes,
    code_values,
)
from polypvision.segment.maps import PLATE_READER, levels_of, read_maps


def test_planes_are_what_onnx_calls_depth_to_space() -> None:
    # ONNX, operator DepthToSpace, mode CRD (column, row, depth), from memory: its own numpy code.
    b, c, h, w, blocksize = 1, 24, 5, 7, 2
    x = np.random.default_rng(1).integers(0, 256, (b, c, h, w), np.uint8)
    tmp = np.reshape(x, [b, c // (blocksize**2), blocksize, blocksize, h, w])
    tmp = np.transpose(tmp, [0, 1, 4, 2, 5, 3])
    y = np.reshape(tmp, [b, c // (blocksize**2), h * blocksize, w * blocksize])
    said = np.ascontiguousarray(x[0, CODE_ORDER].transpose(1, 2, 0))
    np.testing.assert_array_equal(code_planes(said), y[0])


@pytest.mark.parametrize("channel", range(6))
def test_values_are_what_onnx_calls_dequantized(channel: int) -> None:
    # ONNX, operator DequantizeLinear, from memory: y = (x - x_zero_point) * x_scale.
    expected = (np.arange(256.0) - 128) * CODE_REACH[channel] / 127
    values = code_values(channel)
    assert values.dtype == np.float32
    np.testing.assert_allclose(values, expected, rtol=1e-6, atol=0)


def _codes(shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Codes of six maps of a view; all 256 of each are among them."""
    return np.stack(
        [np.resize(np.roll(np.arange(256, dtype=np.uint8), 40 * n), shape) for n in range(6)]
    )


def test_what_codes_mean_is_what_the_numbers_mean_that_they_stand_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    view = blank_view(8, 8)
    valid = view.valid.copy()
    valid[:, :9] = False
    view = replace(view, valid=valid, scale=replace(view.scale, source="card"))
    levels = replace(levels_of(PLATE_READER), even=(0.3, 0.5, 0.9))
    codes = _codes((64, 64))
    monkeypatch.setattr(maps, "_run", lambda rgb, reader: codes)
    found = read_maps(view, levels=levels)

    height, width = view.valid.shape
    numbers = [code_values(channel)[codes[channel, :height, :width]] for channel in range(6)]
    names = ("tissue", "wound", "mouth", "centre")
    for name, number, even in zip(names, numbers, (0.3, 0.5, 0.9, 0.5), strict=False):
        # scipy.special.expit, moved so that the even level becomes one half.
        expected = expit(number.astype(np.float64) - np.log(even / (1 - even))) * valid
        np.testing.assert_allclose(getattr(found, name), expected, atol=2e-7)
    # The way's unit is 10 mm, of 6 pixels each.
    np.testing.assert_allclose(found.to_centre_px, 60 * np.stack(numbers[4:], -1), rtol=1e-6)


def test_pixels_are_taken_as_they_are_and_the_fourth_byte_has_no_meaning() -> None:
    rng = np.random.default_rng(3)
    rgb = rng.integers(0, 256, (64, 96, 3), np.uint8)
    pixels = code_pixels(rgb)
    assert pixels.shape == (1, 64, 96, 4)
    np.testing.assert_array_equal(pixels[0, ..., :3], rgb)
    network = maps._network(PLATE_READER)
    others = pixels.copy()
    others[..., 3] = rng.integers(0, 256, others.shape[:3])
    (one,), (other,) = (network.run(None, {"view": taken}) for taken in (pixels, others))
    assert one.dtype == np.uint8
    assert one.shape == (1, 32, 48, 24)
    np.testing.assert_array_equal(one, other)


def test_the_network_says_what_its_steps_say_each_worked_out_as_onnx_defines_them() -> None:
    # ONNX Runtime without its optimisations: codes become floats before each step and codes again
    # after it. Sums are rounded otherwise, so codes differ, in the mean by about one.
    rng = np.random.default_rng(4)
    large = rng.integers(40, 220, (4, 5, 3)).astype(np.float32)
    rgb = np.kron(large, np.ones((32, 32, 1), np.float32)) + rng.normal(0, 8, (128, 160, 3))
    pixels = code_pixels(np.clip(rgb, 0, 255).astype(np.uint8))
    options = SessionOptions()
    options.graph_optimization_level = GraphOptimizationLevel.ORT_DISABLE_ALL
    path = files("polypvision") / "models" / "plate.onnx"
    plain = InferenceSession(path.read_bytes(), options, providers=["CPUExecutionProvider"])
    (expected,) = plain.run(None, {"view": pixels})
    (found,) = maps._network(PLATE_READER).run(None, {"view": pixels})
    differences = np.abs(found.astype(int) - expected)
    assert differences.mean() < min(expected.std() / 20, 2)
