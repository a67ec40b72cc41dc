"""A headless Chromium driven over its remote debugging pipe: no port, no other library."""

import base64
import json
import os
import shutil
import subprocess
import time
from pathlib import Path
from typing import Any

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


class Browser:
    """One page. Collects what it says on the console, what it throws, and what it asks the network for.

    Commands are JSON texts ended by a zero octet on file descriptors 3 and 4 (Chrome DevTools
    Protocol, `--remote-debugging-pipe`).
    """

    def __init__(self, profile: Path, width: int = 1280, height: int = 900) -> None:
        assert PROGRAM is not None
        their_in, self._out = os.pipe()
        self._in, their_out = os.pipe()

        def arrange() -> None:
            # Both ends may lie on 3 or 4 themselves: move them away first.
            a, b = os.dup(their_in), os.dup(their_out)
            os.dup2(a, 3)
            os.dup2(b, 4)
            os.set_inheritable(3, True)
            os.set_inheritable(4, True)

        self._process = subprocess.Popen(
            [
                PROGRAM, "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
                "--no-first-run", "--disable-background-networking", "--disable-component-update",
                "--disable-extensions", "--hide-scrollbars", "--force-color-profile=srgb",
                f"--user-data-dir={profile}", f"--window-size={width},{height}", "--remote-debugging-pipe",
                "about:blank",
            ],
            preexec_fn=arrange, close_fds=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(their_in)
        os.close(their_out)
        self._buffer = b""
        self._id = 0
        self.events: list[dict[str, Any]] = []
        target = self._command("Target.createTarget", {"url": "about:blank"})
        attached = self._command("Target.attachToTarget", {"targetId": target["targetId"], "flatten": True})
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.command(f"{domain}.enable")
        self.resize(width, height)

    def __enter__(self) -> "Browser":
        return self

    def __exit__(self, *_: object) -> None:
        self._process.terminate()
        self._process.wait(20)
        os.close(self._out)
        os.close(self._in)

    def resize(self, width: int, height: int, scale: float = 1.0, mobile: bool = False) -> None:
        """Set the size of the page in its own pixels."""
        self.command(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": scale, "mobile": mobile},
        )

    def open(self, path: Path) -> None:
        """Load a file and wait until it is loaded."""
        self.events.clear()
        self.command("Page.navigate", {"url": path.resolve().as_uri()})
        self._until(lambda: any(e["method"] == "Page.loadEventFired" for e in self.events))
        self.value("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def value(self, expression: str) -> Any:
        """The value of an expression of the page's language."""
        result = self.command(
            "Runtime.evaluate", {"expression": expression, "returnByValue": True, "awaitPromise": True}
        )
        assert "exceptionDetails" not in result, result
        return result["result"].get("value")

    def drag(self, x0: float, x1: float, y: float) -> None:
        """Press, move and release the mouse."""
        for kind, x, buttons in (("mouseMoved", x0, 0), ("mousePressed", x0, 1)):
            self._mouse(kind, x, y, buttons)
        for k in range(1, 6):
            self._mouse("mouseMoved", x0 + (x1 - x0) * k / 5, y, 1)
        self._mouse("mouseReleased", x1, y, 0)

    def _mouse(self, kind: str, x: float, y: float, buttons: int) -> None:
        button = "left" if kind != "mouseMoved" or buttons else "none"
        self.command(
            "Input.dispatchMouseEvent",
            {"type": kind, "x": x, "y": y, "button": button, "buttons": buttons, "clickCount": 1},
        )

    def screenshot(self, path: Path, whole: bool = True) -> None:
        """A picture of the page, as a PNG file."""
        answer = self.command("Page.captureScreenshot", {"format": "png", "captureBeyondViewport": whole})
        path.write_bytes(base64.b64decode(answer["data"]))

    def pdf(self, path: Path) -> None:
        """The page as it would be printed."""
        path.write_bytes(base64.b64decode(self.command("Page.printToPDF", {"printBackground": True})["data"]))

    def complaints(self) -> list[str]:
        """What went wrong in the page: exceptions, console errors and warnings, log entries."""
        found = []
        for e in self.events:
            told = e["params"]
            bad = {
                "Runtime.exceptionThrown": True,
                "Runtime.consoleAPICalled": told.get("type") in ("error", "warning", "assert"),
                "Log.entryAdded": told.get("entry", {}).get("level") in ("error", "warning"),
            }
            if bad.get(e["method"], False):
                found.append(json.dumps(told)[:500])
        return found

    def requests(self) -> list[str]:
        """Every address that the page asked for."""
        sent = [e["params"] for e in self.events if e["method"] == "Network.requestWillBeSent"]
        return [told["request"]["url"] for told in sent]

    def command(self, method: str, parameters: dict[str, Any] | None = None) -> dict[str, Any]:
        """Send one command to the page; its result."""
        return self._command(method, parameters or {}, self._session)

    def _command(self, method: str, parameters: dict[str, Any], session: str | None = None) -> dict[str, Any]:
        self._id += 1
        message: dict[str, Any] = {"id": self._id, "method": method, "params": parameters}
        if session is not None:
            message["sessionId"] = session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._id:
                assert "error" not in answer, answer["error"]
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def _until(self, done: Any, seconds: float = 20.0) -> None:
        end = time.monotonic() + seconds
        while not done():
            assert time.monotonic() < end, "the browser did not answer in time"
            self.events.append(self._next())

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            piece = os.read(self._in, 1 << 16)
            assert piece, "the browser ended"
            self._buffer += piece
        text, self._buffer = self._buffer.split(b"\0", 1)
        answer: dict[str, Any] = json.loads(text)
        return answer
