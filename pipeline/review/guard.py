"""Who may ask the page for anything: this machine, this address with its token, this page itself."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MAX_BODY_BYTES = 64 * 1024
_HEADERS = [
    (b"content-security-policy", b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
     b"connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),  # the token stands in the address
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
]


class Guard:
    """ASGI wrapper: lets through what comes from the page itself, strips the token, and refuses all else with 403.

    The Host must be the loopback address that we serve (no name of somebody else's that points here), an Origin, where
    sent, must be ours, the browser must not call the request cross-site, and the path must start with the token.
    """

    def __init__(self, app: App, *, token: str, port: int) -> None:
        self.app, self.token = app, token
        self.hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost")}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http" or not self._allowed(scope):
            await _refuse(send)
            return
        path = scope["path"][len(self.token) + 1 :]
        inner = {**scope, "path": path, "raw_path": path.encode()}

        async def send_guarded(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *_HEADERS]
            await send(message)

        await self.app(inner, receive, send_guarded)

    def _allowed(self, scope: Scope) -> bool:
        headers = {key.decode("latin-1").lower(): value.decode("latin-1") for key, value in scope["headers"]}
        if headers.get("host", "") not in self.hosts:
            return False
        origin = headers.get("origin")
        if origin is not None and origin not in {f"http://{host}" for host in self.hosts}:
            return False
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return False
        if scope["method"] not in ("GET", "HEAD"):
            sized = headers.get("content-length", "")
            if not sized.isdecimal() or int(sized) > MAX_BODY_BYTES:
                return False
            if headers.get("content-type", "").split(";")[0] != "application/json":
                return False  # what a plain form could send is not accepted
        first = scope["path"].split("/")[1] if scope["path"].startswith("/") else ""
        return hmac.compare_digest(first.encode(), self.token.encode()) and ".." not in scope["path"]


async def _refuse(send: Send) -> None:
    body = b"Refused: open the address that `reboundry review` printed, with its token."
    await send({"type": "http.response.start", "status": 403, "headers": [
        (b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode()), *_HEADERS]})
    await send({"type": "http.response.body", "body": body})
