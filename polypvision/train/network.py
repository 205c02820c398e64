"""The reader: a small U-shaped network from a view to six maps of the same size.

References
----------
Ronneberger O, Fischer P, Brox T 2015, U-Net, MICCAI 2015, LNCS 9351:234-241 (the shape);
Cheng B et al. 2020, Panoptic-DeepLab, CVPR 2020 (instances from middles and ways to them);
from memory.
"""

from itertools import pairwise

import torch
from torch import Tensor, nn

from polypvision.segment.maps import CHANNELS

WIDTHS = (24, 40, 64, 80, 96, 96)
"""Channels at 1/2, 1/4 ... 1/64 of the view's size."""


class _Block(nn.Module):  # type: ignore[misc,unused-ignore]  # no PyTorch when checked
    """Two convolutions with a short cut."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.body = nn.Sequential(
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
            nn.ReLU(inplace=True),
            nn.Conv2d(width, width, 3, padding=1, bias=False),
            nn.BatchNorm2d(width),
        )

    def forward(self, x: Tensor) -> Tensor:
        return torch.relu(x + self.body(x))


def _step(inner: int, outer: int, kernel: int, stride: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inner, outer, kernel, stride=stride, padding=(kernel - 1) // 2, bias=False),
        nn.BatchNorm2d(outer),
        nn.ReLU(inplace=True),
    )


class Reader(nn.Module):  # type: ignore[misc,unused-ignore]
    """From (n, 3, H, W) sRGB 0..1 to (n, 6, H, W): logits and ways; H, W multiples of 64."""

    def __init__(self, widths: tuple[int, ...] = WIDTHS) -> None:
        super().__init__()
        self.stem = _step(3, widths[0], 4, 2)
        self.down = nn.ModuleList([_step(a, b, 3, 2) for a, b in pairwise(widths)])
        self.encode = nn.ModuleList([_Block(width) for width in widths])
        self.deep = nn.Sequential(_Block(widths[-1]), _Block(widths[-1]))
        self.up = nn.ModuleList([_step(b, a, 1, 1) for a, b in pairwise(widths)])
        self.decode = nn.ModuleList([_Block(width) for width in widths[:-1]])
        self.head = nn.ConvTranspose2d(widths[0], len(CHANNELS), 4, stride=2, padding=1)

    def forward(self, x: Tensor) -> Tensor:
        """Return the six maps."""
        x = self.encode[0](self.stem(x * 2 - 1))
        passed = []
        for step, block in zip(self.down, list(self.encode)[1:], strict=True):
            passed.append(x)
            x = block(step(x))
        x = self.deep(x)
        for step, block, skip in zip(
            reversed(self.up), reversed(self.decode), reversed(passed), strict=True
        ):
            x = nn.functional.interpolate(step(x), scale_factor=2.0, mode="nearest")
            x = block(x + skip)
        out: Tensor = self.head(x)
        return out
