"""Where a clip's chroma samples lie, measured in its picture: what its file says of that is often not so.

A 4:2:0 picture has a chroma sample for 2 x 2 luma pixels: in their middle, or beside the left two (what H.264 and HEVC
take for granted), or at the top left one. Where two materials meet, lens and pixels mix them alike in luma and chroma,
so the chroma is locally a line over the luma at the place where the sample was taken: how far from the middle that is
comes out of a regression in many small windows with the strongest edges.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.frames import ClipInfo, Frame, Plane

Array = NDArray[np.float64]
Pair = tuple[float, float]

_WINDOW: Final = 9  # chroma samples across,
_BESIDE: Final = 3  # and so many around it, for its smoothing
_WINDOWS: Final = 400  # the strongest edges of each direction,
_FEWEST: Final = 20  # or it can't be told;
_LEAST_EDGE: Final = 1.0  # in each, mean square of the change per sample, grey levels^2
_BLUR_PX: Final = 1.2  # by which luma and chroma are smoothed alike
_PAIR_VAR: Final = 1 / 3  # px^2: a chroma sample is a mean of two pixels
_CHROMA_U: Final = 1.0  # grey levels that are no line over the luma,
_WINDOW_U_PX: Final = 0.2  # or so much of the place, as colours mix in the light, before the camera's curve bends it:
_LEVEL_U_PX: Final = 0.12  # what is left of that in the mean of all; on pictures of 40 tables
_OUTLIER: Final = 3.0
_STEPS: Final = 3
_BESIDE_PX: Final = -0.5  # the other place, left of the middle, or above it
_BESIDE_SHARE: Final = (0.5, 0.05)  # of clips, before one looks: left as often as not; above only with some encoders
_NO_CLIP: Final = 0.02  # less than this of either is none


@dataclass(frozen=True)
class ChromaSiting:
    """Place of a chroma sample against the middle of its 2 x 2 luma pixels, px to the right and down, as displayed, and
    how unsure it is.
    """

    shift_px: Pair = (0.0, 0.0)
    u_px: Pair = (0.0, 0.0)


def measure_siting(still: Frame, info: ClipInfo) -> ChromaSiting:
    """Where the chroma of a clip lies, from a clean picture of it; halfway and as unsure where nothing tells it."""
    turns = info.rotation_deg // 90
    turned = (-1.0 if turns in (2, 3) and info.width % 2 else 0.0, -1.0 if turns in (1, 2) and info.height % 2 else 0.0)
    found, u = _measured(still.luma, still.chroma, turned)
    coded = _turned((found[0] - turned[0], found[1] - turned[1]), -turns)
    u_coded = np.abs(_turned(u, -turns))
    places = [
        (0.0, 0.0) if info.chroma_step[axis] == 1 else _likely(coded[axis], u_coded[axis], _BESIDE_SHARE[axis])
        for axis in (0, 1)
    ]
    x, y = _turned((places[0][0], places[1][0]), turns)
    u_x, u_y = _turned((places[0][1], places[1][1]), turns)
    return ChromaSiting((x + turned[0], y + turned[1]), (abs(u_x), abs(u_y)))


def _turned(px: Pair, turns: int) -> Pair:
    """A direction in the picture after so many quarter turns counter-clockwise."""
    for _ in range(turns % 4):
        px = (px[1], -px[0])
    return px


def _likely(found: float, u: float, beside_share: float) -> Pair:
    """Mean and spread of the places that a measured one leaves: the middle, the one beside it, or both."""
    weights = np.array([1 - beside_share, beside_share])
    if np.isfinite(u):
        off = (found - np.array([0.0, _BESIDE_PX])) / u
        weights *= np.exp(-(off**2 - (off**2).min()) / 2)
    beside = float(weights[1] / weights.sum())
    if beside < _NO_CLIP or beside > 1 - _NO_CLIP:
        beside = round(beside)
    return _BESIDE_PX * beside, abs(_BESIDE_PX) * float(np.sqrt(beside * (1 - beside)))


def _measured(luma: Plane, chroma: tuple[Plane, Plane], start: Pair) -> tuple[Pair, Pair]:
    """The chroma's place (right, down), px, and its uncertainty, infinite where too few edges are seen."""
    edges = [_Edges.strongest(luma, chroma, axis) for axis in (0, 1)]
    place, u = list(start), [np.inf, np.inf]
    for _ in range(_STEPS):
        steps = [one.step(place) if one is not None else (0.0, np.inf) for one in edges]
        for axis, (step, unsure) in enumerate(steps):
            place[axis] = float(np.clip(place[axis] + step, start[axis] - 1, start[axis] + 1))
            u[axis] = unsure
    return (place[0], place[1]), (u[0], u[1])


@dataclass(frozen=True, eq=False)
class _Edges:
    """N windows with edges across one axis (0: x, 1: y)."""

    axis: int
    luma: Array  # (N, h, w), not smoothed, with what lies around
    chroma: Array  # (2, N, samples), smoothed, less their mean
    rising: NDArray[np.bool_]  # (N,) the way the chroma that changes most does

    @classmethod
    def strongest(cls, luma: Plane, chroma: tuple[Plane, Plane], axis: int) -> _Edges | None:
        reach = _WINDOW // 2 + _BESIDE
        height, width = min(chroma[0].shape[0], luma.shape[0] // 2), min(chroma[0].shape[1], luma.shape[1] // 2)
        planes = [plane[:height, :width] for plane in chroma]
        rows, columns = ((0, 0), (1, 1)) if axis == 0 else ((1, 1), (0, 0))
        power = np.zeros((height, width), np.float32)
        for plane in planes:
            change = cv2.absdiff(plane[:, 2:], plane[:, :-2]) if axis == 0 else cv2.absdiff(plane[2:], plane[:-2])
            power += np.pad(np.asarray(cv2.multiply(change, change, scale=0.25, dtype=cv2.CV_32F)), (rows, columns))
        power = np.asarray(cv2.blur(power, (_WINDOW, _WINDOW)))[reach:-reach, reach:-reach]
        down, across = power.shape[0] // _WINDOW, power.shape[1] // _WINDOW
        if min(down, across) < 1:
            return None
        whole_cells = power[: down * _WINDOW, : across * _WINDOW].reshape(down, _WINDOW, across, _WINDOW)
        cells = whole_cells.swapaxes(1, 2).reshape(down * across, -1)
        at = cells.argmax(axis=1)
        best = cells[np.arange(len(cells)), at]
        some = np.argsort(-best, kind="stable")[:_WINDOWS]
        some = some[best[some] > _LEAST_EDGE]
        y = some // across * _WINDOW + at[some] // _WINDOW + reach
        x = some % across * _WINDOW + at[some] % _WINDOW + reach
        whole = _windows(planes, y, x, -reach, reach + 1)
        smooth = _kernel(_WINDOW, whole.shape[-1], _BESIDE, 1, _BLUR_PX / 2)
        seen = smooth @ whole @ smooth.T  # (2, N, window, window)
        along = seen.mean(axis=2 if axis == 0 else 3)
        rise = along[..., -(_WINDOW // 2) :].sum(axis=-1) - along[..., : _WINDOW // 2].sum(axis=-1)
        rising = np.take_along_axis(rise, np.abs(rise).argmax(axis=0)[None], axis=0)[0] > 0
        if min(rising.sum(), (~rising).sum()) < _FEWEST // 2:
            return None
        wide = _windows([luma], 2 * y, 2 * x, -2 * reach, 2 * reach + 2)[0]
        return cls(axis, wide, _centred(seen), rising)

    def step(self, place: list[float]) -> Pair:
        """How much further the chroma lies along the axis than at ``place``, and how unsure that is, px."""
        sigma = float(np.sqrt(_BLUR_PX**2 + _PAIR_VAR))
        across, along = (
            [_kernel(_WINDOW, self.luma.shape[-1], 2 * _BESIDE + 0.5 + part, 2, sigma, slope) for slope in (0, 1, 2)]
            for part in place
        )

        def luma(down: int, right: int) -> Array:
            return _centred(along[down] @ self.luma @ across[right].T)

        own = (luma(0, 1), luma(1, 0))[self.axis]
        other = (luma(1, 0), luma(0, 1))[self.axis]
        # the curvature takes up that chroma may be more blurred than luma; it tells nothing of the place
        terms = np.stack([luma(0, 0), own, other, luma(0, 2) + luma(2, 0)], axis=-1)  # (N, samples, 4)
        turned = np.swapaxes(terms, 1, 2)
        inverse = np.linalg.inv(turned @ terms + 1e-3 * np.eye(terms.shape[-1]))
        values = (inverse @ (turned @ self.chroma[..., None]))[..., 0]  # (2, N, 4)
        left = self.chroma - np.einsum("nmi,cni->cnm", terms, values)
        # neighbours are smoothed together: a quarter of them counts
        var = ((left**2).sum(axis=-1) * 4 / _WINDOW**2 + _CHROMA_U**2 * _WINDOW**2) * inverse[:, 1, 1]
        slope = values[..., 0]
        stiff = np.maximum((slope**2 / var).sum(axis=0), 1e-9)
        places = (slope * values[..., 1] / var).sum(axis=0) / stiff
        # what the camera's curve does has the other sign where the same materials meet the other way round
        (up, up_u), (down, down_u) = (_mean(places[way], 1 / stiff[way]) for way in (self.rising, ~self.rising))
        return (up + down) / 2, float(np.sqrt((up_u**2 + down_u**2) / 4 + ((up - down) / 4) ** 2 + _LEVEL_U_PX**2))


def _mean(places: Array, var: Array) -> Pair:
    """A robust mean and its standard error."""
    exact, mean = 1 / (var + _WINDOW_U_PX**2), float(np.median(places))
    for _ in range(10):
        weight = exact / (1 + (places - mean) ** 2 * exact / _OUTLIER**2)
        mean = float((weight * places).sum() / weight.sum())
    formal = 1 / exact.sum()
    spread = ((weight * (places - mean)) ** 2).sum() / weight.sum() ** 2
    return mean, float(np.sqrt(max(formal, spread)))


def _windows(planes: list[Plane], y: NDArray[np.intp], x: NDArray[np.intp], first: int, end: int) -> Array:
    """(planes, N, size, size) around these places."""
    beside = np.arange(first, end)
    return np.stack([plane[(y[:, None] + beside)[:, :, None], (x[:, None] + beside)[:, None]] for plane in planes]
                    ).astype(float)


def _kernel(places: int, samples: int, first: float, step: int, sigma: float, slope: int = 0) -> Array:
    """(places, samples) weights of a Gaussian at each place, or of its first or second slope along the samples."""
    off = np.arange(samples) - (first + step * np.arange(places)[:, None])
    weights = np.exp(-(off**2) / (2 * sigma**2))
    weights /= weights.sum(axis=1, keepdims=True)
    return np.asarray(weights * (1.0, off / sigma**2, off**2 / sigma**4 - 1 / sigma**2)[slope])


def _centred(windows: Array) -> Array:
    """(..., samples) of windows (..., h, w), less each one's mean."""
    flat = windows.reshape(*windows.shape[:-2], -1)
    return np.asarray(flat - flat.mean(axis=-1, keepdims=True))
