"""Camera of the close-up painter: from linear light to the edited JPEG one finds."""

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.calibrate.srgb import to_codes
from polypvision.train.closeups.tools import Picture, Radiance, blur, grey, mix, peak, times, tinted

_LEAST_LIGHT = 0.04
"""Linear light that the brightest parts of discs reach, for something of them to be seen."""


def _expose(picture: Picture) -> Radiance:
    """Scale so that the bright parts come near white, sometimes far beyond."""
    light, rng = picture.light, picture.rng
    sample = peak(light[::8, ::8])
    bright = float(np.percentile(sample, rng.uniform(85, 99.5)))
    discs = sample[picture.owner[::8, ::8] > 0]
    least = 0.0
    if len(discs):  # who photographs polyps exposes for them, more or less
        bright = max(bright, float(np.percentile(discs, 80)) * rng.uniform(0.4, 1.2))
        least = _LEAST_LIGHT / max(float(np.percentile(discs, 90)), 0.002)
    gain = max(np.exp(rng.normal(-0.25, 0.4)) / max(bright, 0.01), least)
    return np.asarray(light * np.float32(gain), np.float32)


def _crush(light: Radiance, picture: Picture) -> Radiance:
    """Lose shadows in black, as under blue light they often are; of discs something stays."""
    discs = grey(light)[::8, ::8][picture.owner[::8, ::8] > 0]
    most = 0.4 * float(np.percentile(discs, 80)) if len(discs) else 0.1
    black = picture.lamp.seen(np.ones(3, np.float32)) * (
        picture.rng.uniform(0.1, 1.0) * min(0.1, most)
    )
    return np.asarray(light - black.astype(np.float32), np.float32)


def _haze(light: Radiance, picture: Picture) -> Radiance:
    rng = picture.rng
    shape = picture.shape
    if rng.random() < 0.1:
        light = _ripples(light, picture)
    if rng.random() < 0.5:  # darker towards the corners
        x = np.linspace(-1, 1, shape[1], dtype=np.float32) - rng.normal(0, 0.3)
        y = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None] - rng.normal(0, 0.3)
        fall = np.exp(-rng.uniform(0, 1.2) * (x * x + y * y))
        light = times(light, fall)
    if rng.random() < 0.4:
        veil = np.clip(picture.noise.field(shape, 400, soft=True) + 0.7, 0, 2)
        water = picture.lamp.seen(np.array([0.5, 0.8, 1.0], np.float32))
        light = light + tinted(veil, water * np.float32(rng.uniform(0, 0.12)))
    if rng.random() < 0.4:  # light scattered round bright parts
        small = cv2.resize(light, (shape[1] // 8, shape[0] // 8), interpolation=cv2.INTER_AREA)
        glow = cv2.resize(cv2.GaussianBlur(small, (0, 0), rng.uniform(1, 6)), shape[::-1])
        light = light + np.float32(rng.uniform(0.02, 0.25)) * glow
    if rng.random() < 0.12:  # glints of ripples and lamps
        line = picture.noise.field(shape, rng.uniform(10, 60), soft=True)
        where = picture.noise.field(shape, 150, soft=True)
        glint = np.clip(1 - np.abs(line) * rng.uniform(3, 10), 0, 1) * np.clip(where - 1.6, 0, 1)
        light = light + tinted(rng.uniform(0.3, 3) * glint, picture.lamp.colour)
    if rng.random() < 0.12:
        light = _streaks(light, picture)
    return np.asarray(light, np.float32)


def _text(codes: NDArray[np.uint8], rng: np.random.Generator) -> None:
    """Write letters into a corner, as owners mark their pictures."""
    letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789. "
    word = "".join(letters[n] for n in rng.integers(0, len(letters), int(rng.integers(4, 20))))
    height, width = codes.shape[:2]
    scale = float(rng.uniform(0.5, 1.4))
    x = int(rng.choice([8, max(width - 17 * scale * len(word), 8)]))
    y = int(rng.choice([30 * scale, height - 10]))
    over = codes.copy()
    colour = [int(value) for value in rng.choice([0, 255, 255, 200], 3)]
    if rng.random() < 0.7:
        colour = [255, 255, 255]
    cv2.putText(
        over, word, (x, y), int(rng.integers(0, 5)), scale, colour, 1 + int(scale), cv2.LINE_AA
    )
    weight = float(rng.uniform(0.4, 1))
    codes[:] = cv2.addWeighted(over, weight, codes, 1 - weight, 0)


def _ripples(light: Radiance, picture: Picture) -> Radiance:
    """Return light gathered into a net of bright lines by waves on the water."""
    rng = picture.rng
    size_px = rng.uniform(30, 160)
    line = picture.noise.field(picture.shape, size_px, soft=True)
    net = np.exp(-np.abs(line) * np.float32(rng.uniform(2, 7)))
    gain = np.float32(rng.uniform(0.2, 1.5))
    return times(light, np.maximum(1 - 0.4 * gain + gain * net, 0.2))


def _streaks(light: Radiance, picture: Picture) -> Radiance:
    """Lay soft streaks of lamps mirrored in glass or the water's surface over the picture."""
    rng = picture.rng
    height, width = (side // 8 for side in picture.shape)
    drawn = np.zeros((height, width), np.float32)
    angle = rng.uniform(0, np.pi)
    for _ in range(int(rng.integers(1, 6))):
        middle = rng.random(2) * (width, height)
        half = rng.uniform(0.05, 0.4) * width * np.array([np.cos(angle), np.sin(angle)])
        (x, y), (right, down) = (middle - half).astype(int), (middle + half).astype(int)
        thick = int(rng.integers(1, 4))
        cv2.line(drawn, (int(x), int(y)), (int(right), int(down)), rng.uniform(0.2, 1), thick)
    soft = blur(drawn, float(rng.uniform(0.8, 4)))
    over = cv2.resize(soft, picture.shape[::-1], interpolation=cv2.INTER_CUBIC)
    tint = 0.5 + 0.5 * picture.lamp.colour
    return light + tinted(rng.uniform(0.1, 0.9) * over, tint)


def _phone(codes: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """Edit as phones and sellers do: local contrast, sharpening with halos, resizing, JPEG."""
    if rng.random() < 0.2:  # dark and bright parts drawn together, details kept
        small = cv2.resize(codes, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA)
        broad = cv2.GaussianBlur(small, (0, 0), rng.uniform(2, 8))
        broad = cv2.resize(broad, codes.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        amount = float(rng.uniform(0.2, 0.9))
        codes = np.asarray(cv2.addWeighted(codes, 1 + amount, broad, -amount, 40 * amount))
    if rng.random() < 0.15:  # from a smaller picture
        factor = float(rng.uniform(0.4, 0.8))
        small = cv2.resize(codes, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        codes = np.asarray(cv2.resize(small, codes.shape[1::-1], interpolation=cv2.INTER_CUBIC))
    if rng.random() < 0.5:
        sigma = float(rng.uniform(0.8, 2.5))
        amount = float(rng.choice([rng.uniform(0.2, 1.2), rng.uniform(1.0, 2.5)]))
        soft = cv2.GaussianBlur(codes, (0, 0), sigma)
        codes = np.asarray(cv2.addWeighted(codes, 1 + amount, soft, -amount, 0))
    if rng.random() < 0.25:
        codes = np.array(codes)
        _text(codes, rng)
    if rng.random() < 0.7:
        quality = int(rng.choice([rng.integers(20, 60), rng.integers(50, 96)]))
        _, data = cv2.imencode(".jpg", codes[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        decoded = cv2.imdecode(data, cv2.IMREAD_COLOR)
        assert decoded is not None
        codes = np.asarray(decoded[..., ::-1])
    return np.ascontiguousarray(codes, np.uint8)


def develop(picture: Picture) -> NDArray[np.uint8]:
    """Return the photo (H, W, 3) of a painted picture."""
    rng = picture.rng
    light = _haze(_expose(picture), picture)
    balance = np.exp(rng.normal(0, 0.12, 3)).astype(np.float32)
    if picture.lamp.blue > 0 and rng.random() < 0.4:  # a camera that takes the lamp for white
        own = np.maximum(picture.lamp.colour, 0.08)
        balance = balance * (own.mean() / own) ** np.float32(rng.uniform(0, 0.7))
    light = light * balance
    # All channels' mean and the rest of each, in one matrix.
    vivid = np.exp(rng.normal(0.1, 0.25))
    matrix = vivid * np.eye(3) + (1 - vivid) / 3
    light = np.asarray(cv2.transform(light, matrix), np.float32)
    if rng.random() < 0.3:
        light = _crush(light, picture)
    light = np.clip(light, 0, 4)
    if rng.random() < 0.85:  # a camera's soft shoulder: bright colours pale rather than clip
        paling = np.clip(peak(light) - 0.6, 0, 1) * np.float32(rng.uniform(0.1, 0.5))
        mean = np.full((3, 3), 1 / 3)
        light = mix(light, np.asarray(cv2.transform(light, mean), np.float32), paling)
        light = 1 - np.exp(-np.float32(rng.uniform(1.1, 1.5)) * light)
    soft_px = float(rng.choice([0.0, rng.uniform(0.3, 0.9), rng.uniform(0.6, 2.0)]))
    if soft_px:
        light = blur(light, soft_px)
    strength = float(rng.choice([0.002, rng.uniform(0.002, 0.03)]))
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    if rng.random() < 0.5:
        noise = blur(noise, 0.7) * 2
    light = light + noise * np.sqrt(np.clip(light, 0.01, 1)) * np.float32(strength)
    codes = to_codes(light)
    if rng.random() < 0.6:
        ramp = np.arange(256, dtype=np.float32) / 255
        steep = rng.uniform(0, 0.9)
        curve = ramp ** np.exp(rng.normal(0, 0.25))
        curve = (1 - steep) * curve + steep * (3 * curve**2 - 2 * curve**3)
        codes = np.asarray(cv2.LUT(codes, np.clip(curve * 255, 0, 255).astype(np.uint8)), np.uint8)
    return _phone(codes, rng)
