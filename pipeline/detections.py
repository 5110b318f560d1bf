"""Frames to ball centres and their uncertainty.

Each frame is looked at once, at low resolution: where nothing changed, a ball stands where it was found; where
something did, ball-sized discs are taken down as jobs, each with a small copy of the picture. Every few frames the jobs
are fitted together. Nothing is predicted, so a ball is found the same way at rest, in motion and after a contact.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.store import Calibration
from pipeline.ball_pictures import WHITE_SHARE, PictureKeeper
from pipeline.chroma_siting import ChromaSiting
from pipeline.detect_again import EarlyFit, EarlyFits
from pipeline.detect_edges import EdgeSettings, OutlineFit, OutlineFitter
from pipeline.detect_looks import looks
from pipeline.detect_motion import Places, velocities
from pipeline.detect_outline import BallPicture
from pipeline.detect_patch import Mosaic, Patch, cut
from pipeline.detect_refused import FRAMES, Refused, Seen
from pipeline.detect_search import Cloth, ClothSearch, Px, SearchSettings
from pipeline.exposures import Smears, held_at, since_motion
from pipeline.frames import Frame
from pipeline.smears import Smear
from shared.columns import DETECTIONS

Array = NDArray[np.float64]
_KEPT_RADII = 1.6  # of a ball's picture, around its middle: all of the ball, also where it is nearer to the camera
_WHITE, _OUTLINE, _CLEAR = (  # in a job's row, which lacks frame and t_s
    DETECTIONS.names.index(name) - 2 for name in ("white_share", "outline_share", "clear_share"))


@dataclass(frozen=True, kw_only=True)
class DetectSettings:
    """Detection's settings. ``shutter_s`` None: half the frame interval is assumed for the blur's length until the
    balls' smears tell it; ``chroma``: where the clip's chroma samples lie, see `measure_siting`.
    """

    edges: EdgeSettings = field(default_factory=EdgeSettings)
    search: SearchSettings = field(default_factory=SearchSettings)
    shutter_s: float | None = None
    chroma: ChromaSiting = field(default_factory=ChromaSiting)
    outline_support: float = 0.36  # less of the outline than this near edges of any kind is not worth a fit,
    faint_support: float = 0.15  # or less than this where so much of the disc isn't cloth that
    sure_disc: float = 0.6  # something of a ball's size is there, faint against the cloth or blurred by its motion
    guess_outline: float = 0.8  # less than this under a motion that was guessed, and it wasn't that motion,
    guess_better: float = 0.2  # unless so much more shows than if it lay still; if it was a motion that
    streak_px: float = 1.0  # shows at all. Where less than that shows either way,
    guess_u: float = 0.25  # the place is as unsure as this share of the motion
    outline_share: float = 0.4  # less of the outline than this is no ball,
    sure_support: float = 0.62  # unless so much of it lies near edges: a ball hardly brighter or darker than the cloth
    vague_radii: float = 0.12  # a place told no better than this is none either
    vague_outline: float = 0.7  # unless so much of the outline is seen, or what is vague is which part of it is
    outline_and_clear: float = 1.25  # share of outline seen plus share of plain cloth around it: hands have neither;
    all_clear: float = 0.95  # or so much plain cloth around one of which so much lies near edges
    still_there: float = 0.3  # share of a known ball's disc that isn't cloth: below, it has gone
    surely_there: float = 0.75  # the same where something ball-like was found within a ball's width
    misses: int = 3  # a known ball not found this often is given up, until its place looks like a ball again
    refused_s: float = 0.2  # a place that proved to be no ball, where none is expected, isn't tried again for so long
    refresh_s: float = 0.5  # a ball at rest is fitted anew this often,
    settle_s: float = 0.06  # just after it moved after so long, then twice as long ...
    light_every_s: float = 0.25  # exposures follow the light, and who leans in
    batch: int = 24  # jobs fitted together


@dataclass(eq=False)
class _Job:
    """A place in one frame where a ball may be, and what came of it."""

    t_s: float
    px: Px  # rough centre
    refresh_s: float  # fitted anew after this
    misses: int  # times in a row that a ball known here was looked for in vain; -1 for a fresh find
    patch: Patch | None  # let go once fitted,
    cloth: Cloth | None  # as is this: the cloth as that frame shows it
    disc: float  # share of a ball's disc there that isn't cloth
    row: Array | None = None  # the DETECTIONS columns after frame and t_s, once fitted and accepted
    done: bool = False

    @property
    def place(self) -> Px:
        """Where it is as far as is known, px."""
        return self.px if self.row is None else (float(self.row[0]), float(self.row[1]))

    def let_go(self, row: Array | None) -> None:
        """Done, with this row or none; what was held for fitting goes."""
        self.done, self.patch, self.cloth, self.row = True, None, None, row

    def open_at(self, t_s: float) -> bool:
        """Whether it was made in the frame of this time and still has to be fitted."""
        return not self.done and self.t_s == t_s


@dataclass(frozen=True, eq=False)
class _Fits:
    """N outlines to be fitted: what each is looked for in, from where, and how it moves."""

    patches: list[Patch]
    cloths: list[Cloth]
    start_mm: Array  # (N, 2)
    motion_px_s: Array  # (N, 2)
    guessed: NDArray[np.bool_]  # (N,) that motion
    support: Array  # (N,)
    shutter_s: Array  # (N,)


@dataclass(eq=False)
class _Look:
    """One frame's jobs: fresh ones and ones carried over from earlier frames."""

    index: int
    t_s: float
    jobs: list[_Job]

    @property
    def seen(self) -> Seen:
        """Where balls were found, as far as is known."""
        return self.t_s, [job.place for job in self.jobs if job.row is not None]


def detect_balls(
    frames: Iterable[Frame], calibration: Calibration, *, settings: DetectSettings | None = None,
    pictures: PictureKeeper | None = None, smears: Smears | None = None,
) -> pd.DataFrame:
    """Find every ball on the table in every frame.

    frames   : in order of presentation; each is looked at once and let go
    pictures : gets a small window of every white ball; smears : gets balls that smear, and is asked of the shutter
    returns  : DETECTIONS, a row per ball per frame, ordered by frame; no identities yet. A ball at rest keeps the same
               fit over many frames: its rows' errors are then the same error, not independent ones.
    """
    cv2.setNumThreads(1)  # these pictures are small: threads of its own would only get in the decoder's way
    detector = BallDetector(calibration, settings or DetectSettings(), pictures, smears)
    for frame in frames:
        detector.look(frame)
    return detector.finish()


class BallDetector:
    """Looks at one frame after the other and keeps the rows."""

    def __init__(
        self, calibration: Calibration, settings: DetectSettings, pictures: PictureKeeper | None = None,
        smears: Smears | None = None,
    ) -> None:
        self.settings, self.pictures, self.smears = settings, pictures, smears or Smears()
        self.picture = BallPicture(calibration.pose, calibration.table.ball.radius_mm)
        self.search = ClothSearch(calibration, self.picture, settings.search)
        self.fitter = OutlineFitter(self.picture, settings.edges, chroma_u_px=settings.chroma.u_px)
        self.table = calibration.table
        self._looks: list[_Look] = []  # frames whose jobs are not all done
        self._current: list[_Job] = []
        self._open = 0
        self._refused = Refused(self.fitter.radius_px, self.settings.refused_s)
        self._seen: list[Seen] = []  # balls in the last frames written down
        self._rows: list[Array] = []
        self._stamps: list[tuple[int, float]] = []  # the rows' frames and times
        self._full_range = False
        self._light_s = -math.inf  # when the light was looked at last
        self._interval_s = 0.0  # from frame to frame, lately
        self._early = EarlyFits(settings.streak_px)
        self._done_before: list[Places] = []  # in the frames before those in hand, the nearest first

    def look(self, frame: Frame) -> None:
        """Note what there is to be seen in one frame; in an undecoded one, what was there before."""
        if frame.undecoded:
            self._looks.append(_Look(frame.index, frame.t_s, self._current))
            return
        self._full_range = frame.full_range
        small = self.search.small_luma(frame)
        mask = self.search.changed(frame, small)
        if self._shows_the_table(frame, small, everywhere=mask is not None and bool(mask.all())):
            jobs = self._current if mask is None else self._renewed(frame, small, mask)
            self._current = self._refreshed(frame, jobs)
        else:
            self._current = []
            self.search.forget()
        self._looks.append(_Look(frame.index, frame.t_s, self._current))
        if self._open >= self.settings.batch:
            self._fit_all(last=False)

    def _shows_the_table(self, frame: Frame, small: NDArray[np.uint8], *, everywhere: bool) -> bool:
        """Whether the cloth is there, in whatever light, which is followed; an editor may have put in something else.

        everywhere : the picture has changed
        """
        known = self.search.cloth is not None
        if known and not everywhere and frame.t_s - self._light_s <= self.settings.light_every_s:
            self.search.follow_light(small)
            return True
        self._light_s = frame.t_s
        picture = self.search.small(frame)
        return (known and not self.search.lit_otherwise(picture)) or self.search.learn_cloth(picture)

    def finish(self) -> pd.DataFrame:
        """Fit what is left; DETECTIONS of all frames."""
        self._fit_all(last=True)
        self._ask_smears()
        if not self._rows:
            return DETECTIONS.empty()
        table = np.column_stack([self._stamps, self._rows])
        return DETECTIONS.conform(pd.DataFrame(table[np.argsort(table[:, 0], kind="stable")], columns=DETECTIONS.names))

    def _renewed(self, frame: Frame, small: NDArray[np.uint8], mask: NDArray[np.uint8]) -> list[_Job]:
        """Jobs of the balls whose surroundings are unchanged, and new ones where something changed."""
        kept, places = [], []
        again: list[tuple[Px, int]] = []
        for job in self._current:
            if job.done and job.row is None and not 0 <= job.misses < self.settings.misses:
                continue
            place = job.place
            if not self._touched(mask, place):
                kept.append(job)
                places.append(place)
            elif job.row is not None:
                again.append((place, 0))
            elif job.misses >= 0:
                again.append((place, job.misses + job.done))
        near = 0.8 * self.fitter.radius_px
        candidates = self.search.candidates(frame, small, mask, [place for place, _ in again])
        ruled_out = self._refused.at(frame.t_s)
        found = [p for p in candidates.px if _far(p, places, near) and _far(p, ruled_out, 0.4 * near)]
        jobs = kept + [self._job(frame, place, -1, disc=candidates.disc(place)) for place in found]
        for place, misses in again:
            if not _far(place, found, 0.35 * near):
                continue
            alone = _far(place, found, 2 * near)  # else it may have moved to a place found nearby
            least = self.settings.still_there if alone else self.settings.surely_there
            share = candidates.disc(place)
            if share > least or (alone and candidates.ring(place) > self.settings.search.ring_share):
                jobs.append(self._job(frame, place, misses, disc=share))
        return jobs

    def _touched(self, mask: NDArray[np.uint8], px: Px) -> bool:
        reach = math.ceil(1.2 * self.fitter.radius_px / self.search.factor)
        x, y = self.search.cell(px)
        return bool(mask[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1].any())

    def _refreshed(self, frame: Frame, jobs: list[_Job]) -> list[_Job]:
        """Balls at rest fitted anew now and then."""
        if not any(frame.t_s - job.t_s > job.refresh_s for job in jobs):
            return jobs
        out = []
        for job in jobs:
            if frame.t_s - job.t_s <= job.refresh_s:
                out.append(job)
            elif job.row is not None:
                out.append(self._job(frame, job.place, 0, min(2 * job.refresh_s, self.settings.refresh_s)))
            elif not job.done:
                out.append(job)  # still to be fitted
        return out

    def _job(
        self, frame: Frame, px: Px, misses: int, refresh_s: float | None = None, disc: float = 1.0
    ) -> _Job:
        self._open += 1
        again = self.settings.settle_s if refresh_s is None else refresh_s
        return _Job(frame.t_s, px, again, misses, cut(frame, px, 2.6 * self.fitter.radius_px),
                    self.search.cloth, disc)

    def _fit_all(self, *, last: bool) -> None:
        """Fit the open jobs of all frames but the newest (its motion isn't known yet); write finished frames down."""
        looks_now = self._looks if last else self._looks[:-1]
        fresh = [(k, job) for k, look in enumerate(looks_now) for job in look.jobs if job.open_at(look.t_s)]
        if fresh:
            jobs = [job for _, job in fresh]
            patches = [job.patch for job in jobs if job.patch is not None]
            mosaic = Mosaic(patches, self.settings.chroma.shift_px)
            xy = self.picture.pose.to_table(np.array([job.px for job in jobs]), self.picture.radius_mm)
            rough, support = self.fitter.capture(mosaic, xy, self.picture.jacobian(xy))
            motion, guessed = self._motion(rough, [k for k, _ in fresh])
            sure = np.array([job.disc for job in jobs]) > self.settings.sure_disc
            worth = support > np.where(sure, self.settings.faint_support, self.settings.outline_support)
            for job in (job for job, fine in zip(jobs, worth, strict=True) if not fine):
                job.let_go(None)
            if worth.any():
                chosen = np.flatnonzero(worth)
                cloths = [job.cloth for job in (jobs[i] for i in chosen) if job.cloth is not None]
                fits = _Fits([patches[i] for i in chosen], cloths, xy[chosen], motion[chosen], guessed[chosen],
                             support[chosen], np.full(len(chosen), self._shutter_s))
                rows, good = self._judged(mosaic, chosen, rough[chosen], fits)
                self._take([fresh[i] for i in chosen], fits, rows, good)
            self._rule_out(fresh)
        for look in looks_now:
            self._write(look)
        self._seen = [*self._seen, *(look.seen for look in looks_now)][-FRAMES - 1 :]
        self._looks = [] if last else self._looks[-1:]
        self._open = sum(not job.done for look in self._looks for job in look.jobs)
        if self.smears.full:
            self._ask_smears()

    def _rule_out(self, fitted: list[tuple[int, _Job]]) -> None:
        """Rule out finds of those ``fitted`` (which look, job) that proved to be no ball; before looks are written."""
        failed = [(len(self._seen) + k, job.px) for k, job in fitted if job.row is None and job.misses < 0]
        if failed:
            self._refused.add(failed, [*self._seen, *(look.seen for look in self._looks)])

    def _fitted(
        self, mosaic: Mosaic, of: NDArray[np.intp], rough: Array, blur: Array, guessed: NDArray[np.bool_]
    ) -> OutlineFit:
        """Fit N outlines in the patches ``of`` these numbers; a motion that was guessed is dropped unless nearly all of
        the outline then shows, or far more than without it. Where neither shows it well, the ball moved otherwise: its
        place is told worse then.
        """
        cfg = self.settings
        streak = np.linalg.norm(blur, axis=1) > self.settings.streak_px
        doubtful = np.flatnonzero(guessed & streak)  # fitted as if they lay still, too, all in one go
        balls = np.concatenate([np.arange(len(rough)), doubtful])
        motion = np.concatenate([blur, np.zeros((len(doubtful), 2))])
        fit = self.fitter.fit(mosaic, rough[balls], motion, of=of[balls], rough=False)
        chosen = np.arange(len(rough))
        moving, still = np.split(fit.outline_share[[*doubtful, *range(len(rough), len(balls))]], 2)
        shows = (moving >= cfg.guess_outline) | (moving > still + cfg.guess_better)
        chosen[doubtful] = np.where(shows, doubtful, len(rough) + np.arange(len(doubtful)))
        fit = fit.of(chosen)
        unsure = doubtful[fit.outline_share[doubtful] < cfg.guess_outline]
        if not len(unsure):
            return fit
        scale = np.abs(np.linalg.det(self.picture.jacobian(rough[unsure]))) ** 0.5  # px per mm
        u = cfg.guess_u * np.linalg.norm(blur[unsure], axis=1) / scale
        fit.cov_mm2[unsure] += u[:, None, None] ** 2 * np.eye(2)
        return fit

    @property
    def _shutter_s(self) -> float:
        """As given, as told by smears lately, or half the time between frames."""
        if self.settings.shutter_s is not None:
            return self.settings.shutter_s
        seen = self.smears.exposures
        return seen[-1].shutter.seconds if seen else 0.5 * self._interval_s

    def _motion(self, rough: Array, frame_of: list[int]) -> tuple[Array, NDArray[np.bool_]]:
        """(N, 2) px/s of motion, and (N,) where it is a guess."""
        times = [look.t_s for look in self._looks]
        of = np.array(frame_of)
        looked = set(frame_of)
        pending = [[job.px for job in look.jobs if not job.done and (job.t_s != look.t_s or k not in looked)]
                   for k, look in enumerate(self._looks)]
        waiting = [px for here in pending for px in here]
        there = self.picture.pose.to_table(np.array(waiting), self.picture.radius_mm) if waiting else np.zeros((0, 2))
        waiting_to = np.cumsum([len(here) for here in pending])
        places, others = [], []
        for k, look in enumerate(self._looks):
            known = np.array([job.row[2:4] for job in look.jobs if job.row is not None]).reshape(-1, 2)
            others.append(np.concatenate([known, there[waiting_to[k] - len(pending[k]) : waiting_to[k]]]))
            places.append(np.concatenate([rough[of == k], others[k]]) if k in looked else others[k])
        v, guessed = np.zeros_like(rough), np.zeros(len(rough), dtype=bool)
        for k in sorted(looked):
            past = [*((places[i], times[i]) for i in range(k - 1, max(k - 3, -1), -1)), *self._done_before][:2]
            future = list(zip(places[k + 1 : k + 3], times[k + 1 : k + 3], strict=True))
            mine = of == k
            v[mine], guessed[mine] = velocities(rough[mine], others[k], times[k], past, future, self.picture.radius_mm)
        if frame_of and len(self._looks) > 1:
            done = [(places[i], times[i]) for i in range(len(places) - 2, -1, -1)]
            self._done_before = [*done, *self._done_before][:2]
        if len(times) > 1:
            self._interval_s = float(np.median(np.diff(times)))
        return np.einsum("nij,nj->ni", self.picture.jacobian(rough), v), guessed

    def _judged(
        self, mosaic: Mosaic, of: NDArray[np.intp], rough: Array, fits: _Fits
    ) -> tuple[Array, NDArray[np.bool_]]:
        """Fit N outlines in the patches ``of`` these numbers: (N, ...) rows and whether each is a ball."""
        fit = self._fitted(mosaic, of, rough, fits.motion_px_s * fits.shutter_s[:, None], fits.guessed)
        seen = looks(mosaic, of, fit.xy_mm, fits.cloths, self.picture, self.search, self._full_range)
        u = np.sqrt(np.einsum("nii->ni", fit.cov_mm2))
        faint = fits.support > self.settings.sure_support  # as a whole, where single rays hardly show an edge
        outline = np.where(faint, np.maximum(fit.outline_share, fits.support), fit.outline_share)
        rows = np.column_stack([
            self.picture.centres(fit.xy_mm), fit.xy_mm, u, fit.cov_mm2[:, 0, 1] / (u[:, 0] * u[:, 1]), fit.blur_px,
            outline, seen
        ])
        return rows, self._plausible(fit, fits.start_mm, seen[:, 0], fits.support)

    def _take(self, jobs: list[tuple[int, _Job]], fits: _Fits, rows: Array, good: NDArray[np.bool_]) -> None:
        """Accept or drop fitted jobs (of which look, job)."""
        interval = self._interval_s
        for n, ((k, job), row, fine) in enumerate(zip(jobs, rows, good, strict=True)):
            patch = fits.patches[n]
            if fine and self.pictures is not None and row[_WHITE] > WHITE_SHARE:
                centre = float(row[0]), float(row[1])
                window = patch.luma_around(centre, _KEPT_RADII * self.fitter.radius_px)
                self.pictures.keep(job.t_s, centre, (float(row[2]), float(row[3])), *window)
            if interval > 0 and not fits.guessed[n] and fine:
                smear = Smear(job.t_s, patch, row[2:4], fits.motion_px_s[n])
                self.smears.take(smear, interval, self.fitter.radius_px, row[_OUTLINE], row[_CLEAR])
            if self.settings.shutter_s is None:
                self._early.keep(EarlyFit(
                    self._looks[k].index, job.t_s, patch, fits.cloths[n], fits.start_mm[n], row[2:4].copy(),
                    fits.motion_px_s[n], bool(fits.guessed[n]), float(fits.support[n]), float(fits.shutter_s[n]),
                    row if fine else None,
                ), interval)
            job.let_go(row if fine else None)

    def _ask_smears(self) -> None:
        """Ask the balls' smears how long the shutter was open, and whether that has changed; where it isn't given, what
        was fitted with another is fitted again.
        """
        self.smears.ask(self.picture, self.fitter.rays, self._interval_s, self.settings.chroma.shift_px)
        exposures = self.smears.exposures = since_motion(self.smears.exposures, self._early.times)
        if not exposures or self.settings.shutter_s is not None:
            return
        early = self._early.to_fit_again(lambda t_s: held_at(exposures, t_s).seconds)
        self._early.forget(self.smears.since_s)
        for first in range(0, len(early), self.settings.batch):
            self._fit_again(early[first : first + self.settings.batch])

    def _fit_again(self, early: list[EarlyFit]) -> None:
        fits = _Fits([one.patch for one in early], [one.cloth for one in early],
                     np.array([one.start_mm for one in early]), np.array([one.motion_px_s for one in early]),
                     np.array([one.guessed for one in early]), np.array([one.support for one in early]),
                     np.array([one.shutter_s for one in early]))
        mosaic = Mosaic(fits.patches, self.settings.chroma.shift_px)
        rough = np.array([one.xy_mm for one in early])
        rows, good = self._judged(mosaic, np.arange(len(early)), rough, fits)
        for one, row, fine in zip(early, rows, good, strict=True):
            if fine and one.row is not None:
                one.row[:] = row  # in place: it may be written down already, and stand for later frames, too
            elif fine and self._free(one.frame, row):
                self._rows.append(row)
                self._stamps.append((one.frame, one.t_s))

    def _free(self, frame: int, row: Array) -> bool:
        """Whether no ball was written down there in that frame."""
        there = [other for other, (number, _) in zip(self._rows, self._stamps, strict=True) if number == frame]
        return _far((row[2], row[3]), [(other[2], other[3]) for other in there], 1.6 * self.picture.radius_mm)

    def _plausible(self, fit: OutlineFit, start: Array, clear_share: Array, support: Array) -> NDArray[np.bool_]:
        """Whether a fit is a ball on the table."""
        edge = 0.35 * self.picture.radius_mm
        size = np.array([self.table.length_mm, self.table.width_mm])
        inside = ((fit.xy_mm > -edge) & (fit.xy_mm < size + edge)).all(axis=1)
        near = np.linalg.norm(fit.xy_mm - start, axis=1) < 1.2 * self.picture.radius_mm
        whole = (fit.outline_share > self.settings.outline_share) | (support > self.settings.sure_support)
        alone = fit.outline_share + clear_share > self.settings.outline_and_clear
        alone |= (support > self.settings.sure_support) & (clear_share > self.settings.all_clear)
        told = np.sqrt(np.einsum("nii->n", fit.cov_mm2)) < self.settings.vague_radii * self.picture.radius_mm
        told |= fit.outline_share > self.settings.vague_outline
        told |= (fit.part_u_px > 0) & (support > self.settings.sure_support)
        return np.asarray(inside & near & whole & alone & told)

    def _write(self, look: _Look) -> None:
        """Rows of a frame all of whose jobs are done; of two fits in one place the better."""
        rows = [job.row for job in look.jobs if job.row is not None]
        apart = 1.6 * self.picture.radius_mm
        kept: list[Px] = []
        for row in sorted(rows, key=lambda row: -row[9]):
            place = (float(row[2]), float(row[3]))
            if _far(place, kept, apart):
                kept.append(place)
                self._rows.append(row)
        self._stamps += [(look.index, look.t_s)] * len(kept)


def _far(place: Px, others: list[Px], distance: float) -> bool:
    return all(math.dist(place, other) > distance for other in others)
