"""The lab's server: pages over HTTP, messages over WebSocket, an ASGI application run by uvicorn (extra `lab`)."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import io
import socket
import sys
import time
from collections.abc import Callable
from importlib import resources
from typing import Any

from nearkey.errors import NearkeyError
from nearkey.extras import library
from nearkey.lab.access import COOKIE, LabAccess
from nearkey.lab.lab_messages import MAX_BYTES, InvitationReply
from nearkey.lab.laboratory import Laboratory

LOOPBACK = ("127.0.0.1", "localhost", "::1")
_ROLES = ("both", "pad", "display", "experimenter")
_TYPES = {
    ".html": "text/html",
    ".css": "text/css",
    ".js": "text/javascript",
    ".svg": "image/svg+xml",
}
_HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
_BAD_MESSAGES = 20
_WAITING = 4096
"""Replies that may wait for a slow device before it is cut off."""
_IDLE_S = 0.03
"""Without a message so long, nothing waits for the lab: the page has painted, and the next touch is some way off."""


class _WhenIdle:
    """Does something once no message came for a while. act : what."""

    def __init__(self, act: Callable[[], None]) -> None:
        self._act = act
        self._timer: asyncio.TimerHandle | None = None

    def __call__(self) -> None:
        """A message was dealt with."""
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(_IDLE_S, self._act)


def require_lab_extra() -> None:
    """NearkeyError naming the extra where a library of the server is missing."""
    for name in ("starlette", "uvicorn", "websockets", "segno"):
        library(name, extra="lab", needs=f"the lab needs {name}", where="nearkey lab")


def address_of_this_machine() -> str:
    """The address other devices of the network reach this machine under, as its routes say; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address reserved for documentation
            return str(probe.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def qr_data_uri(text: str) -> str:
    """A text as a QR code, a data URI of an SVG."""
    import segno

    return str(segno.make(text, error="m").svg_data_uri(scale=6, dark="#16211c", light="#ffffff"))


def qr_terminal(text: str) -> str:
    """A text as a QR code of characters, for a terminal."""
    import segno

    drawn = io.StringIO()
    segno.make(text, error="m").terminal(drawn, compact=True)
    return drawn.getvalue()


def _page(name: str) -> bytes | None:
    """A file of the pages by its bare name; None for any other."""
    if not name or any(part in name for part in ("/", "\\", "..")) or name.startswith("."):
        return None
    found = resources.files("nearkey.lab").joinpath("pages").joinpath(name)
    return found.read_bytes() if found.is_file() else None


def lab_app(
    laboratory: Laboratory, access: LabAccess, *, clock: Callable[[], float] = time.monotonic
) -> Any:
    """The ASGI application.

    laboratory : what messages are for. access : who may come in. clock : of tokens, in seconds.
    """
    from starlette.applications import Starlette
    from starlette.requests import HTTPConnection, Request
    from starlette.responses import RedirectResponse, Response
    from starlette.routing import Route, WebSocketRoute
    from starlette.websockets import WebSocket, WebSocketDisconnect

    idle = _WhenIdle(laboratory.prefetch)
    elsewhere = "This is not the name of a lab.", 421

    def refused(text: str, status: int) -> Response:
        return Response(text + "\n", status, media_type="text/plain", headers=_HEADERS)

    def why_not(asking: HTTPConnection, key: str | None) -> tuple[str, int] | None:
        """What is told to who is not let in, and the status; None for others."""
        if not access.host_allowed(asking.headers.get("host")):
            return elsewhere
        if not access.may_enter(asking.client.host if asking.client else None, key):
            return (
                "This lab lets other devices in by a one-time address only. "
                "Ask the experimenter for a fresh code and scan it.",
                403,
            )
        return None

    async def page(request: Request) -> Response:
        fault = why_not(request, request.cookies.get(COOKIE))
        name = request.path_params.get("name", "index.html")
        data = None if fault else _page(name)
        if data is None:
            return refused(*(fault or ("There is no such page.", 404)))
        kind = _TYPES.get(name[name.rfind(".") :], "application/octet-stream")
        return Response(data, media_type=kind, headers=_HEADERS)

    async def join(request: Request) -> Response:
        if not access.host_allowed(request.headers.get("host")):
            return refused(*elsewhere)
        role = request.path_params["role"]
        key = access.admit(request.path_params["token"], clock())
        if key is None or role not in _ROLES:
            return refused(
                "This address was used already, or is too old. Ask the experimenter for a fresh code.",
                403,
            )
        answer = RedirectResponse("/" if role == "both" else f"/{role}", 303, headers=_HEADERS)
        answer.set_cookie(COOKIE, key, httponly=True, samesite="strict")
        return answer

    async def messages(socket_: WebSocket) -> None:
        key = socket_.cookies.get(COOKIE) or socket_.query_params.get("key")
        fresh = None
        if "token" in socket_.query_params:
            fresh = key = access.admit(socket_.query_params["token"], clock())
        if not access.origin_allowed(socket_.headers.get("origin")) or why_not(socket_, key):
            await socket_.close(1008)
            return
        await socket_.accept()
        waiting: asyncio.Queue[str] = asyncio.Queue(_WAITING)
        overrun = asyncio.Event()

        def send(text: str) -> None:
            try:
                waiting.put_nowait(text)
            except asyncio.QueueFull:
                overrun.set()

        async def write() -> None:
            while not overrun.is_set():
                await socket_.send_text(await waiting.get())
            await socket_.close(1013)

        if fresh is not None:
            send(f'{{"type":"key","key":"{fresh}"}}')
        serial = laboratory.connect(send)
        writer = asyncio.create_task(write())
        bad = 0
        try:
            while bad < _BAD_MESSAGES:
                message = await socket_.receive()
                if message["type"] == "websocket.disconnect":
                    break
                data = message.get("text")
                if data is None:
                    data = message.get("bytes") or b""
                bad = 0 if laboratory.receive(serial, data) else bad + 1
                idle()
            else:
                await socket_.close(1008)
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            laboratory.disconnect(serial)
            writer.cancel()
            with contextlib.suppress(asyncio.CancelledError, Exception):
                await writer

    return Starlette(
        routes=[
            Route("/", page),
            *(Route(f"/{role}", page) for role in _ROLES[1:]),
            Route("/join/{token}/{role}", join),
            Route("/lab/{name:path}", page),
            WebSocketRoute("/messages", messages),
        ]
    )


def inviter(access: LabAccess, host: str) -> Callable[[str], InvitationReply]:
    """Makes one-time addresses on `host`, with their QR codes."""

    def invite(role: str) -> InvitationReply:
        token = access.invite(time.monotonic())
        if role == "sensor":
            url = f"ws://{host}:{access.port}/messages?token={token}"
        else:
            url = f"http://{host}:{access.port}/join/{token}/{role}"
        return InvitationReply(url=url, qr=qr_data_uri(url), role=role)

    return invite


def bound_socket(host: str, port: int) -> socket.socket:
    """A listening socket; NearkeyError where the port is taken. Port 0 is any free one."""
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((host, port))
        made.listen(64)  # from here on a client may come; it is answered when the server runs
    except OSError as fault:
        made.close()
        raise NearkeyError(
            f"port {port} cannot be used ({fault.strerror})",
            where="nearkey lab",
            field="--port",
            fix="stop what uses it, or name another",
        ) from None
    return made


def serve_lab(
    laboratory: Laboratory,
    access: LabAccess,
    listening: socket.socket,
    *,
    lines: bool = False,
) -> None:
    """Serve until interrupted, or until standard input ends.

    laboratory, access : what is served and to whom. listening : from `bound_socket`. lines : also take messages, one a
    line, from standard input, and answer on standard output.
    """
    import uvicorn

    from nearkey.lab.line_front import run_lines

    config = uvicorn.Config(
        lab_app(laboratory, access),
        log_level="warning",
        access_log=False,  # addresses hold tokens
        ws="websockets-sansio",
        ws_max_size=MAX_BYTES,
        ws_per_message_deflate=False,  # small messages, a near network: packing them only takes time
        ws_ping_interval=10.0,
        ws_ping_timeout=20.0,
        lifespan="off",
        timeout_graceful_shutdown=1,
        server_header=False,
    )
    server = uvicorn.Server(config)

    async def run() -> None:
        serving = asyncio.create_task(server.serve(sockets=[listening]))
        if lines:
            idle = _WhenIdle(laboratory.prefetch)
            await run_lines(
                laboratory, sys.stdin.buffer, sys.stdout.buffer, until=serving, idle=idle
            )
            server.should_exit = True
        await serving

    # The pack's objects stay for good: looking through them for garbage would hold up a touch now and then.
    gc.collect()
    gc.freeze()
    try:
        asyncio.run(run())
    finally:
        gc.unfreeze()
        laboratory.close()
