"""The screen in a browser: who may look, and (slow) what a real browser shows and may do."""

import asyncio
import contextlib
import itertools
import re
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from capture.record import Act, Record
from capture.source import Wanted
from monitor.cli import main
from monitor.commands.serve import ending_words
from monitor.serving.access import ALPHABET, CODE_SIGNS, AccessCodes, new_code
from monitor.serving.server import MOST_REASON, ScreenServer
from monitor.speech import COMMANDS, Speaker, speech_command
from storage.attach import RunningRecorder, start_recorder
from storage.connection.job import Job
from storage.info import Counts, SessionInfo, write_info
from tests.helpers.chromium import PROGRAM, Browser

# -- the access


class Clocked:
    def __init__(self) -> None:
        self.codes = list[str]()
        numbers = itertools.count(1)
        self.access = AccessCodes(self.codes.append, lambda: f"CODE{next(numbers)}")


def test_a_code_opens_once() -> None:
    clocked = Clocked()
    key = clocked.access.enter(" code1 ")
    assert clocked.access.knows(key)
    assert clocked.codes == ["CODE1", "CODE2"]  # the next one is shown
    assert clocked.access.enter("CODE1") is None
    other = clocked.access.enter("code-2")
    assert other not in (None, key)
    assert clocked.access.knows(key)
    assert clocked.access.knows(other)


def test_guessing_is_hopeless_and_keeps_nobody_out() -> None:
    clocked = Clocked()
    for _ in range(1000):
        assert clocked.access.enter("WRONG") is None
    assert clocked.codes == ["CODE1"]
    assert clocked.access.enter("CODE1") is not None
    # A day of 5000 tries a second: less than one in a million.
    assert 24 * 3600 * 5000 / len(ALPHABET) ** CODE_SIGNS < 1e-6


@pytest.mark.parametrize("key", [None, "", "x", "\udc80".encode("utf-8", "replace").decode()])
def test_no_other_key_opens(key: str | None) -> None:
    assert not Clocked().access.knows(key)


def test_codes_are_of_signs_that_can_be_read() -> None:
    codes = {new_code() for _ in range(50)}
    assert len(codes) == 50
    assert all(len(code) == CODE_SIGNS and set(code) <= set(ALPHABET) for code in codes)
    assert not set("0O1I") & set(ALPHABET)


# -- the server, without a browser


@contextlib.asynccontextmanager
async def served(access: AccessCodes | None, command: tuple[str, ...] = ("true",)) -> AsyncIterator[str]:
    ports = asyncio.Queue[int]()
    server = ScreenServer(command, "127.0.0.1", 0, "a <b> title", access, started=ports.put_nowait)
    running = asyncio.create_task(server.run())
    try:
        yield f"http://127.0.0.1:{await ports.get()}"
    finally:
        running.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await running


async def test_this_computer_alone_needs_no_code() -> None:
    async with served(None) as url, aiohttp.ClientSession() as client:
        async with client.get(url) as answer:
            text = await answer.text()
            assert answer.status == 200
            assert "a &lt;b&gt; title" in text
            assert f'data-session-websocket-url="ws://{url.removeprefix("http://")}/ws"' in text
            assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
            # Nothing is fetched from elsewhere.
            assert re.findall(r"(?:src|href)=\"(?!/|data:)", text) == []
        for path in ("/page.js", "/static/js/textual.js", "/static/css/xterm.css"):
            async with client.get(url + path) as answer:
                assert answer.status == 200
        for path in ("/static/", "/download/x", "/static/../server.py", "/nothing"):
            async with client.get(url + path) as answer:
                assert answer.status in (403, 404), path
        async with client.post(url, data={"code": "x"}) as answer:
            assert answer.status == 404


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="one address for this computer alone")
async def test_each_address_of_this_computer_alone_is_served() -> None:
    ports = asyncio.Queue[int]()
    server = ScreenServer(("true",), "127.0.0.2", 0, "title", None, started=ports.put_nowait)
    running = asyncio.create_task(server.run())
    port = await ports.get()
    async with aiohttp.ClientSession() as client:
        async with client.get(f"http://127.0.0.2:{port}/") as answer:
            assert answer.status == 200
        async with client.get(f"http://127.0.0.2:{port}/", headers={"Host": f"127.0.0.3:{port}"}) as answer:
            assert answer.status == 403
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await running


@pytest.mark.parametrize(
    "headers", [{"Host": "evil.example"}, {"Origin": "http://evil.example"}, {"Origin": "null"}]
)
async def test_pages_of_other_sites_reach_no_screen(headers: dict[str, str]) -> None:
    """A page elsewhere could have the browser of the tester connect: by name (rebinding) or across sites."""
    async with served(None) as url, aiohttp.ClientSession() as client:
        for path in ("/", "/ws"):
            async with client.get(url + path, headers=headers) as answer:
                assert answer.status == 403


@pytest.mark.slow
async def test_others_need_the_code_and_each_code_is_for_one() -> None:
    codes: list[str] = []
    jar = aiohttp.CookieJar(unsafe=True)
    async with served(AccessCodes(codes.append)) as url, aiohttp.ClientSession(cookie_jar=jar) as client:
        async with client.get(url) as answer:
            assert "Each opens it once" in await answer.text()
        async with client.get(url + "/ws") as answer:
            assert answer.status == 403
        async with client.post(url, data={"code": "NO"}) as answer:
            assert answer.status == 403
            assert "not the code" in await answer.text()
        async with client.post(url, data={"code": codes[0]}) as answer:
            assert answer.status == 200
            assert "textual-terminal" in await answer.text()
            (cookie,) = answer.history[0].headers.getall("Set-Cookie")
            assert "HttpOnly" in cookie
            assert "SameSite=Strict" in cookie
        async with client.get(url) as answer:
            assert "textual-terminal" in await answer.text()
        async with aiohttp.ClientSession() as stranger, stranger.post(url, data={"code": codes[0]}) as answer:
            assert answer.status == 403
        assert len(codes) == 2


def test_mistakes_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["follow", str(tmp_path / "nowhere"), "--serve"]) == 2
    assert "nowhere" in capsys.readouterr().err


# -- spoken


def test_a_speech_command_is_found_or_not() -> None:
    assert speech_command(lambda name: None) is None
    for command in COMMANDS:
        assert speech_command(lambda name, known=command[0]: name if name == known else None) == command


def test_words_go_to_the_command_one_after_the_other_and_never_as_options(tmp_path: Path) -> None:
    said = tmp_path / "said"
    code = f"import sys; open({str(said)!r}, 'a').write(sys.stdin.read())"
    speaker = Speaker([sys.executable, "-c", code])
    speaker("--help; $(rm -rf x)")
    end = time.monotonic() + 20
    while not said.exists() or not said.read_text():
        assert time.monotonic() < end
        time.sleep(0.02)
    assert said.read_text() == "--help; $(rm -rf x)\n"
    broken = Speaker(["/nowhere/speech"])
    broken("x")
    while not broken.failed:
        assert time.monotonic() < end
        time.sleep(0.01)


# -- how a session ended, for who looked at it


@pytest.mark.parametrize(
    ("state", "lost", "words"),
    [
        ("closed", 0, "The session is closed, nothing was lost."),
        ("closed", 7, "The session is closed, 7 records were lost."),
        ("recording", 0, "The recording has ended, and not as it should."),
    ],
)
def test_a_served_screen_says_how_the_session_ended(
    tmp_path: Path, state: Any, lost: int, words: str
) -> None:
    info = SessionInfo(program="t", name="s", bench="", state=state, counts=Counts(records=99, lost=lost))
    write_info(tmp_path, info)
    said = ending_words(tmp_path)
    assert said.startswith(words)
    # The reason of a closing frame: RFC 6455, section 5.5, at most 125 octets with its code of two.
    assert len(said.encode()) <= MOST_REASON <= 123


def test_without_its_description_a_session_has_not_ended_well(tmp_path: Path) -> None:
    assert ending_words(tmp_path).startswith("The recording has ended, and not as it should.")


# -- with a recorder and a real browser

LISTEN = """
window.seen = "";
const Plain = window.WebSocket;
window.WebSocket = class extends Plain {
  constructor(...args) {
    super(...args);
    window.socket = this;
    this.addEventListener("message", e => {
      if (typeof e.data !== "string") window.seen += new TextDecoder().decode(e.data);
    });
  }
};
"""


class Served:
    """`plumbwatt follow --serve` as a process, and what it prints."""

    def __init__(self, session: Path, *options: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", "follow", str(session), "--serve", "--port", "0", *options],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        self.codes: list[str] = []

    def line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline().strip()
        if line.startswith("code"):
            self.codes.append(line.rpartition(" ")[2])
        return line

    def url(self) -> str:
        while not (line := self.line()).startswith("http"):
            assert line
        return line

    def end(self) -> int:
        self._process.terminate()
        code = self._process.wait(30)
        assert self._process.stdout is not None
        self._process.stdout.close()
        return code


def look(browser: Browser, url: str) -> None:
    browser.command("Page.addScriptToEvaluateOnNewDocument", {"source": LISTEN})
    browser.events.clear()
    browser.command("Page.navigate", {"url": url})
    browser._until(lambda: any(e["method"] == "Page.loadEventFired" for e in browser.events))


def shows(browser: Browser, *words: str, seconds: float = 40.0) -> str:
    """Wait until everything that came over the socket has these words; what it was, without escapes."""
    end = time.monotonic() + seconds
    while True:
        text = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", str(browser.value("window.seen")))
        if all(word in text for word in words):
            return text
        assert time.monotonic() < end, f"{words} did not come in {text[-2000:]!r}"
        time.sleep(0.2)


@pytest.fixture
async def recorded(tmp_path: Path) -> AsyncIterator[RunningRecorder]:
    segment = {"name": "steady", "seconds": 600, "target_w": 200}
    bench = '[bench]\nreference = "hub"\n[[instrument]]\nlabel = "hub"\nmount = "hub"\nlink = "scene:hub"\n' \
            'profile = "fitness-machine"\n'  # fmt: skip
    wanted = [Wanted("hub", "scene:hub", "fitness-machine")]
    running = await start_recorder(
        Job(bench=bench, program="t", out=str(tmp_path), name="s", wanted=wanted, segments=[segment])
    )
    yield running
    running.process.kill()
    running.process.wait()


@pytest.fixture
def browsers(tmp_path: Path) -> Iterator[Any]:
    opened: list[Browser] = []

    def another(width: int = 1024, height: int = 700) -> Browser:
        opened.append(Browser(tmp_path / f"profile-{len(opened)}", width, height))
        return opened[-1]

    yield another
    for browser in opened:
        with contextlib.suppress(OSError, ValueError):
            browser.__exit__(None, None, None)


async def acts_of(running: RunningRecorder, seconds: float) -> list[str]:
    """Acts in the record so far, and for some seconds more."""
    viewer = await running.attach()
    found: list[Record] = []
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            async for batch in viewer.batches():
                found += batch
    await viewer.close()
    return [record.act for record in found if isinstance(record, Act)]


@pytest.mark.slow
@pytest.mark.skipif(PROGRAM is None, reason="no Chromium here")
async def test_several_browsers_watch_and_none_can_act(
    recorded: RunningRecorder, browsers: Any, tmp_path: Path
) -> None:
    server = Served(recorded.session)
    try:
        url = await asyncio.to_thread(server.url)
        first, second = browsers(), browsers(800, 1200)
        for browser in (first, second):
            await asyncio.to_thread(look, browser, url)
        for browser in (first, second):
            text = await asyncio.to_thread(shows, browser, "WATCHING", "hub", "steady", "watching only")
            assert "1 of 1 heard" in text or "heard" in text
            asked = browser.requests()
            assert asked
            assert all(each.startswith((url, "data:")) for each in asked), asked
            # A busy machine makes the browser complain of its own pace; that is no fault of the page.
            pace = ("WebGL", "GL Driver", "exceeded allotted deadline")
            told = [each for each in browser.complaints() if not any(word in each for word in pace)]
            assert told == []
        picture = tmp_path / "tablet.png"
        first.screenshot(picture, whole=False)
        assert picture.stat().st_size > 10_000
        # Keys reach the screen, which takes no acts from them.
        first.value('window.socket.send(JSON.stringify(["stdin", "m"]))')
        first.value('window.socket.send(JSON.stringify(["stdin", "?"]))')
        await asyncio.to_thread(shows, first, "this screen only watches")
        assert set(await acts_of(recorded, 2.0)) == {"segment"}
        # One of them goes; the other and the recorder don't mind.
        second.__exit__(None, None, None)
        first.value('window.seen = ""')
        await asyncio.to_thread(shows, first, ":")  # the clock goes on
        assert recorded.process.poll() is None
    finally:
        assert server.end() == 0
    assert recorded.process.poll() is None


@pytest.mark.slow
@pytest.mark.parametrize(("options", "asked"), [((), False), (("--acts",), True)])
async def test_on_this_computer_only_keys_that_act_need_the_code(
    recorded: RunningRecorder, options: tuple[str, ...], asked: bool
) -> None:
    server = Served(recorded.session, *options)
    try:
        url = await asyncio.to_thread(server.url)
        async with aiohttp.ClientSession() as client:
            async with client.get(url) as answer:
                assert ('name="code"' in await answer.text()) == asked
            async with client.get(url + "page.js") as answer:
                assert answer.status == (403 if asked else 200)
    finally:
        assert server.end() == 0


@pytest.mark.slow
@pytest.mark.skipif(PROGRAM is None, reason="no Chromium here")
async def test_on_an_address_of_its_own_a_browser_has_to_know_the_code(
    recorded: RunningRecorder, browsers: Any
) -> None:
    server = Served(recorded.session, "--address", "0.0.0.0", "--acts")
    try:
        port = (await asyncio.to_thread(server.url)).rstrip("/").rpartition(":")[2]
        browser = browsers()
        await asyncio.to_thread(look, browser, f"http://127.0.0.1:{port}/")
        assert "code" in browser.value("document.body.innerText")
        browser.events.clear()
        browser.value(
            f"document.querySelector('input').value = '{server.codes[0]}'; document.forms[0].submit()"
        )
        text = await asyncio.to_thread(shows, browser, "REC", "hub")
        assert "watching only" not in text
        await asyncio.to_thread(server.line)
        assert len(server.codes) == 2
        # With --acts a key acts; the trainer can't be armed from here.
        browser.value('window.socket.send(JSON.stringify(["stdin", "m"]))')
        browser.value('window.socket.send(JSON.stringify(["stdin", "t"]))')
        await asyncio.sleep(0.7)
        browser.value('window.socket.send(JSON.stringify(["stdin", "\\r"]))')
        await asyncio.to_thread(shows, browser, "not from a browser")
        acts = await acts_of(recorded, 2.0)
        assert acts.count("mark") == 1
        assert "trainer" not in acts
    finally:
        assert server.end() == 0
