"""Discs of the close-up painter: bubble carpets, velvet, folds, fringes, at any slant."""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from polypvision.render.noise import Field
from polypvision.train.closeups.form import (
    TURNS,
    Disc,
    Form,
    make_form,
    mouth_places,
    way_from_mouth,
)
from polypvision.train.closeups.kinds import Kind
from polypvision.train.closeups.stalks import paint_stalk
from polypvision.train.closeups.strands import lay_strands, oral_share
from polypvision.train.closeups.surface import paint_mouths, surface
from polypvision.train.closeups.tentacles import lay_tentacles, some_tentacles
from polypvision.train.closeups.tools import (
    NOT_COUNTED,
    Picture,
    Points,
    Radiance,
    blur,
    lay,
    step,
    times,
)

_HIDDEN_SHARE = 0.5
"""A mouth of which tentacles cover more than this is not seen."""
_ZONED_ROUND_EACH, _ZONED_ROUND_ONE = 0.8, 0.4
"""How often colours and tentacles lie round a dividing disc's mouths, round a single one's mouth,
instead of round the disc's middle."""


def _body(edge: Points, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Fill an outline; cv2 takes border pixels too, so it is drawn half a pixel smaller."""
    away = edge - edge.mean(axis=0)
    inner = edge - 0.5 * away / np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-6)
    mask = np.zeros(shape, np.uint8)
    cv2.fillPoly(mask, [np.round(inner * 16).astype(np.int32)], 1, shift=4)
    return mask > 0


def _window(
    edge: Points, margin: float, disc: Disc, shape: tuple[int, int], room: float
) -> tuple[NDArray[np.int_], tuple[int, int]] | None:
    """Return the corner, from the disc's middle, and the size of its window in the picture.

    ``margin`` is what stands over the outline; what lies more than ``room`` pixels outside the
    picture is left out. None if nothing is left.
    """
    middle = np.round([disc.x, disc.y])
    low = np.maximum(np.floor(edge.min(axis=0) - margin), -middle - room)
    high = np.minimum(np.ceil(edge.max(axis=0) + margin), np.array(shape[::-1]) - middle + room)
    width, height = (int(n) for n in high - low + 1)
    if width < 3 or height < 3:
        return None
    return low.astype(int), (height, width)


def _left_out(edge: Points, body: NDArray[np.bool_]) -> int:
    """Return how many pixels of an outline lie outside its window."""
    if (edge >= 0).all() and (edge < body.shape[::-1]).all():
        return 0
    return max(round(cv2.contourArea(edge.astype(np.float32))) - int(body.sum()), 0)


def _closed(mask: NDArray[np.bool_], gap_px: float) -> NDArray[np.bool_]:
    """Fill gaps about twice ``gap_px`` wide."""
    reach = 2 * max(round(gap_px), 1) + 1
    close = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
    return np.asarray(cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_CLOSE, close) > 0)


def _seen(mouth_xy: Points, tentacles: NDArray[np.bool_], size_px: float) -> NDArray[np.bool_]:
    """Return which mouths (n,) are seen: tentacles that hide one altogether leave none to count."""
    reach = max(0.6 * size_px, 1.5)
    rows, columns = np.ogrid[: tentacles.shape[0], : tentacles.shape[1]]
    shares = []
    for x, y in mouth_xy:
        near = (columns - x) ** 2 + (rows - y) ** 2 < reach**2
        shares.append(tentacles[near].mean() if near.any() else 1.0)
    return np.asarray(np.array(shares) < _HIDDEN_SHARE, np.bool_)


def paint_disc(picture: Picture, kind: Kind, disc: Disc, number: int) -> None:
    """Paint one disc over what is there, and note its pixels and mouths under ``number``."""
    rng = picture.rng
    if disc.squeeze < 0.9 and not len(disc.walls) and rng.random() < 0.35:
        paint_stalk(picture, kind, disc)
    form = make_form(kind, disc, rng)
    rim = np.asarray(np.arange(TURNS) * (2 * np.pi / TURNS), np.float64)
    end = 0.97 if kind.kind != "fringe" else 0.99 if kind.strand else 0.9
    edge, _ = form.place(rim, np.full(TURNS, end))
    reach_px = 0.05 * disc.radius + 2
    tissue = oral_share(kind) if kind.strand else 1.0
    over = {"bounce": 0.3, "velvet": 0.1, "fringe": 0.3}.get(kind.kind, 4 * kind.tentacle)
    over += 0.6 * (kind.standing > 0)
    room = 3 * disc.blur_px + 3 * reach_px
    window = _window(edge, over * disc.radius + 8 + 3 * disc.blur_px, disc, picture.shape, room)
    if window is None:
        return
    low, shape = window
    corner = (int(low[0] + round(disc.x)), int(low[1] + round(disc.y)))
    form = replace(form, middle=-low.astype(np.float64))
    edge = edge - low
    back = np.asarray(np.linalg.inv(form.axes), np.float64)
    x = np.arange(low[0], low[0] + shape[1], dtype=np.float32)
    y = np.arange(low[1], low[1] + shape[0], dtype=np.float32)[:, None]
    u, v = (x * np.float32(back[0, i]) + y * np.float32(back[1, i]) for i in (0, 1))
    theta = np.arctan2(v, u)
    rho = np.asarray(np.hypot(u, v) / form.look_up(theta)(form.outline), np.float32)
    body = _body(edge, shape)
    whole_edge = edge
    if kind.strand:
        body = _body(form.place(rim, np.full(TURNS, tissue))[0], shape)

    inner_rho = np.asarray(rho / np.float32(tissue), np.float32)
    mouths = mouth_places(disc, rng, form)
    zoned = rng.random() < (_ZONED_ROUND_ONE if len(mouths) == 1 else _ZONED_ROUND_EACH)
    around, way = way_from_mouth(theta, inner_rho, mouths) if zoned else (theta, inner_rho)
    light, relief = surface(kind, picture, around, way, disc.radius)
    billow = _billows(kind, picture, way, disc.radius)
    broad = _bend(kind, form, picture, light, relief, theta, inner_rho, disc.radius, billow)
    places = mouths * [1, tissue]
    mouth_xy, _ = form.place(places[:, 0], places[:, 1])
    size = kind.mouth_size * tissue * float(np.exp(rng.normal(0, 0.15)))
    shut = bool(rng.random() < kind.shut)
    if not shut:
        paint_mouths(kind, disc, picture, light, mouth_xy, back, size)
    mask = body
    polyp = None
    seen = np.full(len(mouth_xy), not shut)
    if kind.strand:
        light, mask, polyp = lay_strands(kind, disc, picture, form, light, rho, theta, body)
    elif kind.kind != "velvet" or kind.warts:
        tentacles = some_tentacles(kind, disc.radius, rng, mouths if zoned else None)
        if kind.kind != "fringe":
            xy, _ = form.place(tentacles.theta, tentacles.rho)
            away = np.linalg.norm(((xy[:, None] - mouth_xy[None]) @ back), axis=2).min(axis=1)
            bare = (1 - kind.mouth_hidden) * size * (float(rng.random()) if shut else 1.1)
            hides = bare + 0.75 * tentacles.wide
            tentacles = tentacles[away > hides]
        if len(tentacles):
            light, there = lay_tentacles(
                kind, disc, picture, form, light, body, broad, billow, tentacles
            )
            seen &= _seen(mouth_xy, there, size * disc.radius)
            mask = body | there
    # One clone, but no two discs quite the same.
    light *= np.exp(rng.normal(0, 0.12) + rng.normal(0, 0.04, 3)).astype(np.float32)
    taken = lay(
        picture,
        corner,
        light,
        blur(mask.astype(np.float32) * (1 - np.float32(kind.veil) * ~body), 0.6),
        blur_px=disc.blur_px,
        shadow=float(rng.uniform(0.3, 0.85)),
        reach_px=float(reach_px),
    )
    if taken is None:
        return
    rows, columns, *inner = taken
    whole = _closed(mask, kind.tentacle * disc.radius) if polyp is None else _closed(polyp, 1)
    picture.owner[rows, columns][whole[inner[0], inner[1]]] = (
        number if disc.counted else NOT_COUNTED
    )
    if disc.counted:
        picture.mouths[number] = mouth_xy[seen] + np.array(corner)
        picture.areas[number] = int(whole.sum()) + _left_out(
            whole_edge, body if polyp is None else whole
        )


def _billows(kind: Kind, picture: Picture, rho: Field, radius: float) -> Field | None:
    """Return the height, in radii, of folds that run anywhere over a disc; None without."""
    if not kind.billows:
        return None
    shape = (int(rho.shape[0]), int(rho.shape[1]))
    wave = picture.noise.field(shape, max(2 * kind.billow_size * radius, 8), soft=True)
    steep = np.tanh(np.float32(kind.steepness) * wave) / np.tanh(np.float32(kind.steepness))
    outwards = np.clip((rho - 0.1) / 0.3, 0, 1)  # round the mouth a disc is flat
    return np.asarray(np.float32(kind.billows) * outwards * steep, np.float32)


def _bend(
    kind: Kind,
    form: Form,
    picture: Picture,
    light: Radiance,
    relief: Field,
    theta: Field,
    rho: Field,
    radius: float,
    billow: Field | None,
) -> Field:
    """Shade a disc's tissue by its bowl, folds, valleys and margin; return the coarse shade."""
    inside = np.minimum(rho, np.float32(1.2))
    square = inside**2
    lamp, at = picture.lamp, form.look_up(theta)
    fold = at(form.fold) * square
    if billow is not None:
        fold = fold + billow
    bowl = np.float32(kind.dome) * (1 - square)
    if kind.curl:
        bowl += np.float32(kind.curl) * np.clip((inside - 0.8) * 5, 0, 1) ** 2
    fine = lamp.relief(np.asarray(radius * 0.8 * (bowl + fold) + relief, np.float32))
    broad = lamp.relief(np.asarray(radius * (0.8 * bowl + 1.2 * fold), np.float32))
    broad = np.clip(broad, 0.25, 1.6) * (1 - np.float32(0.5 * kind.gutter) * step(rho, 1.0, 0.2))
    dim = 1 - np.float32(kind.gutter) * step(rho, 1.0, 0.25)
    if form.crease.any():  # little light reaches into a valley
        hollow = 1 - 0.7 * at(form.crease) * np.minimum(inside, 1)
        dim, broad = dim * hollow, broad * hollow
    if billow is not None:  # nor far down between folds
        low = np.clip(0.3 - billow / np.float32(kind.billows), 0, 1)
        hollow = 1 - np.float32(picture.rng.uniform(0.1, 0.7)) * low
        dim, broad = dim * hollow, broad * hollow
    if form.pleats:
        radius_at = at(form.outline) * rho
        x, y = radius_at * np.cos(theta), radius_at * np.sin(theta)
        for pleat in form.pleats:
            left = pleat.light_left(x, y)
            dim, broad = dim * left, broad * left
    light[:] = times(light, fine * dim)
    return np.asarray(broad, np.float32)
