"""A web server around textual-serve: for this computer alone, or for others with a code.

Every browser that looks gets a process of its own that follows the session; none of them
can disturb the recorder or another one.
"""

import asyncio
import contextlib
import html
import shlex
import signal
import subprocess
import sys
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from string import Template

from aiohttp import web
from textual_serve.server import Server

from monitor.serving.door import Door

LOOPBACK = ("127.0.0.1", "localhost", "::1")
MOST_SCREENS = 12
"""Each is a process of some 60 MB: a page that loads itself over and over must not fill the computer."""
LOOK_S = 2.0
"""How often to look whether the session is still being recorded."""
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
        door: None for this computer alone.
        lives: whether the session is still being recorded; the server ends some time after it.
        started: is told the port.
    """

    def __init__(
        self,
        command: Sequence[str],
        host: str,
        port: int,
        title: str,
        door: Door | None,
        lives: Callable[[], bool] = lambda: True,
        started: Callable[[int], None] = lambda port: None,
    ) -> None:
        line = subprocess.list2cmdline(command) if sys.platform == "win32" else shlex.join(command)
        super().__init__(line, host=host, port=port, title=title)
        self.door, self._lives, self._started = door, lives, started
        self._screens = 0

    # -- the life of the server

    async def run(self) -> None:
        """Serve until the session is over, or until an interrupt. OSError: the address can't be had."""
        runner = web.AppRunner(await self._make_app(), access_log=None)
        await runner.setup()
        try:
            site = web.TCPSite(runner, self.host, self.port)
            await site.start()
            self._started(runner.addresses[0][1])
            await self._until_over()
        finally:
            await runner.cleanup()

    async def _until_over(self) -> None:
        over = asyncio.Event()
        loop = asyncio.get_running_loop()
        for name in ("SIGINT", "SIGTERM"):
            with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(getattr(signal, name), over.set)
        while not over.is_set() and self._lives():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LOOK_S):
                    await over.wait()
        if not over.is_set():
            # Who looks still sees that the session was closed.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(2 * LOOK_S):
                    await over.wait()

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
        return self.door is None or self.door.knows(request.cookies.get(self._cookie))

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Pages of other sites must not reach a screen through the browser of somebody who may see it."""
        if self.door is None and _name_of(request.host) not in LOOPBACK:
            raise web.HTTPForbidden(text="This screen is served to this computer only.")
        origin = request.headers.get("Origin")
        if origin is not None and origin != f"{request.scheme}://{request.host}":
            raise web.HTTPForbidden(text="This page belongs to another site.")
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
        if self.door is None:
            raise web.HTTPNotFound
        form = await request.post()
        code = form.get("code")
        key = self.door.enter(code) if isinstance(code, str) else None
        if key is None:
            return self._ask(
                "That is not the code, or it was tried too soon: read the present one and wait a second."
            )
        answer = web.HTTPSeeOther("/")
        answer.set_cookie(self._cookie, key, httponly=True, samesite="Strict", path="/")
        raise answer

    async def _screen(self, request: web.Request) -> web.StreamResponse:
        if not self._is_known(request):
            raise web.HTTPForbidden(text="Enter the code first.")
        if self._screens >= MOST_SCREENS:
            raise web.HTTPServiceUnavailable(text=f"{MOST_SCREENS} screens are open already: close one.")
        self._screens += 1
        try:
            return await self.handle_websocket(request)
        finally:
            self._screens -= 1

    async def _own_file(self, request: web.Request) -> web.StreamResponse:
        text = (_HERE / "page.js").read_text(encoding="utf-8")
        return web.Response(text=text, content_type="text/javascript")


def _name_of(host: str) -> str:
    """The name or address in a Host header, without its port."""
    if host.startswith("["):
        return host[1:].partition("]")[0]
    return host.rpartition(":")[0] if ":" in host else host


def _filled(name: str, values: dict[str, str]) -> str:
    return Template((_HERE / name).read_text(encoding="utf-8")).substitute(values)
