"""The server of the page, for this machine's own browsers that know the token: its files, and a socket for each."""

from __future__ import annotations

import asyncio
import json
import secrets
import socket
import webbrowser
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from importlib.resources import files as resources
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import HTTPConnection, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from evenflare.files import InputError
from evenflare.workbench.workbench import Workbench

HOST = "127.0.0.1"
NAMES = (HOST, "localhost")
"""By which a browser may call this machine."""
EVERY = 1.0
"""s between two looks at a run."""
SHARE = 5.0
"""Times as long as a look takes, until the next."""
LARGEST = 1 << 20
"""Bytes of a message from a browser."""
FILES = {
    "": ("page.html", "text/html; charset=utf-8"),
    "page.css": ("page.css", "text/css; charset=utf-8"),
    "page.js": ("page.js", "text/javascript; charset=utf-8"),
    "wall.js": ("wall.js", "text/javascript; charset=utf-8"),
    "charts.js": ("charts.js", "text/javascript; charset=utf-8"),
}
"""By address below the token."""
PLOTS, SPACE = "plots.js", "view"
HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self'"
    " data: blob:; connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


class Guard:
    """Lets through only what calls this machine by its own name, comes from its own page, and knows the token."""

    def __init__(self, app: ASGIApp, token: str, port: Callable[[], int]) -> None:
        """port : on which the server listens, once it does."""
        self.app, self.token, self.port = app, token, port

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or socket."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        asked = HTTPConnection(scope)
        own = {f"{name}:{self.port()}" for name in NAMES}
        origin = asked.headers.get("origin")
        first = scope["path"].split("/")[1] if "/" in scope["path"] else ""
        fit = asked.headers.get("host") in own and secrets.compare_digest(first.encode(), self.token.encode())
        if scope["type"] == "websocket" or origin is not None:
            fit = fit and origin in {f"http://{each}" for each in own}
        if fit:
            await self.app(scope, receive, send)
        elif scope["type"] == "websocket":
            await WebSocket(scope, receive, send).close(code=1008)
        else:
            await PlainTextResponse("not found\n", status_code=404)(scope, receive, send)


@dataclass(eq=False)
class _Listener:
    """A browser: what it is yet to be told, the latest of each kind."""

    waiting: dict[str, str] = field(default_factory=dict)
    news: asyncio.Event = field(default_factory=asyncio.Event)


class PageServer:
    """The page's server around a workbench."""

    def __init__(self) -> None:
        """Nothing listens yet."""
        self.token = secrets.token_urlsafe(32)
        self.bench: Workbench | None = None
        self._latest: dict[str, str] = {}
        self._listeners: set[_Listener] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        # One at a time: whatever changes the workbench.
        self._hands = ThreadPoolExecutor(1, thread_name_prefix="workbench")
        self.port = 0

    def told(self, kind: str, news: dict[str, Any]) -> None:
        """News for everybody who looks, from any thread."""
        if self._loop is not None and not self._loop.is_closed():
            text = json.dumps({"kind": kind, **news}, separators=(",", ":"), default=str)
            with suppress(RuntimeError):  # the loop has just ended
                self._loop.call_soon_threadsafe(self._spread, kind, text)

    def app(self) -> ASGIApp:
        """The application."""
        routes = [
            Route("/{token}/", self._file),
            Route("/{token}/{name}", self._file),
            WebSocketRoute("/{token}/live", self._live),
        ]
        return Guard(Starlette(routes=routes, lifespan=self._lifespan), self.token, lambda: self.port)

    @property
    def address(self) -> str:
        """What to open in a browser."""
        return f"http://{HOST}:{self.port}/{self.token}/"

    @asynccontextmanager
    async def _lifespan(self, app: Starlette) -> AsyncIterator[None]:
        self._loop = asyncio.get_running_loop()
        assert self.bench is not None  # nothing is served before it is there
        bench = self.bench
        await self._loop.run_in_executor(self._hands, bench.start)
        watching = asyncio.create_task(self._watch(bench))
        yield
        watching.cancel()
        await self._loop.run_in_executor(None, bench.close)
        self._hands.shutdown(wait=False, cancel_futures=True)

    async def _watch(self, bench: Workbench) -> None:
        """Tell how a run goes on while there is one and somebody looks."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(EVERY)
            if self._listeners and (bench.run is not None or bench.process is not None):
                began = loop.time()
                await loop.run_in_executor(self._hands, bench.tell_run)
                # A large run takes a second to read: it must not keep hands off the shape.
                await asyncio.sleep(SHARE * (loop.time() - began))

    async def _file(self, request: Request) -> Response:
        name = request.path_params.get("name", "")
        if name == PLOTS:
            content = (resources("plotly") / "package_data" / "plotly.min.js").read_bytes()
            return Response(
                content,
                media_type="text/javascript; charset=utf-8",
                headers=HEADERS | {"Cache-Control": "private, max-age=86400"},
            )
        if name == SPACE:
            return await self._space()
        if name not in FILES:
            return PlainTextResponse("not found\n", status_code=404)
        file, kind = FILES[name]
        content = (resources("evenflare.workbench") / "page" / file).read_bytes()
        return Response(content, media_type=kind, headers=HEADERS)

    async def _space(self) -> Response:
        assert self.bench is not None
        try:
            text, script = await asyncio.get_running_loop().run_in_executor(self._hands, self.bench.space)
        except InputError as error:
            return PlainTextResponse(f"{error}\n", status_code=404, headers=HEADERS)
        policy = f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src '{script}'"
        return Response(
            text, media_type="text/html; charset=utf-8", headers=HEADERS | {"Content-Security-Policy": policy}
        )

    async def _live(self, live: WebSocket) -> None:
        """One browser until it goes: it hears everything, and asks."""
        await live.accept()
        listener = _Listener(dict(self._latest))
        listener.news.set()
        self._listeners.add(listener)
        telling = asyncio.create_task(self._tell(live, listener))
        try:
            while True:
                await self._asked(await live.receive_text())
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            self._listeners.discard(listener)
            telling.cancel()

    async def _tell(self, live: WebSocket, listener: _Listener) -> None:
        """Send what is new; where the browser is slow only the latest of each kind."""
        with suppress(WebSocketDisconnect, RuntimeError):
            while True:
                await listener.news.wait()
                listener.news.clear()
                while listener.waiting:
                    await live.send_text(listener.waiting.pop(next(iter(listener.waiting))))

    async def _asked(self, text: str) -> None:
        """What a browser asks for, done; a fault is told."""
        assert self.bench is not None
        bench = self.bench
        try:
            asked = json.loads(text)
            if not isinstance(asked, dict):
                raise ValueError("no table")
        except ValueError:
            bench.say("The page sent something that is no message. Load it again", bad=True)
            return

        def act() -> None:
            try:
                bench.handle(asked)
            except InputError as error:
                bench.say(str(error), bad=True)

        await asyncio.get_running_loop().run_in_executor(self._hands, act)

    def _spread(self, kind: str, text: str) -> None:
        """In the loop: to every listener."""
        self._latest[kind] = text
        for listener in self._listeners:
            listener.waiting[kind] = text
            listener.news.set()


def serve(bench: Callable[[PageServer], Workbench], *, port: int, browser: bool, said: Callable[[str], None]) -> None:
    """Serve the page until it is interrupted. InputError if the port is taken.

    bench : makes the workbench, which tells the page.
    port  : 0 for any that is free.
    said  : is given the address.
    """
    page = PageServer()
    page.bench = bench(page)
    try:
        listening = socket.create_server((HOST, port))
    except OSError as error:
        raise InputError(
            f"--port {port}: cannot be listened at ({error.strerror}). Leave it out for a free one"
        ) from None
    page.port = listening.getsockname()[1]
    config = uvicorn.Config(
        page.app(), log_level="error", ws_max_size=LARGEST, timeout_graceful_shutdown=2, access_log=False
    )
    server = uvicorn.Server(config)
    said(page.address)
    if browser:
        webbrowser.open(page.address)
    with listening:
        server.run(sockets=[listening])
