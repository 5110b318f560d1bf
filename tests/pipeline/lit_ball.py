"""A picture of a ball that the cloth lights, too: light thrown back by the cloth and a mirror's reflection at its rim.

Less of it comes from the side of a cushion, under whose nose it is dark. Sphere and camera are exact, colours linear.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Patch

Array = NDArray[np.float64]
Colour = tuple[float, float, float]  # share of red, green, blue light given back
FINE = 6  # rays a pixel and direction
ROOM = 0.15  # brightness of what the ball mirrors above the table; the lamps' light is 1
SHADOW, SHADOW_RADII = 0.4, 0.9  # how much the ball takes from the cloth beneath it, and how far out


def draw_lit_ball(
    picture: BallPicture, xy_mm: tuple[float, float], ball: Colour, cloth: Colour, *, missing: float,
    half_px: int = 34, blur_px: float = 0.9,
) -> Patch:
    """A window around the ball; ``missing``: share of the cloth's light that does not come from the side of +y."""
    paint, felt = np.array(ball), np.array(cloth)
    centre, radius, eye = np.array([*xy_mm, picture.radius_mm]), picture.radius_mm, picture.pose.centre_mm
    corner = (np.floor(picture.centres([xy_mm])[0]).astype(int) - half_px) & ~1
    size = 2 * half_px
    fine = (np.arange(size * FINE) + 0.5) / FINE - 0.5
    x, y = np.meshgrid(fine + corner[0], fine + corner[1])
    ground = np.column_stack([picture.pose.to_table(np.column_stack([x.ravel(), y.ravel()]), 0.0), np.zeros(x.size)])
    ray = ground - eye
    ray /= np.linalg.norm(ray, axis=1)[:, None]
    away = np.linalg.norm(ground - centre * [1, 1, 0], axis=1) / (SHADOW_RADII * radius)
    light = felt * (1 - SHADOW * np.exp(-(away**2)))[:, None]
    along = ray @ (eye - centre)
    depth = along**2 - ((eye - centre) @ (eye - centre) - radius**2)
    hit = depth > 0
    light[hit] = _surface(ray[hit], eye - centre, -along[hit] - np.sqrt(depth[hit]), radius, paint, felt, missing)
    pixels = light.reshape(size, FINE, size, FINE, 3).mean(axis=(1, 3))
    planes = _ycc(cv2.GaussianBlur(pixels, (0, 0), blur_px))
    chroma = planes[..., 1:].reshape(half_px, 2, half_px, 2, 2).mean(axis=(1, 3))
    luma8, chroma8 = (np.rint(part).astype(np.uint8) for part in (planes[..., 0], chroma))
    return Patch(int(corner[0]), int(corner[1]), luma8, (chroma8[..., 0], chroma8[..., 1]))


def _surface(
    ray: Array, eye: Array, reach: Array, radius: float, paint: Array, felt: Array, missing: float
) -> Array:
    """Light (N, 3) from the ball: what it scatters of the lamps' and the cloth's light, and what it mirrors."""
    normal = (eye + reach[:, None] * ray) / radius
    facing = -np.einsum("ij,ij->i", ray, normal)[:, None]
    mirrored = ray + 2 * facing * normal
    up = normal[:, 2:]
    thrown_back = felt * (1 - up) / 2 * (1 - missing * np.clip(normal[:, 1:2], 0, None))
    cloth_seen = 0.8 * felt * (1 - missing * (mirrored[:, 1:2] > 0.1))
    seen = np.where(mirrored[:, 2:] < 0, cloth_seen, ROOM)
    share = 0.04 + 0.96 * (1 - facing) ** 5  # Schlick (1994), refractive index 1.5
    return np.asarray(paint * ((1 + up) / 2 + thrown_back) * (1 - share) + seen * share)


def _ycc(light: Array) -> Array:
    """Y, Cb, Cr of Rec. 709, full range, from linear light."""
    red, green, blue = np.moveaxis(255 * np.clip(light, 0, 1) ** (1 / 2.2), -1, 0)
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return np.stack([luma, 128 + (blue - luma) / 1.8556, 128 + (red - luma) / 1.5748], axis=-1)


def draw_swept_ball(
    picture: BallPicture, xy_mm: Array, way_mm: Array, ball: Colour, cloth: Colour, *, missing: float,
    half_px: int = 40, instants: int = 9,
) -> Patch:
    """A window around a ball that went this way while the shutter was open, its middle at ``xy_mm``."""
    corner = (np.floor(picture.centres([xy_mm])[0]).astype(int) - half_px) & ~1
    sums = [np.zeros((2 * half_px, 2 * half_px)), *np.zeros((2, half_px, half_px))]
    for share in (np.arange(instants) + 0.5) / instants - 0.5:
        there = xy_mm + share * way_mm
        one = draw_lit_ball(picture, (there[0], there[1]), ball, cloth, missing=missing, half_px=half_px + 30)
        x, y = (corner - (one.x, one.y)).tolist()
        for total, plane, step in zip(sums, (one.luma, *one.chroma), (1, 2, 2), strict=True):
            total += plane[y // step : y // step + len(total), x // step : x // step + len(total)]
    luma, cb, cr = (np.rint(total / instants).astype(np.uint8) for total in sums)
    return Patch(int(corner[0]), int(corner[1]), luma, (cb, cr))
