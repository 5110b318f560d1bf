"""What coded pictures hold of a ball's place: against the closed bound where the noise is known and nothing is lost."""

import math
from fractions import Fraction

import av
import numpy as np
import pytest

from calibration.capability import disc_bound_px
from tests.bench.picture_noise import outline_noise_px

RADIUS, BLUR, CONTRAST, NOISE = 12.0, 0.8, 90.0, 3.0


def _filmed(path, codec, options, noise=NOISE):
    """Frames of a disc on a straight way, in grey; returns (N, 3) frame and place."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:160, :480].astype(float)
    rows = []
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=Fraction(60), options=options)
        stream.width, stream.height, stream.pix_fmt = 480, 160, "yuv420p"
        for k in range(120):
            place = np.array([40 + 3.3 * k, 50 + 0.43 * k])
            away = np.hypot(x - place[0], y - place[1]) - RADIUS
            edge = np.array([math.erfc(v) for v in (away / (BLUR * math.sqrt(2))).ravel()]).reshape(away.shape) / 2
            luma = 70 + CONTRAST * edge + rng.normal(0, noise, edge.shape)
            flat = np.full((240, 480), 128, dtype=np.uint8)
            flat[:160] = np.clip(np.round(luma), 0, 255)
            frame = av.VideoFrame.from_ndarray(flat, format="yuv420p")
            frame.pts, frame.time_base = k, Fraction(1, 60)
            out.mux(stream.encode(frame))
            rows.append((k, *place))
        out.mux(stream.encode(None))
    return np.array(rows)


def test_it_is_the_cramer_rao_bound_where_nothing_is_coded_away(tmp_path):
    found = []
    for noise in (0.0, NOISE):
        places = _filmed(tmp_path / "disc.mkv", "ffv1", {}, noise=noise)
        found.append(outline_noise_px(tmp_path / "disc.mkv", {"cue": places}, RADIUS)["cue"])
    between_pixels, all_of_it = found
    bound = disc_bound_px(radius_px=RADIUS, contrast=CONTRAST, noise=NOISE, edge_blur_px=BLUR)
    assert between_pixels < 0.015  # what reading between pixels adds
    assert all_of_it == pytest.approx(math.hypot(bound, between_pixels), rel=0.3)  # a median of 100 that overlap


def test_coding_adds_to_it_though_it_smooths_the_cloth(tmp_path):
    plain = _filmed(tmp_path / "disc.mkv", "ffv1", {})
    coded = _filmed(tmp_path / "coded.mp4", "libx264", {"crf": "30"})
    found = [outline_noise_px(tmp_path / name, {"cue": rows}, RADIUS)["cue"]
             for name, rows in (("disc.mkv", plain), ("coded.mp4", coded))]
    assert found[1] > 1.5 * found[0]


def test_too_few_frames_tell_nothing(tmp_path):
    places = _filmed(tmp_path / "disc.mkv", "ffv1", {})[:6]
    assert outline_noise_px(tmp_path / "disc.mkv", {"cue": places}, RADIUS) == {}
