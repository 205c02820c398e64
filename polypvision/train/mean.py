"""The mean of runs: ``python -m polypvision.train.mean A.pt B.pt --out plate.onnx``.

Of runs that go on from one another: their mean errs less than each (model soups: Wortsman M et al.
2022, ICML 2022, PMLR 162:23965-23998, from memory).
"""

import argparse
from pathlib import Path

import torch
from torch import Tensor

from polypvision.train.fit import export
from polypvision.train.network import SLIM_WIDTHS, WIDTHS, Reader


def mean_weights(runs: list[dict[str, Tensor]]) -> dict[str, Tensor]:
    """Return the mean of each tensor; counters are the first run's."""
    mean = {}
    for name, first in runs[0].items():
        if first.is_floating_point():
            mean[name] = torch.stack([run[name].double() for run in runs]).mean(dim=0).float()
        else:
            mean[name] = first
    return mean


def main() -> None:
    """Read runs, write their mean as ONNX and, in half precision, to go on from."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("runs", nargs="+", type=Path, help="weights (.pt) of each run")
    parser.add_argument("--out", type=Path, default=Path("reader.onnx"))
    args = parser.parse_args()
    mean = mean_weights([torch.load(path, map_location="cpu") for path in args.runs])
    slim = len(mean["head.weight"][0]) == SLIM_WIDTHS[0]
    model = Reader(SLIM_WIDTHS if slim else WIDTHS)
    model.load_state_dict(mean)
    export(model, args.out)
    half = {name: one.half() if one.is_floating_point() else one for name, one in mean.items()}
    torch.save(half, args.out.with_suffix(".pt"))


if __name__ == "__main__":
    main()
