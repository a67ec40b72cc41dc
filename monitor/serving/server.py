"""A web server around textual-serve: for this computer alone, or for others with a code.

Every browser that looks gets a process of its own that follows the session; none of them
can disturb the recorder or another one.
"""

import asyncio
import contextlib
import html
import logging
import shlex
import signal
import subprocess
import sys
from asyncio.subprocess import Process
from collections.abc import Awaitable, Callable, Coroutine, Sequence
from pathlib import Path
from string import Template
from typing import Any

import msgspec
from aiohttp import WSMsgType, web
from aiohttp.http_exceptions import HttpProcessingError
from textual_serve.app_service import AppService
from textual_serve.server import Server

from monitor.serving.access import AccessCodes
from monitor.text import plain

LOOPBACK = ("127.0.0.1", "localhost", "::1")
MOST_SCREENS = 12
"""Each is a process of some 60 MB: a page that loads itself over and over must not fill the computer."""
LOOK_S = 2.0
"""How often to look whether the session is still being recorded."""
PING_S = 15.0
"""A browser is asked so often whether it is there; it has half of that to answer."""
PATIENCE_S = 20.0
"""Whoever takes longer to accept what is sent, or to say what is wanted, is taken for hung."""
PAUSE_S, MOST_PAUSING = 1.0, 64
"""Whoever tries a wrong code waits so long for the answer; beyond so many at once nobody is made to."""
LEAVE_S = 5.0
"""A screen that was told to go and has not gone by then is ended."""
MOST_COLUMNS, MOST_ROWS = 800, 300
"""Of a screen: a browser names its size, and every cell takes memory here."""
MOST_LINES = 10
"""About requests that failed, in the life of a server."""
MOST_OCTETS = 1 << 16
"""Of what a browser sends at once: keys, or a text that is pasted."""
MOST_REASON = 120
"""Octets of a reason for closing; a frame that controls a socket holds 125 (RFC 6455, 5.5)."""
_HERE = Path(__file__).parent
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; connect-src 'self' ws:; "
    "img-src 'self' data:; font-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "Cache-Control": "no-store",
    # Not no-referrer: then a form that is sent to this very page would name no origin.
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class ScreenServer(Server):
    """Serves the screen of a session.

    Args:
        command: starts one screen, as arguments.
        host, port: where to listen; port 0 takes a free one.
        title: of the page.
        access: None for this computer alone.
        lives: whether the session is still being recorded; the server ends some time after it.
        started: is told the port.
        ending: how the session ended, in words; asked for when it has.
    """

    def __init__(
        self,
        command: Sequence[str],
        host: str,
        port: int,
        title: str,
        access: AccessCodes | None,
        lives: Callable[[], bool] = lambda: True,
        started: Callable[[int], None] = lambda port: None,
        ending: Callable[[], str] = lambda: "",
    ) -> None:
        # exec: the process to be ended is the screen itself then, and no shell around it.
        windows = sys.platform == "win32"
        line = subprocess.list2cmdline(command) if windows else f"exec {shlex.join(command)}"
        super().__init__(line, host=host, port=port, title=title)
        self.access, self._lives, self._started = access, lives, started
        self._ending = ending
        self._screens = self._pausing = 0
        self._shown: set[asyncio.Transport] = set()
        # How often each connection was seen that has asked for nothing yet; -1 once it has.
        self._silent: dict[object, int] = {}

    # -- the life of the server

    async def run(self) -> None:
        """Serve until the session is over, or until an interrupt. OSError: the address can't be had."""
        runner = web.AppRunner(
            await self._make_app(),
            access_log=None,
            logger=_quiet_log(),
            keepalive_timeout=PATIENCE_S,
            lingering_time=LOOK_S,
        )
        await runner.setup()
        try:
            site = web.TCPSite(runner, self.host, self.port)
            await site.start()
            self.port = runner.addresses[0][1]
            self._started(self.port)
            await self._until_over(runner)
        finally:
            # Otherwise the end would wait for every browser.
            for each in tuple(self._shown):
                each.abort()
            await runner.cleanup()

    async def _until_over(self, runner: web.AppRunner) -> None:
        over = asyncio.Event()
        loop = asyncio.get_running_loop()
        for name in ("SIGINT", "SIGTERM"):
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(getattr(signal, name), over.set)
        while not over.is_set() and self._lives():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await over.wait()
            self._drop_silent(runner)
        if not over.is_set():
            # Who looks still sees that the session was closed.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(2 * LOOK_S):
                    await over.wait()

    def _drop_silent(self, runner: web.AppRunner) -> None:
        """Let go of whoever connects and never says what for: each would hold a file open here for good."""
        there = runner.server.connections if runner.server is not None else []
        self._silent = {each: self._silent.get(each, 0) for each in there}
        for each in there:
            if self._silent[each] * LOOK_S > PATIENCE_S and each.transport is not None:
                each.transport.abort()
            elif self._silent[each] >= 0:
                self._silent[each] += 1

    async def _make_app(self) -> web.Application:
        app = web.Application(middlewares=[self._guard], client_max_size=4096)
        app.add_routes(
            [
                web.get("/", self._page),
                web.post("/", self._try_code),
                web.get("/ws", self._screen),
                web.get("/page.js", self._own_file),
                web.static("/static", self.statics_path),
            ]
        )
        return app

    # -- who may come in

    @property
    def _cookie(self) -> str:
        return f"plumbwatt-{self.port}"

    def _is_known(self, request: web.Request) -> bool:
        return self.access is None or self.access.knows(request.cookies.get(self._cookie))

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Pages of other sites must not reach a screen through the browser of somebody who may see it."""
        self._silent[request.protocol] = -1
        if self.access is None and _name_of(request.host) not in (*LOOPBACK, self.host):
            raise web.HTTPForbidden(text="This screen is served to this computer only.")
        origin = request.headers.get("Origin")
        if origin is not None and origin != f"{request.scheme}://{request.host}":
            raise web.HTTPForbidden(text="This page belongs to another site.")
        if request.path != "/" and not self._is_known(request):
            raise web.HTTPForbidden(text="Enter the code first.")
        response = await handler(request)
        if not response.prepared:
            response.headers.update(_HEADERS)
        return response

    async def _page(self, request: web.Request) -> web.StreamResponse:
        if not self._is_known(request):
            return self._ask("")
        values = {
            "title": html.escape(self.title),
            "socket": html.escape(f"ws://{request.host}/ws"),
        }
        return web.Response(text=_filled("page.html", values), content_type="text/html")

    def _ask(self, problem: str) -> web.Response:
        values = {"title": html.escape(self.title), "problem": html.escape(problem)}
        return web.Response(
            text=_filled("enter.html", values), content_type="text/html", status=403 if problem else 200
        )

    async def _try_code(self, request: web.Request) -> web.StreamResponse:
        if self.access is None:
            raise web.HTTPNotFound
        code = None
        # What is no form (odd character sets, parts without an end) holds no code.
        with contextlib.suppress(ValueError, LookupError, TimeoutError):
            async with asyncio.timeout(PATIENCE_S):
                code = (await request.post()).get("code")
        key = self.access.enter(code) if isinstance(code, str) else None
        if key is None:
            if self._pausing < MOST_PAUSING:
                self._pausing += 1
                try:
                    await asyncio.sleep(PAUSE_S)
                finally:
                    self._pausing -= 1
            return self._ask("That is not the code: read the present one.")
        answer = web.HTTPSeeOther("/")
        answer.set_cookie(self._cookie, key, httponly=True, samesite="Strict", path="/")
        raise answer

    # -- a screen

    async def _screen(self, request: web.Request) -> web.StreamResponse:
        if self._screens >= MOST_SCREENS:
            raise web.HTTPServiceUnavailable(text=f"{MOST_SCREENS} screens are open already: close one.")
        self._screens += 1
        try:
            return await self._show(request)
        finally:
            self._screens -= 1

    async def _show(self, request: web.Request) -> web.StreamResponse:
        """A process of its own for one browser, until either goes or the browser hangs."""
        socket = web.WebSocketResponse(heartbeat=PING_S, max_msg_size=MOST_OCTETS)
        await socket.prepare(request)
        transport = request.transport
        if transport is None:
            return socket
        self._shown.add(transport)

        def sent(send: Callable[..., Awaitable[object]]) -> Callable[..., Coroutine[Any, Any, None]]:
            async def sending(*what: Any) -> None:
                try:
                    async with asyncio.timeout(PATIENCE_S):
                        await send(*what)
                except TimeoutError:
                    transport.abort()
                    raise ConnectionResetError from None

            return sending

        screen = AppService(
            self.command,
            write_bytes=sent(socket.send_bytes),
            write_str=sent(socket.send_str),
            close=sent(lambda: self._closed(socket)),
            download_manager=self.download_manager,
        )
        try:
            columns, rows = (_number(request.query.get(name, "")) for name in ("width", "height"))
            await screen.start(min(columns or 80, MOST_COLUMNS), min(rows or 24, MOST_ROWS))
            with contextlib.suppress(OSError):
                await self._hear(socket, screen, sent(socket.send_json))
        finally:
            # What is still on its way to a browser that hangs must not be waited for.
            self._shown.discard(transport)
            transport.abort()
            await _end(screen)
        return socket

    async def _closed(self, socket: web.WebSocketResponse) -> None:
        """Close a screen's socket; the page shows how the session ended, if it has."""
        words = "" if self._lives() else self._ending()
        await socket.close(message=words.encode()[:MOST_REASON])

    async def _hear(
        self,
        socket: web.WebSocketResponse,
        screen: AppService,
        answer: Callable[[object], Awaitable[None]],
    ) -> None:
        """Pass on what the browser says; what makes no sense is nothing said."""
        async for message in socket:
            if message.type is not WSMsgType.TEXT:
                continue
            match _decoded(message.data):
                case ["stdin", str(text)]:
                    await screen.send_bytes(text.encode("utf-8", "replace"))
                case ["resize", {"width": int(columns), "height": int(rows)}]:
                    await screen.set_terminal_size(
                        max(1, min(columns, MOST_COLUMNS)), max(1, min(rows, MOST_ROWS))
                    )
                case ["ping", value]:
                    await answer(["pong", value])
                case ["blur", *_]:
                    await screen.blur()
                case ["focus", *_]:
                    await screen.focus()

    async def _own_file(self, request: web.Request) -> web.StreamResponse:
        text = (_HERE / "page.js").read_text(encoding="utf-8")
        return web.Response(text=text, content_type="text/javascript")


class _OneLine(logging.Handler):
    """What goes wrong with a request, in one line and for so often: anyone in the network can cause it."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self._left = MOST_LINES

    def emit(self, record: logging.LogRecord) -> None:
        error = record.exc_info[1] if record.exc_info else None
        # A request that is no request is the sender's affair.
        if isinstance(error, HttpProcessingError | ConnectionError) or not self._left:
            return
        self._left -= 1
        what = plain(record.getMessage() if error is None else f"{type(error).__name__}: {error}", limit=200)
        print(f"note: a request could not be served ({what})", file=sys.stderr, flush=True)


def _quiet_log() -> logging.Logger:
    log = logging.Logger("monitor.serving.requests")
    log.addHandler(_OneLine())
    return log


async def _end(screen: AppService) -> None:
    """Tell a screen to go; one that does not, or can't because nobody reads what it says, is ended."""
    with contextlib.suppress(OSError, TimeoutError):
        async with asyncio.timeout(LEAVE_S):
            await screen.stop()
    process = screen._process
    if process is None:
        return
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(LEAVE_S):
            await _gone(process)
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await _gone(process)


async def _gone(process: Process) -> None:
    """Wait for the end of a process; what it says meanwhile is for nobody."""
    while process.stdout is not None and await process.stdout.read(1 << 16):
        pass
    await process.wait()


def _decoded(text: str) -> object:
    """A message; None for what is no JSON."""
    try:
        return msgspec.json.decode(text)
    except (msgspec.MsgspecError, RecursionError, UnicodeError):
        return None


def _number(text: str) -> int:
    """A number of cells, 0 for what is none."""
    return int(text) if text.isdecimal() and len(text) <= 9 else 0


def _name_of(host: str) -> str:
    """The name or address in a Host header, without its port."""
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.rpartition(":")[0] if ":" in host else host


def _filled(name: str, values: dict[str, str]) -> str:
    return Template((_HERE / name).read_text(encoding="utf-8")).substitute(values)
