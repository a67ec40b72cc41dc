"""The served screen under attack: guesses, other sites, other names, floods, nonsense over the socket."""

import asyncio
import base64
import contextlib
import json
import os
import signal
import socket as sockets
import sys
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import aiohttp
import pytest

from monitor.serving import server as serving
from monitor.serving.access import AccessCodes
from monitor.serving.server import MOST_COLUMNS, MOST_ROWS, MOST_SCREENS, ScreenServer

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the stand-in is told by a shell's words")
SCREEN = """
import json, os, pathlib, sys
if len(sys.argv) > 1:
    pathlib.Path(sys.argv[1], f"pid-{os.getpid()}").touch()
sys.stdout.buffer.write(b"__GANGLION__\\n")
sys.stdout.buffer.flush()
while len(head := sys.stdin.buffer.read(5)) == 5:
    text = sys.stdin.buffer.read(int.from_bytes(head[1:], "big"))
    if head[:1] == b"M" and json.loads(text).get("type") == "quit":
        break
"""
"""A stand-in for a screen, as the server takes one: it says that it is there, and stays until told to go."""
WAITS = (sys.executable, "-c", SCREEN)
TALKS = """
import os, pathlib, sys, threading
pathlib.Path(sys.argv[1], f"pid-{os.getpid()}").touch()
sys.stdout.buffer.write(b"__GANGLION__\\n")
def talk():
    while True:
        sys.stdout.buffer.write(b"D" + (60000).to_bytes(4, "big") + bytes(60000))
talking = threading.Thread(target=talk)
talking.start()
sys.stdin.buffer.read(5)
talking.join()
"""
"""A screen that never ends what it says, not even when it is told to go."""


@contextlib.asynccontextmanager
async def served(access: AccessCodes | None, command: tuple[str, ...] = WAITS) -> AsyncIterator[str]:
    ports = asyncio.Queue[int]()
    server = ScreenServer(command, "127.0.0.1", 0, "title", access, started=ports.put_nowait)
    running = asyncio.create_task(server.run())
    try:
        yield f"http://127.0.0.1:{await ports.get()}"
    finally:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(20):
                while server._screens:
                    await asyncio.sleep(0.02)
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running


async def refused(client: aiohttp.ClientSession, url: str, headers: dict[str, str] | None = None) -> int:
    """The status with which a socket is refused; it must be."""
    with pytest.raises(aiohttp.WSServerHandshakeError) as caught:
        await client.ws_connect(url + "/ws", headers=headers)
    return caught.value.status


async def opened(client: aiohttp.ClientSession, url: str, query: str = "") -> aiohttp.ClientWebSocketResponse:
    """A socket, as soon as there is a place for it."""
    async with asyncio.timeout(30):
        while True:
            with contextlib.suppress(aiohttp.WSServerHandshakeError):
                return await client.ws_connect(f"{url}/ws{query}")
            await asyncio.sleep(0.05)


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(20):
        while not true():
            await asyncio.sleep(0.02)


async def test_no_socket_without_a_key() -> None:
    codes: list[str] = []
    async with served(AccessCodes(codes.append)) as url, aiohttp.ClientSession() as client:
        name = f"plumbwatt-{url.rpartition(':')[2]}"
        for cookie in ("", f"{name}=", f"{name}=guess", f"{name}={codes[0]}", f"other={codes[0]}"):
            assert await refused(client, url, {"Cookie": cookie} if cookie else None) == 403
        # The code is no key, and neither in the address.
        for path in (f"/ws?code={codes[0]}", f"/?code={codes[0]}"):
            async with client.get(url + path) as answer:
                assert "textual-terminal" not in await answer.text()
            for path in ("/page.js", "/static/js/textual.js"):
                async with client.get(url + path) as answer:
                    assert answer.status == 403
        assert len(codes) == 1
        # A key under that very name does open: so it was the keys that were wrong.
        async with client.post(url, data={"code": codes[0]}, allow_redirects=False) as answer:
            key = answer.cookies[name].value
        async with client.ws_connect(url + "/ws", headers={"Cookie": f"{name}={key}"}) as socket:
            assert not socket.closed


async def test_a_key_serves_no_page_of_another_site() -> None:
    """A browser sends the cookie along; it names the site as well, and that must be ours."""
    codes: list[str] = []
    jar = aiohttp.CookieJar(unsafe=True)
    async with served(AccessCodes(codes.append)) as url, aiohttp.ClientSession(cookie_jar=jar) as client:
        async with client.post(url, data={"code": codes[0]}) as answer:
            assert answer.status == 200
        for origin in ("http://evil.example", "null", url.replace("http:", "https:"), url + "0", "file://"):
            assert await refused(client, url, {"Origin": origin}) == 403
        async with client.ws_connect(url + "/ws", headers={"Origin": url}) as socket:
            assert not socket.closed


async def test_a_name_of_theirs_for_our_address_is_refused() -> None:
    """Rebinding: their name leads to this computer, so that origin and host agree."""
    async with served(None) as url, aiohttp.ClientSession() as client:
        port = url.rpartition(":")[2]
        for name in (
            "evil.example",
            "localhost.evil.example",
            "127.0.0.1.evil.example",
            "127.0.0.2",
            "[::2]",
        ):
            host = f"{name}:{port}"
            assert await refused(client, url, {"Host": host, "Origin": f"http://{host}"}) == 403
            async with client.get(url, headers={"Host": host}) as answer:
                assert answer.status == 403


@pytest.mark.slow
async def test_many_guesses_do_not_keep_the_rightful_one_out() -> None:
    codes: list[str] = []
    async with served(AccessCodes(codes.append)) as url, aiohttp.ClientSession() as client:
        wrong = 0

        async def guess_on() -> None:
            nonlocal wrong
            while True:
                async with client.post(url, data={"code": f"{wrong:010}"}) as answer:
                    assert answer.status == 403
                wrong += 1

        guessing = [asyncio.create_task(guess_on()) for _ in range(90)]
        await asyncio.sleep(1.5)
        async with (
            asyncio.timeout(5),
            aiohttp.ClientSession() as rightful,
            rightful.post(url, data={"code": codes[0]}) as answer,
        ):
            assert answer.status == 200
        for each in guessing:
            each.cancel()
        results = await asyncio.gather(*guessing, return_exceptions=True)
        assert all(isinstance(each, asyncio.CancelledError) for each in results)
        assert wrong > 64
        assert len(codes) == 2


NO_REQUESTS = (
    b"GET / HTTP/9.9\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00",  # TLS
    b"GET /\x00 HTTP/1.1\r\nHost: x\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: x\r\nHost: y\r\nContent-Length: -1\r\n\r\n",
    b"GET / HTTP/1.1\r\nno colon\r\n\r\n",
    b"GET / HTTP/1.1\r\nX: " + b"a" * 20_000 + b"\r\n\r\n",
    b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    b"\xff" * 500 + b"\r\n\r\n",
    b"GET http://[::1 HTTP/1.1\r\nHost: [\r\n\r\n",
)


@pytest.mark.parametrize("octets", NO_REQUESTS)
async def test_requests_that_are_none_print_at_most_a_line(
    octets: bytes, capfd: pytest.CaptureFixture[str]
) -> None:
    """All that a stranger in the network can send to the port, and what stands on the terminal then."""
    async with served(AccessCodes(lambda _: None)) as url:
        port = int(url.rpartition(":")[2])
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(octets)
        writer.write_eof()
        with contextlib.suppress(OSError, TimeoutError):
            async with asyncio.timeout(10):
                while await reader.read(4096):
                    pass
        writer.close()
    printed = "".join(capfd.readouterr())
    assert len(printed.splitlines()) <= 1
    assert "Traceback" not in printed


@pytest.mark.parametrize("code", ["\u202e", "é" * 6, "\0" * 6, "A" * 3000, "'; --", "١٢٣٤٥٦"])
def test_odd_codes_are_wrong_codes(code: str) -> None:
    assert AccessCodes(lambda _: None).enter(code) is None


async def test_a_giant_form_is_not_read() -> None:
    codes: list[str] = []
    async with served(AccessCodes(codes.append)) as url, aiohttp.ClientSession() as client:
        async with client.post(url, data={"code": "A" * 100_000}) as answer:
            assert answer.status == 413
        with contextlib.suppress(aiohttp.ClientError):
            async with client.post(
                url, data=b"x" * 5000, headers={"Content-Type": "multipart/form-data"}
            ) as answer:
                assert answer.status >= 400
        async with client.get(url) as answer:
            assert answer.status == 200


@pytest.mark.slow
@pytest.mark.parametrize(
    "kind", ["application/x-www-form-urlencoded; charset=idna", "text/plain", "multipart/form-data",
             "application/x-www-form-urlencoded; charset=none", "multipart/form-data; boundary=x"],
)  # fmt: skip
async def test_what_is_no_form_holds_no_code(kind: str, caplog: pytest.LogCaptureFixture) -> None:
    """And fills nobody's terminal with tracebacks."""
    async with (
        served(AccessCodes(lambda _: None)) as url,
        aiohttp.request("POST", url, data=b"code=\xff\xfe", headers={"Content-Type": kind}) as answer,
    ):
        assert answer.status == 403
    assert caplog.records == []


async def test_who_asks_for_nothing_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each connection holds a file open; whoever only opens them must not have all of them."""
    monkeypatch.setattr(serving, "LOOK_S", 0.02)
    monkeypatch.setattr(serving, "PATIENCE_S", 0.1)
    async with served(AccessCodes(lambda _: None)) as url, aiohttp.ClientSession() as client:
        port = int(url.rpartition(":")[2])
        form = b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\ncode="
        for said in (b"", b"GET / HTTP/1.1\r\nHost: ", b"POST / HTTP/1.1\r\nHost: x\r\n" + form):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(said)
            async with asyncio.timeout(20):
                with contextlib.suppress(ConnectionError):
                    while await reader.read(4096):
                        pass
            writer.close()
        async with client.get(url) as answer:
            assert answer.status == 200


async def test_screens_are_bounded_and_a_place_is_free_again() -> None:
    async with served(None) as url, aiohttp.ClientSession() as client:
        sockets = [await client.ws_connect(url + "/ws") for _ in range(MOST_SCREENS)]
        assert await refused(client, url) == 503
        await sockets.pop().close()
        for _ in range(100):
            with contextlib.suppress(aiohttp.WSServerHandshakeError):
                sockets.append(await client.ws_connect(url + "/ws"))
                break
            await asyncio.sleep(0.1)
        assert len(sockets) == MOST_SCREENS
        await asyncio.gather(*(socket.close() for socket in sockets))


NONSENSE = (
    "", "{", "[]", "{}", "null", '"stdin"', '["stdin"]', '["stdin", 1]', '["resize", 3]',
    '["resize", {"width": -1, "height": "x"}]', '["resize", {"width": 1e999, "height": 1}]',
    '["ping", {"a": 1}]', '["quit", {}]', '["' + "[" * 5000, "[" * 100_000, "\ud83d\ude00",
)  # fmt: skip


async def test_nonsense_ends_its_own_screen_at_most() -> None:
    async with served(None) as url, aiohttp.ClientSession() as client:
        other = await client.ws_connect(url + "/ws")
        for text in NONSENSE:
            async with await opened(client, url) as socket:
                await socket.send_str(text.encode("utf-16", "surrogatepass").decode("utf-16"))
                await socket.send_bytes(b"\xff\x00")
        await other.send_str('["ping", "still there"]')
        async with asyncio.timeout(20):
            async for message in other:
                if message.type is aiohttp.WSMsgType.TEXT and "still there" in message.data:
                    break
        async with client.get(url) as answer:
            assert answer.status == 200
        await other.close()


async def test_who_leaves_leaves_no_process(tmp_path: Path) -> None:
    async with served(None, (*WAITS, str(tmp_path))) as url, aiohttp.ClientSession() as client:
        socket = await client.ws_connect(url + "/ws")
        async with asyncio.timeout(20):
            while not (found := list(tmp_path.glob("pid-*"))):
                await asyncio.sleep(0.05)
            await socket.close()
            while alive(int(found[0].name.removeprefix("pid-"))):
                await asyncio.sleep(0.05)


def hang(url: str) -> sockets.socket:
    """A browser that has asked for a screen and takes nothing of it."""
    host, _, port = url.removeprefix("http://").partition(":")
    connected = sockets.socket()
    connected.setsockopt(sockets.SOL_SOCKET, sockets.SO_RCVBUF, 4096)
    connected.connect((host, int(port)))
    key = base64.b64encode(bytes(16)).decode()
    connected.sendall(
        f"GET /ws HTTP/1.1\r\nHost: {host}:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
        f"Sec-WebSocket-Key: {key}\r\nSec-WebSocket-Version: 13\r\n\r\n".encode()
    )
    return connected


@pytest.mark.slow
@pytest.mark.parametrize("how", ["answers no ping", "takes nothing", "breaks off"])
async def test_who_hangs_leaves_place_and_process(
    how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "LEAVE_S", 0.2)
    monkeypatch.setattr(serving, "PING_S", 0.4 if how == "answers no ping" else 600.0)
    monkeypatch.setattr(serving, "PATIENCE_S", 0.4 if how == "takes nothing" else 600.0)
    monkeypatch.setattr(serving, "MOST_SCREENS", 1)
    command = (sys.executable, "-c", TALKS, str(tmp_path))
    async with served(None, command) as url, aiohttp.ClientSession() as client:
        hung = hang(url)
        await until(lambda: any(tmp_path.glob("pid-*")))
        pid = int(next(tmp_path.glob("pid-*")).name.removeprefix("pid-"))
        assert await refused(client, url) == 503
        if how == "breaks off":
            await asyncio.sleep(0.5)  # so that there is something on its way
            hung.close()
        await until(lambda: not alive(pid))
        socket = await opened(client, url)
        hung.close()
        await socket.close()


async def test_an_interrupt_waits_for_no_browser() -> None:
    ports = asyncio.Queue[int]()
    server = ScreenServer(WAITS, "127.0.0.1", 0, "title", None, started=ports.put_nowait)
    running = asyncio.create_task(server.run())
    url = f"http://127.0.0.1:{await ports.get()}"
    hung = hang(url)
    async with aiohttp.ClientSession() as client:
        await client.ws_connect(url + "/ws")
        await until(lambda: server._screens == 2)
        os.kill(os.getpid(), signal.SIGINT)
        async with asyncio.timeout(8):
            await running
    hung.close()
    assert server._screens == 0


async def test_no_browser_asks_for_a_giant(tmp_path: Path) -> None:
    """Every cell of a screen takes memory on the computer that records."""
    told = tmp_path / "told"
    screen = f"""
import json, os, sys
told = open({str(told)!r}, "a", buffering=1)
print(json.dumps([int(os.environ["COLUMNS"]), int(os.environ["ROWS"])]), file=told)
sys.stdout.buffer.write(b"__GANGLION__\\n")
sys.stdout.buffer.flush()
while len(head := sys.stdin.buffer.read(5)) == 5:
    said = json.loads(sys.stdin.buffer.read(int.from_bytes(head[1:], "big")))
    if said["type"] == "quit":
        break
    print(json.dumps([said["width"], said["height"]]), file=told)
"""

    def sizes() -> list[list[int]]:
        return [json.loads(line) for line in told.read_text().splitlines()] if told.exists() else []

    asked = "/ws?width=999999999&height=" + "9" * 3000
    async with (
        served(None, (sys.executable, "-c", screen)) as url,
        aiohttp.ClientSession() as client,
        client.ws_connect(url + asked) as socket,
    ):
        for width, height in ((10**9, 10**9), (-5, 0), (100, 40)):
            await socket.send_json(["resize", {"width": width, "height": height}])
        await until(lambda: len(sizes()) == 4)
    assert sizes() == [[MOST_COLUMNS, 24], [MOST_COLUMNS, MOST_ROWS], [1, 1], [100, 40]]


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True
