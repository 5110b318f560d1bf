"""The review page's server: loopback only, behind a random token, everything by index or opaque name, never by path."""

from __future__ import annotations

import hashlib
import secrets
import socket
import threading
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.corrections import (
    Corners,
    Correction,
    check_corners,
    corrected,
    correction_of,
    keep_corrections,
    read_corrections,
)
from pipeline.frames import Plane, open_clip
from pipeline.measured_session import MeasuredSession
from pipeline.review.blind import veil
from pipeline.review.corners_view import CornersView
from pipeline.review.desk import Desk, to_json
from pipeline.review.guard import App, Guard
from pipeline.review.pictures import NotYet, PictureStore, decode, encode
from pipeline.review.remeasure import Remeasuring
from pipeline.review.shot_view import picture_view, taken_s, text, to_px
from pipeline.review_file import ACTIONS, REVIEWS_FILE
from shared.errors import ReboundryError, SettingsError, disk_words
from shared.settings import CameraSettings

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

Handler = Callable[["Request"], Awaitable["Response"]]
STATIC = Path(__file__).with_name("static")
PAGES = {path.name: path for path in STATIC.iterdir() if path.suffix in (".html", ".css", ".js", ".svg")}
TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
HOST = "127.0.0.1"
MAX_NAME = 40
MAX_NOTE = 500
RECORDING = "x-recording"  # header of a still picture: SHA-256 of the file that it is of
OTHER_RECORDING = "another recording has this name now; \"As saved\" shows it."


class ReviewServer:
    """One session's page. ``blind``: whether pages start with condition and outcome hidden."""

    def __init__(
        self, session: MeasuredSession, *, port: int = 0, blind: bool = True, token: str | None = None
    ) -> None:
        self.folder, self.out = session.folder, session.out
        self.blind = blind
        self.token = token or secrets.token_urlsafe(24)
        self.socket = _listen(port)
        self.port: int = self.socket.getsockname()[1]
        self.desk = Desk(session, secret=self.token)
        self.pictures = PictureStore()
        self.corners = CornersView()
        self._keeping = threading.Lock()  # what was kept is looked at and replaced in one go
        self.remeasuring = Remeasuring(session.folder, session.out, self._reload)

    @property
    def address(self) -> str:
        """What to open."""
        return f"http://{HOST}:{self.port}/{self.token}/"

    def app(self) -> App:
        """The guarded ASGI application."""
        from starlette.applications import Starlette
        from starlette.routing import Route

        routes = [
            Route("/", self._page),
            Route("/api/overview", self._answer(self._overview)),
            Route("/api/shot/{key:str}", self._answer(self._shot)),
            Route("/api/shot/{key:str}/frame/{index:int}.jpg", self._frame),
            Route("/api/decide", self._answer(self._decide), methods=["POST"]),
            Route("/api/undo", self._answer(self._undo), methods=["POST"]),
            Route("/api/clip/{clip:int}/picture.jpg", self._still),
            Route("/api/clip/{clip:int}/corners", self._answer(self._corners)),
            Route("/api/clip/{clip:int}/preview", self._answer(self._preview), methods=["POST"]),
            Route("/api/clip/{clip:int}/corners", self._answer(self._save_corners), methods=["POST"]),
            Route("/api/measure", self._answer(self._measure_state)),
            Route("/api/measure", self._answer(self._measure), methods=["POST"]),
            Route("/{name:str}", self._page),
        ]
        return Guard(Starlette(routes=routes), token=self.token, port=self.port)

    def serve(self, *, ready: Callable[[], None] | None = None) -> None:
        """Serve until stopped (Ctrl-C)."""
        import uvicorn

        config = uvicorn.Config(self.app(), log_level="warning", access_log=False, lifespan="off",
                                timeout_graceful_shutdown=2, server_header=False)
        server = uvicorn.Server(config)
        if ready is not None:
            threading.Thread(target=_when_started, args=(server, ready), daemon=True).start()
        try:
            server.run(sockets=[self.socket])
        finally:
            self.close()

    @property
    def report(self) -> Path:
        """The session's page to pass on."""
        return self.out / "report.html"

    def refresh_report(self) -> str:
        """Write the report with the decisions made. A line for the user where that can't be done, else empty."""
        from pipeline.report import write_report

        try:
            write_report(self.out)
        except (ReboundryError, OSError) as error:
            why = disk_words(error) if isinstance(error, OSError) else str(error)
            return f"{self.report}: could not be brought up to date with the decisions: {why}"
        return ""

    def catch_up_report(self) -> str:
        """As `refresh_report`, where decisions were made since it was written: the program was killed."""
        reviews = self.out / REVIEWS_FILE
        late = self.report.is_file() and reviews.is_file()
        late = late and reviews.stat().st_mtime_ns > self.report.stat().st_mtime_ns
        return self.refresh_report() if late else ""

    def close(self) -> None:
        """Stop what runs in the background and remove the pictures."""
        self.remeasuring.stop()
        self.pictures.close()
        self.socket.close()

    # ------------------------------------------------------------------ pages and pictures

    async def _page(self, request: Request) -> Response:
        from starlette.responses import Response

        path = PAGES.get(request.path_params.get("name", "index.html"))
        if path is None:
            return Response("no such page", status_code=404)
        return Response(path.read_bytes(), media_type=TYPES[path.suffix], headers={"cache-control": "no-cache"})

    async def _frame(self, request: Request) -> Response:
        from starlette.concurrency import run_in_threadpool
        from starlette.responses import Response

        try:
            jpeg = await run_in_threadpool(self._jpeg, request)
        except NotYet:
            return Response("on its way", status_code=503)
        except (ReboundryError, OSError) as error:
            return Response(str(error), status_code=404)
        if jpeg is None:
            return Response("no such frame, or not before a decision", status_code=404)
        return Response(jpeg, media_type="image/jpeg", headers={"cache-control": "no-store"})

    def _jpeg(self, request: Request) -> bytes | None:
        """A frame that may be shown: whole, veiled but for the cue ball, or None behind the curtain."""
        key, index = request.path_params["key"], request.path_params["index"]
        reviewer, blind = _reviewer(request.query_params.get("reviewer")), request.query_params.get("blind") != "0"
        row = self.desk.row(key)
        session = self.desk.session
        clip = text(row["clip"])
        tracks = session.tracks[session.tracks["clip"] == clip]
        path = session.clip_path(clip)
        if path is None or self.desk.no_pictures(key):
            return None
        calibration = session.calibrations.get(clip)
        t_s = float(taken_s(np.array([index]), tracks, session.clock(clip))[0])
        curtain = self.desk.curtain(key, reviewer, blind=blind)
        if not curtain.begin_s <= t_s <= curtain.last_s + 1e-9:
            return None  # also of a frame without a time: NaN lies nowhere
        whole = self.desk.curtain(key, reviewer, blind=False)
        jpeg = self.pictures.of(path, whole.begin_s, whole.last_s, calibration).jpeg(t_s)
        if jpeg is None or t_s <= curtain.clear_until_s:
            return jpeg
        own = session.tracks_of(text(row["shot_id"]))
        now = own[own["frame"] == index]
        cue = now[now["ball"] == "cue"]
        if calibration is None or cue.empty:
            return None
        radius = calibration.table.ball.radius_mm
        place = to_px(calibration, cue[["x_mm", "y_mm"]].to_numpy(float), radius)[0]
        others = to_px(calibration, now[now["ball"] == row["banked_ball"]][["x_mm", "y_mm"]].to_numpy(float), radius)
        return encode(veil(decode(jpeg), place, others, picture_view(calibration)["ball_px"]))

    async def _still(self, request: Request) -> Response:
        from starlette.concurrency import run_in_threadpool
        from starlette.responses import Response

        try:
            path = self._clip(request.path_params["clip"])[1]
            recording = await run_in_threadpool(self.desk.hashes.of, path)
            jpeg = await run_in_threadpool(lambda: encode(self._picture(path)))
        except (ReboundryError, OSError) as error:
            return Response(str(error), status_code=404)
        return Response(jpeg, media_type="image/jpeg", headers={"cache-control": "no-store", RECORDING: recording})

    # ------------------------------------------------------------------ answers

    def _answer(self, make: Callable[[Request, dict[str, Any]], dict[str, Any]]) -> Handler:
        """JSON in, JSON out, in a thread; what the user did wrong comes back as one line with status 400."""

        async def handle(request: Request) -> Response:
            from starlette.concurrency import run_in_threadpool
            from starlette.responses import Response

            try:
                body = await request.json() if request.method == "POST" else {}
                if not isinstance(body, dict):
                    raise SettingsError("a JSON object is needed.")
                reply, status = await run_in_threadpool(make, request, body), 200
            except (ReboundryError, ValueError) as error:
                reply, status = {"problem": str(error)}, 400
            except OSError as error:
                reply, status = {"problem": f"not saved: {error.strerror or error}"}, 500
            return Response(to_json(reply), status_code=status, media_type="application/json",
                            headers={"cache-control": "no-store"})

        return handle

    def _overview(self, request: Request, _: dict[str, Any]) -> dict[str, Any]:
        reviewer, blind = self._who(request)
        return {**self.desk.overview(reviewer, blind=blind), "starts_blind": self.blind, "blind": blind}

    def _shot(self, request: Request, _: dict[str, Any]) -> dict[str, Any]:
        reviewer, blind = self._who(request)
        return self.desk.detail(request.path_params["key"], reviewer, blind=blind)

    def _decide(self, _: Request, body: dict[str, Any]) -> dict[str, Any]:
        decision = next((a for a in ACTIONS if a == body.get("decision") and a in ("accept", "reject", "skip")), None)
        if decision is None:
            raise SettingsError("the decision must be accept, reject or skip.")
        typed = body.get("note")
        note = None if typed is None else " ".join(str(typed).split())[:MAX_NOTE]
        saved = self.desk.decide(str(body.get("shot")), _reviewer(body.get("reviewer")), decision, note,
                                 blind=body.get("blind", True) is not False)
        return {"saved": saved}

    def _undo(self, _: Request, body: dict[str, Any]) -> dict[str, Any]:
        return {"shot": self.desk.undo(_reviewer(body.get("reviewer")))}

    def _corners(self, request: Request, _: dict[str, Any]) -> dict[str, Any]:
        clip, path = self._clip(request.path_params["clip"])
        sha256 = self.desk.hashes.of(path)
        kept = read_corrections(self.out)
        by_hand = correction_of(kept, clip, sha256)
        held = {"kept": state_of(by_hand), "kept_all": state_of(kept), "recording": sha256}
        if by_hand is not None and by_hand.is_of(sha256):
            return {**self._look(path, by_hand.corners), "given": by_hand.corners, "source": "hand", **held}
        return {**self._before_correction(path), "outdated": by_hand is not None, **held}

    def _preview(self, request: Request, body: dict[str, Any]) -> dict[str, Any]:
        path = self._clip(request.path_params["clip"])[1]
        self._same_recording(path, body)
        given = body.get("corners")
        return self._before_correction(path) if given is None else self._look(path, check_corners(given))

    def _before_correction(self, path: Path) -> dict[str, Any]:
        """What holds where nothing was corrected by hand: the corners of session.toml, or those in the picture."""
        given = self.desk.settings.camera.corners_px
        marks = self._marks(path, self.desk.settings.camera)
        return {**marks, "given": given, "source": "picture" if given is None else "session"}

    def _save_corners(self, request: Request, body: dict[str, Any]) -> dict[str, Any]:
        clip, path = self._clip(request.path_params["clip"])
        recording = self._same_recording(path, body, saying="Not saved: ")
        given = body.get("corners")
        corners = None if given is None else check_corners(given)
        if corners is not None and (problem := self._look(path, corners).get("problem")):
            raise SettingsError(str(problem))
        clips = list(self.desk.clips) if body.get("all") is True else [clip]
        left_out: list[str] = []
        if corners is not None and len(clips) > 1:  # a place in px is no place in a picture of another size
            size = picture_size(path)
            left_out = [one for one in clips if self._size(one) != size]
            clips = [one for one in clips if one not in left_out]
        recordings = {one: recording if one == clip else self._recording(one) for one in clips}
        with self._keeping:
            before = read_corrections(self.out)
            now = before if body.get("all") is True else correction_of(before, clip, recordings[clip])
            if body.get("held", state_of(now)) != state_of(now):
                raise SettingsError("Not saved: in another window or tab, other corners were saved meanwhile; "
                                    "\"As saved\" shows them.")
            keep_corrections(self.out, corners, recordings)
            kept = read_corrections(self.out)
        return {
            "saved": True, "clips": len(clips), "left_out": left_out,
            "kept": {str(self.desk.clips.index(one)): state_of(correction_of(kept, one, sha256))
                     for one, sha256 in recordings.items()},
            "kept_all": state_of(kept), "replaced_all": state_of(before),
        }

    def _same_recording(self, path: Path, body: Mapping[str, Any], *, saying: str = "") -> str:
        """A clip's SHA-256. Raises SettingsError where the page shows another recording's picture: its corners lie over
        that one.
        """
        now = self.desk.hashes.of(path)
        if body.get("recording", now) != now:
            line = saying + OTHER_RECORDING
            raise SettingsError(line[0].upper() + line[1:])
        return now

    def _size(self, clip: str) -> tuple[int, int] | None:
        """(width, height) px of a clip's picture as displayed, as it is now or was when measured; None: not known."""
        path = self.desk.session.clip_path(clip)
        if path is None:
            measured = self.desk.session.calibrations.get(clip)
            return (measured.pose.width_px, measured.pose.height_px) if measured else None
        try:
            return picture_size(path)
        except ReboundryError:
            return None

    def _recording(self, clip: str) -> str:
        """A clip's SHA-256 as it is now; where its file is away, as it was when measured; empty where neither is known.
        """
        path = self.desk.session.clip_path(clip)
        return self.desk.hashes.of(path) if path else self.desk.measured_recording(clip)

    def _measure(self, _: Request, __: dict[str, Any]) -> dict[str, Any]:
        self.remeasuring.start()
        return self.remeasuring.state()

    def _measure_state(self, _: Request, __: dict[str, Any]) -> dict[str, Any]:
        return self.remeasuring.state()

    def _picture(self, path: Path) -> Plane:
        known = self.desk.settings
        return self.corners.picture(path, table=known.table, camera=known.camera, head=known.head)

    def _look(self, path: Path, corners: Corners) -> dict[str, Any]:
        given = corrected(self.desk.settings, Correction(corners), "")
        return self._marks(path, given.camera)

    def _marks(self, path: Path, camera: CameraSettings) -> dict[str, Any]:
        known = self.desk.settings
        return self.corners.look(path, table=known.table, camera=camera, head=known.head)

    def _clip(self, index: int) -> tuple[str, Path]:
        """A clip by its number in the list of clips: the only way in, no name or path comes from outside."""
        clips = self.desk.clips
        if not 0 <= index < len(clips):
            raise SettingsError("no such clip; reload the page.")
        path = self.desk.session.clip_path(clips[index])
        if path is None:
            raise SettingsError(f"{clips[index]} is not in the session's folder any more.")
        return clips[index], path

    def _who(self, request: Request) -> tuple[str, bool]:
        return _reviewer(request.query_params.get("reviewer")), request.query_params.get("blind", "1") != "0"

    def _reload(self) -> None:
        """After measuring again; if that left nothing to read, the old results stay on the page."""
        self.desk.follow()


def state_of(kept: Correction | Mapping[str, Correction] | None) -> str:
    """Names what is kept, of a clip or of all, so that a page can tell on saving what it had been shown."""
    return hashlib.sha256(repr(sorted(kept.items()) if isinstance(kept, Mapping) else kept).encode()).hexdigest()[:16]


def picture_size(path: Path) -> tuple[int, int]:
    """(width, height) px of a clip's picture as displayed. Raises ClipError where it can't be opened."""
    info = open_clip(path).info
    return info.width, info.height


def _reviewer(given: Any) -> str:
    name = " ".join(str(given or "").split())[:MAX_NAME]
    return name or "reviewer"


def _listen(port: int) -> socket.socket:
    """A socket on the loopback address; port 0 lets the system choose."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((HOST, port))
    except (OSError, OverflowError) as error:
        sock.close()
        raise SettingsError(f"port {port} cannot be used ({error}); choose another with --port.") from error
    sock.listen(64)
    return sock


def _when_started(server: Any, ready: Callable[[], None]) -> None:
    import time

    while not server.started and not server.should_exit:
        time.sleep(0.02)
    ready()
