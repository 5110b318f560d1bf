"""Decoding: clips are written here first, so their times, turns and grey levels are known."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from pipeline.frames import Clip, open_clip
from pipeline.quiet import _packets
from pipeline.stills import still_picture
from shared.errors import ClipError, SettingsError

SIZE = (96, 64)  # width, height
GREYS = [40, 80, 120, 160, 200]


def picture(grey: int, mark: int = 220) -> np.ndarray:
    """RGB: one grey, with a bright square in the top left corner."""
    rgb = np.full((SIZE[1], SIZE[0], 3), grey, np.uint8)
    rgb[:16, :16] = mark
    return rgb


def write_clip(
    path: Path, times: list[Fraction], *, codec: str = "libx264", pixels: str = "yuv420p", turn: int = 0,
    full_range: bool = False, greys: list[int] | None = None, shape: Fraction = Fraction(1),
) -> Path:
    with av.open(str(path), "w") as out:
        stream = out.add_stream(codec, rate=30)
        stream.width, stream.height = SIZE
        stream.pix_fmt = pixels
        stream.codec_context.sample_aspect_ratio = shape
        if turn:
            stream.set_display_rotation(turn)
        options = {"crf": "8", "preset": "ultrafast"}
        if codec == "libx265":
            options["x265-params"] = "log-level=none"
        stream.options = options
        stream.codec_context.time_base = Fraction(1, 90000)
        if full_range:
            stream.codec_context.color_range = 2
        for n, t in enumerate(times):
            frame = av.VideoFrame.from_ndarray(picture((greys or GREYS)[n % len(greys or GREYS)]), format="rgb24")
            frame = frame.reformat(format=pixels, dst_color_range="JPEG" if full_range else "MPEG")
            frame.pts, frame.time_base = int(t * 90000), Fraction(1, 90000)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def steady(n: int) -> list[Fraction]:
    return [Fraction(k, 30) for k in range(n)]


def test_interlaced_clips_are_named_with_what_to_do(tmp_path):
    with av.open(str(tmp_path / "old.mp4"), "w") as out:
        stream = out.add_stream("libx264", rate=30, options={"x264-params": "tff=1", "flags": "+ilme+ildct"})
        stream.width, stream.height, stream.pix_fmt = 320, 192, "yuv420p"
        for n in range(3):
            frame = av.VideoFrame.from_ndarray(np.full((288, 320), 90, np.uint8), format="yuv420p")
            frame.pts, frame.time_base = n, Fraction(1, 30)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    advice = open_clip(tmp_path / "old.mp4").info.advice
    assert "interlaced" in advice
    assert '-i "old.mp4" -vf bwdif' in advice
    assert open_clip(write_clip(tmp_path / "new.mp4", steady(3))).info.advice == ""


def test_times_are_the_containers_own_at_a_variable_rate(tmp_path):
    times = [Fraction(0), Fraction(1, 30), Fraction(1, 10), Fraction(11, 100), Fraction(2, 5)]
    clip = open_clip(write_clip(tmp_path / "vfr.mp4", times))
    frames = list(clip)
    assert [f.index for f in frames] == [0, 1, 2, 3, 4]
    assert [f.t_s for f in frames] == pytest.approx([float(t) for t in times], abs=1 / 90000)
    assert clip.damage == ""


def test_planes_have_the_pictures_grey_and_cannot_be_written(tmp_path):
    frames = list(open_clip(write_clip(tmp_path / "a.mp4", steady(5))))
    for frame, grey in zip(frames, GREYS, strict=True):
        assert frame.luma.shape == (64, 96)
        assert frame.chroma[0].shape == frame.chroma[1].shape == (32, 48)
        assert frame.luma[40:, 40:].mean() == pytest.approx(16 + grey * 219 / 255, abs=1.5)  # BT.709 limited range
        assert frame.bgr((40, 40, 20, 20)).mean() == pytest.approx(grey, abs=2)
        with pytest.raises(ValueError, match="read-only"):
            frame.luma[0, 0] = 1


@pytest.mark.parametrize(("codec", "pixels"), [("libx265", "yuv420p10le"), ("libx264", "yuv420p10le")])
def test_ten_bits_come_down_to_eight(tmp_path, codec, pixels):
    clip = open_clip(write_clip(tmp_path / "ten.mp4", steady(5), codec=codec, pixels=pixels))
    assert clip.info.bit_depth == 10
    frames = list(clip)
    assert [f.luma.dtype for f in frames] == [np.uint8] * 5
    levels = [float(f.luma[40:, 40:].mean()) for f in frames]
    assert levels == pytest.approx([16 + g * 219 / 255 for g in GREYS], abs=1.5)


def test_full_range_is_told_apart(tmp_path):
    clip = open_clip(write_clip(tmp_path / "full.mp4", steady(3), full_range=True))
    assert clip.info.full_range
    frame = next(iter(clip))
    assert frame.luma[40:, 40:].mean() == pytest.approx(GREYS[0], abs=1.5)
    assert frame.bgr((40, 40, 16, 16)).mean() == pytest.approx(GREYS[0], abs=2)


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_a_turned_clip_is_read_as_displayed(tmp_path, turn):
    clip = open_clip(write_clip(tmp_path / "turned.mp4", steady(2), turn=turn))
    upright = picture(GREYS[0])
    expected = np.rot90(upright, turn // 90)  # the display matrix turns counter-clockwise (FFmpeg, libavutil/display.h)
    assert (clip.info.height, clip.info.width) == expected.shape[:2]
    frame = next(iter(clip))
    assert frame.luma.shape == expected.shape[:2]
    assert frame.chroma[0].shape == (expected.shape[0] // 2, expected.shape[1] // 2)
    difference = frame.bgr().astype(float) - expected
    assert np.abs(difference[4:-4, 4:-4]).mean() < 4


@pytest.mark.parametrize(("across", "down"), [((-1, 0), (0, 1)), ((1, 0), (0, -1)), ((0, 1), (1, 0))])
def test_a_clip_that_is_shown_mirrored_is_refused(tmp_path, across, down):
    """Its matrix is that of the track header (ISO/IEC 14496-12, 8.3.2), in 16.16 and, its last column, 2.30."""
    upright = write_clip(tmp_path / "upright.mp4", steady(3)).read_bytes()
    as_it_is = struct.pack(">9i", 1 << 16, 0, 0, 0, 1 << 16, 0, 0, 0, 1 << 30)
    before, after = upright.split(b"tkhd")
    own = after.index(as_it_is)
    flipped = struct.pack(">9i", across[0] << 16, across[1] << 16, 0, down[0] << 16, down[1] << 16, 0, 0, 0, 1 << 30)
    after = after[:own] + flipped + after[own + len(flipped):]
    (tmp_path / "flipped.mp4").write_bytes(before + b"tkhd" + after)
    with pytest.raises(ClipError, match=r'^flipped\.mp4: .*mirrored.*ffmpeg -i "flipped\.mp4".*"upright-flipped'):
        open_clip(tmp_path / "flipped.mp4")


def test_a_preview_before_the_picture_is_passed_by(tmp_path):
    preview = write_clip(tmp_path / "preview.mp4", steady(1))
    whole = write_clip(tmp_path / "whole.mp4", steady(90))
    with av.open(str(preview)) as first, av.open(str(whole)) as second, av.open(str(tmp_path / "two.mkv"), "w") as both:
        sources = [first, second]
        streams = [both.add_stream_from_template(source.streams.video[0]) for source in sources]
        for source, stream in zip(sources, streams, strict=True):
            for packet in source.demux(source.streams.video[0]):
                if packet.dts is not None:
                    packet.stream = stream
                    both.mux(packet)
    clip = open_clip(tmp_path / "two.mkv")
    assert len(list(clip)) == 90
    assert [frame.t_s for frame in clip.decode_from(2.5)][-1] == pytest.approx(89 / 30, abs=1e-3)
    assert len(_packets(clip).t_s) == 90


def test_one_frame_is_a_clip(tmp_path):
    assert len(list(open_clip(write_clip(tmp_path / "one.mp4", steady(1))))) == 1


def test_a_clip_can_be_read_twice_and_left_early(tmp_path):
    clip = open_clip(write_clip(tmp_path / "a.mp4", steady(40)))
    for frame in clip:
        if frame.index == 2:
            break
    assert sum(1 for _ in clip) == 40


def test_truncated_clip_gives_what_decodes_and_says_so(tmp_path):
    whole = write_clip(tmp_path / "whole.mkv", steady(60), greys=list(range(30, 230, 7)))
    cut = tmp_path / "cut.mkv"
    data = whole.read_bytes()
    cut.write_bytes(data[: int(len(data) * 0.6)])
    clip = open_clip(cut)
    count = sum(1 for _ in clip)
    assert 0 < count < 60
    assert clip.damage.startswith("cut.mkv: ")
    assert str(count) in clip.damage


@pytest.mark.parametrize("name", ["later.mkv", "later.ts", "later.mp4", "later.flv"])
def test_a_clip_that_starts_later_is_whole_and_cut_short_where_it_is(tmp_path, name):
    times = [5 + t for t in steady(60)]
    clip = open_clip(write_clip(tmp_path / name, times, greys=list(range(30, 230, 7))))
    assert len(list(clip)) == 60
    assert clip.damage == ""
    if name.endswith((".mkv", ".flv")):
        data = (tmp_path / name).read_bytes()
        (tmp_path / name).write_bytes(data[: int(len(data) * 0.6)])
        cut = open_clip(tmp_path / name)
        count = len(list(cut))
        assert 0 < count < 60
        assert cut.damage.startswith(f"{name}: cut short at ")
        assert cut.damage.endswith(f"{count} frames could be read.")


def test_a_variable_rate_without_a_stored_count_is_whole(tmp_path):
    times = [Fraction(n, 30) for n in range(90) if n % 7 not in (2, 3, 4)]
    clip = open_clip(write_clip(tmp_path / "vfr.mkv", times))
    assert len(list(clip)) == len(times)
    assert clip.damage == ""


def test_a_clip_trimmed_without_coding_it_anew_is_whole(tmp_path):
    """Its container counts the frames before the new start as well, which no player shows."""
    with av.open(str(write_clip(tmp_path / "long.mp4", steady(60)))) as source, av.open(
        str(tmp_path / "{trim}.mp4"), "w"
    ) as copy:
        stream = copy.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.pts -= packet.time_base.denominator  # starts a second before 0, so the container begins later
                packet.dts -= packet.time_base.denominator
                packet.stream = stream
                copy.mux(packet)
    clip = open_clip(tmp_path / "{trim}.mp4")
    assert clip.info.frames_estimate == 60
    assert len(list(clip)) == 30
    assert clip.damage == ""


@pytest.mark.parametrize(("name", "codec"), [("bare.h264", "libx264"), ("bare.h265", "libx265")])
def test_a_coded_picture_without_a_container_has_no_times_and_is_refused(tmp_path, name, codec):
    bare = write_clip(tmp_path / name, steady(5), codec=codec)
    with pytest.raises(ClipError, match=rf'^{name}: holds no times.*ffmpeg -r RATE -i "{name}".* "timed-bare.mp4"$'):
        open_clip(bare)


def test_pixels_that_are_not_square_are_refused(tmp_path):
    oblong = write_clip(tmp_path / "wide.mp4", steady(3), shape=Fraction(4, 3))
    with pytest.raises(ClipError, match=r'^wide\.mp4: its pixels are not square \(4:3\).* "square-wide.mp4"$'):
        open_clip(oblong)
    assert open_clip(write_clip(tmp_path / "nearly.mp4", steady(3), shape=Fraction(2001, 2000))).info.width == 96


def test_a_name_that_looks_like_a_protocol_is_a_file(tmp_path, monkeypatch):
    write_clip(tmp_path / "a.mp4", steady(3)).rename(tmp_path / "10:30.mp4")
    monkeypatch.chdir(tmp_path)
    assert len(list(open_clip("10:30.mp4"))) == 3


def test_frames_without_a_time_are_not_given_one(tmp_path):
    info = open_clip(write_clip(tmp_path / "a.mp4", steady(5))).info
    with pytest.raises(ClipError, match=r"^a\.mp4: frames without a time of their own; "):
        list(Clip(write_clip(tmp_path / "bare.h264", steady(5)), info))


@pytest.mark.parametrize("content", [b"", b"this is no clip at all" * 40])
def test_what_is_no_clip_is_refused_in_one_line(tmp_path, content):
    path = tmp_path / "notes.mp4"
    path.write_bytes(content)
    with pytest.raises(ClipError, match=r"^notes\.mp4: .*(empty|not a clip)") as refused:
        open_clip(path)
    assert "\n" not in str(refused.value)


def test_sound_alone_is_refused(tmp_path):
    path = tmp_path / "talk.wav"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("pcm_s16le", rate=8000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        frame.rate = 8000
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    with pytest.raises(ClipError, match="holds no picture"):
        open_clip(path)


def test_missing_file_and_folder_are_refused(tmp_path):
    with pytest.raises(SettingsError, match="no such file"):
        open_clip(tmp_path / "none.mp4")
    with pytest.raises(SettingsError, match="no such file"):
        still_picture(tmp_path / "none.jpg")
    with pytest.raises(SettingsError, match="a folder"):
        open_clip(tmp_path)


def test_still_picture_is_the_median_of_early_frames(tmp_path):
    greys = [100, 100, 100, 100, 100, 100, 100, 100, 100, 250, *[100] * 40]  # frame 9 is one of the five
    path = write_clip(tmp_path / "flash.mp4", steady(50), greys=greys)
    assert still_picture(path)[40:, 40:].mean() == pytest.approx(100, abs=2)


def test_still_picture_reads_a_picture_file(tmp_path):
    import cv2

    cv2.imwrite(str(tmp_path / "table.png"), picture(90))
    assert np.array_equal(still_picture(tmp_path / "table.png"), picture(90))
    (tmp_path / "bad.jpg").write_bytes(b"no picture")
    with pytest.raises(ClipError, match="not a picture"):
        still_picture(tmp_path / "bad.jpg")


@pytest.mark.parametrize("pixels", ["yuv444p", "yuv444p10le", "bgr0"])
def test_chroma_of_every_luma_pixel_is_halved_where_it_lies_also_in_odd_sizes(tmp_path, pixels):
    width, height = 95, 63
    y, x = np.mgrid[:height, :width]
    rgb = av.VideoFrame.from_ndarray(np.stack([60 + x, 80 + 0 * x, 60 + y], axis=-1).astype(np.uint8), format="rgb24")
    with av.open(str(tmp_path / "x.mkv"), "w") as out:
        stream = out.add_stream("ffv1", rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, pixels
        out.mux(stream.encode(rgb.reformat(format=pixels)))
        out.mux(stream.encode(None))
    frame = next(iter(open_clip(tmp_path / "x.mkv")))
    for plane, full in zip(frame.chroma, rgb.reformat(format="yuv444p").to_ndarray()[1:], strict=True):
        assert plane.shape == (32, 48)
        pairs = np.pad(full.astype(float), ((0, 1), (0, 1)), mode="edge").reshape(32, 2, 48, 2).mean(axis=(1, 3))
        assert (plane - pairs)[:, -8:].mean() == pytest.approx(0, abs=0.25)
        assert plane == pytest.approx(pairs, abs=1.5)
