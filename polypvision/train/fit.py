"""Training: ``python -m polypvision.train.fit --minutes 9 --out reader.onnx``.

Processes render plates for as long as it runs; one GPU learns from what is there so far.
"""

import argparse
import json
import multiprocessing as mp
import os
import queue
import time
from pathlib import Path

import cv2
import numpy as np
import onnx
import torch
from torch import Tensor
from torch.nn import functional as F  # noqa: N812

from polypvision.calibrate.view import VIEW_PX_PER_MM
from polypvision.segment.maps import OFFSET_UNIT_MM
from polypvision.train.closeups.photographs import use_photos
from polypvision.train.lessons import CLOSEUPS_PER_PLATE, LESSON_PX, Lesson, random_lessons
from polypvision.train.network import SLIM_WIDTHS, WIDTHS, Normalised, Reader, taught_weights

CROP_PX = 384
_ZOOM = (0.38, 1.6)
"""Far smaller than they are, too: as the wide look sees a large disc and its surroundings."""
_MAX_POLYPS, _MAX_MOUTHS = 64, 128
_DIVIDING_WEIGHT = 2.5
"""How much more the mouths of a disc with several count: it is their number that is asked."""
_STRANGE_SHARE = 0.15
"""How many pictures of a batch get colours and textures that no tissue has."""
_OTHER_SKIN_SHARE = 0.25
"""In how many the polyps, or what lies round them, get the texture of another picture, too."""


def _work(
    seed: int, out: "mp.Queue[Lesson]", until: float, closeups: int, photos: Path | None
) -> None:
    os.nice(10)
    use_photos(photos)
    cv2.setNumThreads(1)
    for lesson in random_lessons(seed, closeups):
        if time.time() > until:
            break
        out.put(lesson)
    out.cancel_join_thread()


class Shelf:
    """All lessons so far, on the GPU."""

    def __init__(self, room: int, device: str, plate_weight: float = 2.2) -> None:
        self.plate_weight = plate_weight
        size = LESSON_PX
        self.device = device
        self.rgb = torch.zeros((room, size, size, 3), dtype=torch.uint8, device=device)
        self.owner = torch.zeros((room, size, size), dtype=torch.uint8, device=device)
        self.wound = torch.zeros((room, size, size), dtype=torch.uint8, device=device)
        self.polyps = torch.zeros((room, _MAX_POLYPS, 3), device=device)
        self.mouths = torch.full((room, _MAX_MOUTHS, 3), -1.0, device=device)
        self.gains = torch.ones((room, 3), device=device)
        self.sizes: list[tuple[int, int]] = []
        self.places: list[np.ndarray] = []
        self.weights: list[float] = []

    def add(self, lesson: Lesson) -> None:
        """Put one lesson on the shelf, if there is room."""
        row = len(self.sizes)
        if row >= len(self.rgb) or len(lesson.polyps) > _MAX_POLYPS:
            return
        height, width = lesson.owner.shape
        self.rgb[row, :height, :width] = torch.from_numpy(lesson.rgb).to(self.device)
        self.owner[row] = 255
        self.owner[row, :height, :width] = torch.from_numpy(lesson.owner).to(self.device)
        wound = lesson.wound.astype(np.uint8)
        self.wound[row, :height, :width] = torch.from_numpy(wound).to(self.device)
        self.polyps[row, : len(lesson.polyps)] = torch.from_numpy(lesson.polyps).to(self.device)
        mouths = lesson.mouths[:_MAX_MOUTHS]
        self.mouths[row, : len(mouths)] = torch.from_numpy(mouths).to(self.device)
        self.gains[row] = torch.from_numpy(lesson.gains).to(self.device)
        self.sizes.append((height, width))
        self.places.append(lesson.polyps[:, :2])
        # Plates are fewer and hold all the wounds: they are looked at more often.
        self.weights.append(1.0 if (lesson.gains == 1).all() else self.plate_weight)


def _linear(srgb: Tensor) -> Tensor:
    return torch.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055).clamp(min=0) ** 2.4)


def _srgb(linear: Tensor) -> Tensor:
    linear = linear.clamp(0, 1)
    curved = 1.055 * linear.clamp(min=1e-7) ** (1 / 2.4) - 0.055
    return torch.where(linear <= 0.0031308, 12.92 * linear, curved)


def _uniform(n: int, low: float, high: float, like: Tensor) -> Tensor:
    return torch.empty(n, device=like.device).uniform_(low, high)


def _blur(x: Tensor, sigma: Tensor) -> Tensor:
    """Blur each picture of a batch by its own sigma."""
    n, channels = x.shape[:2]
    reach = torch.arange(-5, 6, device=x.device, dtype=x.dtype)
    kernel = torch.exp(-(reach**2) / (2 * sigma[:, None].clamp(min=0.05) ** 2))
    kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(channels, 0)
    flat = x.reshape(1, n * channels, *x.shape[2:])
    flat = F.conv2d(flat, kernel[:, None, None, :], padding=(0, 5), groups=n * channels)
    flat = F.conv2d(flat, kernel[:, None, :, None], padding=(5, 0), groups=n * channels)
    return flat.reshape(x.shape)


def _strange(x: Tensor) -> Tensor:
    """Give some pictures of a batch other colours and textures: a small filter drawn by chance.

    Shapes stay, so that they are what is learned (random convolutions: Xu Z et al. 2021, ICLR 2021,
    from memory).
    """
    n, channels = x.shape[:2]
    out = x.clone()
    for row in (torch.rand(n, device=x.device) < _STRANGE_SHARE).nonzero().ravel().tolist():
        size = int(torch.randint(0, 3, (1,))) * 2 + 1
        weight = torch.randn(channels, channels, size, size, device=x.device) / channels**0.5 / size
        changed = F.conv2d(F.pad(x[row : row + 1] - 0.5, [size // 2] * 4, mode="reflect"), weight)
        changed = changed / changed.std().clamp(min=0.05) * x[row].std() + x[row].mean()
        part = float(torch.rand(1))
        out[row] = ((1 - part) * x[row] + part * changed[0]).clamp(0, 1)
    return out


def _other_skins(x: Tensor, tissue: Tensor, mouth: Tensor) -> Tensor:
    """Lay the texture of another picture of the batch over polyps, or over all but the polyps.

    What is fine in the other is added to what is there: form, shade, rims and mouths stay, and
    neither a skin nor a ground tells any more what is a polyp (as styles are exchanged by
    Geirhos R et al. 2019, ICLR 2019, from memory).

    Parameters
    ----------
    x : Tensor (n, 3, H, W)
        sRGB, 0 to 1.
    tissue, mouth : Tensor (n, H, W)
        1 where a polyp is; 1 in the middle of a mouth, which may not be hidden.
    """
    n = len(x)
    other = x.roll(1, 0).flip(2 if torch.rand(1) < 0.5 else 3)
    wide = F.interpolate(F.avg_pool2d(other, 16), size=x.shape[2:], mode="bilinear")
    strength = _uniform(n, 0.3, 1.2, x) * (torch.rand(n, device=x.device) < _OTHER_SKIN_SHARE)
    on_polyps = torch.rand(n, device=x.device) < 0.6
    where = torch.where(on_polyps[:, None, None], tissue, 1 - tissue)
    where = where * (1 - F.max_pool2d(mouth, 13, stride=1, padding=6))
    return (x + (strength[:, None, None] * where)[:, None] * (other - wide)).clamp(0, 1)


def _light(rgb: Tensor, gains: Tensor) -> Tensor:
    """Change light, camera and colour by chance, in linear light; (n, 3, H, W) 0..1."""
    n = len(rgb)
    x = _linear(rgb)
    # Half of the pictures balanced as by a card, the others somewhere on the way, or not at all.
    part = torch.where(torch.rand(n, device=x.device) < 0.55, 1.0, _uniform(n, 0, 1.1, x))
    x = x * (gains ** part[:, None])[:, :, None, None]
    tint = torch.exp(torch.randn(n, 3, device=x.device) * 0.10)
    blue = torch.rand(n, device=x.device) < 0.15
    cast = torch.stack(
        [_uniform(n, 0.03, 0.4, x), _uniform(n, 0.2, 0.7, x), _uniform(n, 0.8, 1.6, x)]
    )
    tint = torch.where(blue[:, None], cast.T, tint)
    x = x * (tint * torch.exp(_uniform(n, -0.6, 0.35, x))[:, None])[:, :, None, None]
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * torch.exp(torch.randn(n, device=x.device) * 0.2)[:, None, None, None]
    sigma = torch.where(torch.rand(n, device=x.device) < 0.4, _uniform(n, 0.3, 1.6, x), 0.05)
    x = _blur(x.clamp(0, 1.2), sigma)
    noise = _uniform(n, 0, 0.03, x)[:, None, None, None] * torch.randn_like(x)
    x = x + noise * x.clamp(min=0.01).sqrt()
    x = _strange(_srgb(x))
    curve = torch.exp(torch.randn(n, device=x.device) * 0.15)[:, None, None, None]
    return x.clamp(1e-4, 1) ** curve


def _middle(shelf: Shelf, row: int, reach: float, rng: np.random.Generator) -> np.ndarray:
    """Choose the x, y of a lesson to look at: mostly near a polyp, sometimes anywhere.

    ``reach`` is how far the crop goes each way, lesson pixels: it stays in the lesson if it can.
    """
    size = np.array(shelf.sizes[row][::-1], np.float64)
    places = shelf.places[row]
    if len(places) == 0 or rng.random() < 0.3:
        middle = rng.random(2) * size
    else:
        middle = places[rng.integers(len(places))] + rng.uniform(-90, 90, 2)
    low = np.minimum(reach, size / 2)
    return np.clip(middle, low, size - low)


def draw(shelf: Shelf, n: int, rng: np.random.Generator) -> tuple[Tensor, Tensor, Tensor]:
    """Return pictures (n, 3, H, W), targets (n, 6, H, W), and how much pixels count (n, 2, H, W).

    For mouths, and for all else.
    """
    device = shelf.device
    weights = np.array(shelf.weights)
    rows = rng.choice(len(weights), n, p=weights / weights.sum())
    picked = torch.from_numpy(rows).to(device)

    # Affine way from crop pixels to lesson pixels: turn, mirror, enlarge, shift.
    scale = np.exp(rng.uniform(np.log(_ZOOM[0]), np.log(_ZOOM[1]), n))
    angle = rng.uniform(0, 2 * np.pi, n)
    mirror = rng.choice([-1.0, 1.0], n)
    matrix = np.empty((n, 2, 3))
    matrix[:, 0, 0], matrix[:, 0, 1] = np.cos(angle) / scale * mirror, -np.sin(angle) / scale
    matrix[:, 1, 0], matrix[:, 1, 1] = np.sin(angle) / scale * mirror, np.cos(angle) / scale
    reaches = CROP_PX / 2 / scale
    middle = np.array(
        [_middle(shelf, row, reach, rng) for row, reach in zip(rows, reaches, strict=True)]
    )
    matrix[:, :, 2] = middle - matrix[:, :, :2] @ np.array([CROP_PX / 2, CROP_PX / 2])
    forth = torch.from_numpy(matrix).float().to(device)
    ticks = torch.arange(CROP_PX, device=device, dtype=torch.float32)
    y, x = torch.meshgrid(ticks, ticks, indexing="ij")
    places = torch.stack([x, y, torch.ones_like(x)], -1)
    source = torch.einsum("nij,hwj->nhwi", forth, places)
    grid = (source + 0.5) / LESSON_PX * 2 - 1

    rgb = shelf.rgb[picked].permute(0, 3, 1, 2).float() / 255
    rgb = F.grid_sample(rgb, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
    marks = torch.stack([shelf.owner[picked], shelf.wound[picked]], 1).float()
    inside = ((grid.abs() <= 1).all(-1)).float()
    marks = F.grid_sample(marks, grid, mode="nearest", padding_mode="border", align_corners=False)
    owner = marks[:, 0].round().long()
    counts = inside * (owner != 255).float()
    owner = torch.where(owner == 255, 0, owner)
    wound = marks[:, 1] * (owner > 0)

    back = torch.linalg.inv(forth[:, :, :2])

    def moved(points: Tensor) -> Tensor:
        return torch.einsum("nij,nkj->nki", back, points - forth[:, None, :, 2])

    polyps, mouths = shelf.polyps[picked], shelf.mouths[picked]
    size = torch.from_numpy(scale).float().to(device)
    centres = moved(polyps[..., :2])
    diameters = polyps[..., 2] * size[:, None]
    index = (owner - 1).clamp(min=0)
    batch = torch.arange(n, device=device)[:, None, None]
    to_centre = centres[batch, index] - torch.stack([x, y], -1)
    to_centre = to_centre / (OFFSET_UNIT_MM * VIEW_PX_PER_MM)

    middle_map = _bumps(centres, (0.10 * diameters).clamp(3.0, 16.0), diameters > 0, x, y)
    mouth_places = moved(mouths[..., :2])
    holder = mouths[..., 2].clamp(min=0).long()
    mouth_size = 0.05 * torch.gather(diameters, 1, holder)
    mouth_map = _bumps(mouth_places, mouth_size.clamp(2.0, 7.0), mouths[..., 2] >= 0, x, y)
    # Middles outside their own polyp's visible part would teach nothing that can be seen.
    tissue = (owner > 0).float()
    targets = torch.cat(
        [
            torch.stack([tissue, wound, mouth_map * tissue, middle_map], 1),
            to_centre.permute(0, 3, 1, 2),
        ],
        1,
    )
    several = torch.zeros_like(diameters).scatter_add(1, holder, (mouths[..., 2] >= 0).float()) > 1
    dividing = tissue * several[batch, index]
    weights_of = torch.stack([counts * (1 + (_DIVIDING_WEIGHT - 1) * dividing), counts], 1)
    rgb = _other_skins(rgb, tissue, mouth_map)
    return _light(rgb, shelf.gains[picked]), targets, weights_of


def _bumps(places: Tensor, sigma: Tensor, real: Tensor, x: Tensor, y: Tensor) -> Tensor:
    """Gaussian bumps of height 1 at places (n, k, 2); where they overlap, the higher one."""
    out = torch.zeros((len(places), *x.shape), device=x.device)
    near = real & (places > -60).all(-1) & (places < CROP_PX + 60).all(-1)
    for k in near.any(0).nonzero().ravel().tolist():
        square = (x - places[:, k, 0, None, None]) ** 2 + (y - places[:, k, 1, None, None]) ** 2
        bump = torch.exp(-square / (2 * sigma[:, k, None, None] ** 2)) * near[:, k, None, None]
        out = torch.maximum(out, bump)
    return out


def loss_of(out: Tensor, targets: Tensor, counts: Tensor) -> tuple[Tensor, dict[str, float]]:
    """Return the loss and its parts; ``counts`` (n, 2, H, W) as `draw` returns them."""
    tissue = targets[:, 0]
    mouth_counts, counts = counts.unbind(1)
    total = counts.sum() + 1

    def cross(channel: int, weight: Tensor) -> Tensor:
        raw = F.binary_cross_entropy_with_logits(
            out[:, channel], targets[:, channel], reduction="none"
        )
        return (raw * weight).sum() / total

    def overlap(channel: int) -> Tensor:
        chance = torch.sigmoid(out[:, channel]) * counts
        true = targets[:, channel] * counts
        return 1 - (2 * (chance * true).sum() + 100) / (chance.sum() + true.sum() + 100)

    inside = tissue * counts
    off = F.smooth_l1_loss(out[:, 4:], targets[:, 4:], reduction="none", beta=0.1).sum(1)
    parts = {
        "tissue": cross(0, counts) + 0.5 * overlap(0),
        "wound": cross(1, counts) + 0.5 * overlap(1),
        "mouth": 6 * cross(2, mouth_counts * (1 + 15 * targets[:, 2])),
        "centre": 3 * cross(3, counts * (1 + 8 * targets[:, 3])),
        "way": 2 * (off * inside).sum() / (inside.sum() + 1),
    }
    return sum(parts.values(), torch.zeros((), device=out.device)), {
        name: float(value.detach()) for name, value in parts.items()
    }


def take_over(model: Reader, weights: dict[str, Tensor]) -> None:
    """Take over earlier weights; layers of another width start anew, and it is said."""
    own = model.state_dict()
    fit = {name: value for name, value in weights.items() if value.shape == own[name].shape}
    model.load_state_dict(own | fit)
    if len(fit) < len(own):
        print(f"{len(own) - len(fit)} of {len(own)} tensors start anew", flush=True)


def export(model: Reader, path: Path) -> None:
    """Write the network as ONNX, its weights in half precision; it takes pixels normalised."""
    model = model.float().cpu().eval()
    example = torch.zeros(1, 3, 128, 192)
    torch.onnx.export(
        Normalised(model),
        (example,),
        str(path),
        input_names=["view"],
        output_names=["maps"],
        dynamic_axes={"view": {2: "height", 3: "width"}, "maps": {2: "height", 3: "width"}},
        opset_version=17,
        dynamo=False,
    )
    _halve(path)


def _halve(path: Path) -> None:
    """Store large weights as float16 with a cast before use: half the size, the same answers."""
    network = onnx.load(path)
    graph = network.graph
    kept, casts = [], []
    for weight in graph.initializer:
        values = onnx.numpy_helper.to_array(weight)
        if values.dtype != np.float32 or values.size <= 64:
            kept.append(weight)
            continue
        half = f"{weight.name}_half"
        kept.append(onnx.numpy_helper.from_array(values.astype(np.float16), half))
        cast = onnx.helper.make_node("Cast", [half], [weight.name], to=onnx.TensorProto.FLOAT)
        casts.append(cast)
    nodes = [*casts, *graph.node]
    del graph.initializer[:], graph.node[:]
    graph.initializer.extend(kept)
    graph.node.extend(nodes)
    onnx.checker.check_model(network)
    onnx.save(network, path)


def main() -> None:
    """Train for a given time and write the weights."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=9.0)
    parser.add_argument("--gather-minutes", type=float, default=1.5)
    parser.add_argument("--workers", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--room", type=int, default=6000)
    parser.add_argument("--batch", type=int, default=48)
    parser.add_argument("--rate", type=float, default=2e-3, help="highest learning rate")
    parser.add_argument("--mean", type=float, default=0.999, help="decay of the weights' mean")
    parser.add_argument("--render-minutes", type=float, help="then the renderers stop")
    parser.add_argument(
        "--closeups", type=int, default=CLOSEUPS_PER_PLATE, help="close-ups to a plate"
    )
    parser.add_argument(
        "--photos", type=Path, help="folder that polypvision.train.photos wrote, for grounds"
    )
    parser.add_argument(
        "--backbone-rate", type=float, default=0.2, help="part of the rate that the backbone gets"
    )
    parser.add_argument("--backbone", type=Path, help="its published weights, if not installed")
    parser.add_argument("--plate-weight", type=float, default=2.2)
    parser.add_argument("--slim", action="store_true", help="fewer channels at large sizes")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=Path, help="weights (.pt) to go on from")
    parser.add_argument("--out", type=Path, default=Path("reader.onnx"))
    args = parser.parse_args()
    args.out.parent.mkdir(parents=True, exist_ok=True)
    use_photos(args.photos)  # says at once if there are none
    device = "cuda" if torch.cuda.is_available() else "cpu"
    begin = time.time()
    until = begin + 60 * args.minutes
    torch.manual_seed(args.seed)
    rng = np.random.default_rng(args.seed)

    stop = begin + 60 * args.render_minutes if args.render_minutes else until - 60
    context = mp.get_context("spawn")
    lessons: mp.Queue[Lesson] = context.Queue(maxsize=4 * args.workers)
    workers = [
        context.Process(
            target=_work,
            args=(1000 * args.seed + n, lessons, stop, args.closeups, args.photos),
            daemon=True,
        )
        for n in range(args.workers)
    ]
    for worker in workers:
        worker.start()
    shelf = Shelf(args.room, device, args.plate_weight)
    model = Reader(SLIM_WIDTHS if args.slim else WIDTHS)
    if args.start:
        take_over(model, torch.load(args.start, map_location="cpu"))
    else:
        model.backbone.take_taught(taught_weights(args.backbone))
    model = model.to(device, memory_format=torch.channels_last)
    mean = torch.optim.swa_utils.AveragedModel(
        model, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(args.mean), use_buffers=True
    )
    weights = sum(parameter.numel() for parameter in model.parameters())
    print(f"device {device}, {args.workers} renderers, {weights} weights", flush=True)
    own = [
        weight
        for part in model.children()
        if part is not model.backbone
        for weight in part.parameters()
    ]
    groups = [
        {"params": own, "part": 1.0},
        {"params": list(model.backbone.parameters()), "part": args.backbone_rate},
    ]
    optimiser = torch.optim.AdamW(groups, lr=args.rate, weight_decay=1e-2)

    def gather() -> None:
        for _ in range(64):
            try:
                shelf.add(lessons.get_nowait())
            except queue.Empty:
                return

    while not shelf.sizes or time.time() < begin + 60 * args.gather_minutes:
        gather()
        time.sleep(0.2)
    # Statistics of real photographs hold better on real photographs than those of painted ones.
    model.backbone.eval()
    start, steps, said = time.time(), 0, time.time()
    history: list[dict[str, float]] = []
    while (now := time.time()) < until:
        done = (now - start) / max(until - start, 1e-9)
        rate = args.rate * min(1.0, (steps + 1) / 300) * (0.5 * (1 + np.cos(np.pi * done)) + 0.002)
        for group in optimiser.param_groups:
            group["lr"] = rate * group["part"]
        gather()
        pictures, targets, counts = draw(shelf, args.batch, rng)
        with torch.autocast(device, dtype=torch.bfloat16, enabled=device == "cuda"):
            out = model(pictures.to(memory_format=torch.channels_last))
        loss, parts = loss_of(out.float(), targets, counts)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(model.parameters(), 5.0)
        optimiser.step()
        mean.update_parameters(model)
        steps += 1
        if now - said > 20:
            said = now
            parts |= {"step": steps, "plates": len(shelf.sizes), "seconds": now - begin}
            history.append(parts)
            print(json.dumps({k: round(v, 4) for k, v in parts.items()}), flush=True)
    torch.save(mean.module.state_dict(), args.out.with_suffix(".pt"))
    export(mean.module, args.out)
    args.out.with_suffix(".json").write_text(
        json.dumps({"weights": weights, "steps": steps, "history": history}, indent=1)
    )
    for worker in workers:
        worker.terminate()


if __name__ == "__main__":
    main()
