"""`follow --serve`: the screen of a session in a browser, on this computer or on a tablet beside it."""

import asyncio
import importlib.util
import ipaddress
import os
import socket
import sys
from pathlib import Path

from monitor.commands.output import UsageError, write_message, write_result
from storage.attach import attach
from storage.damage import SessionError
from storage.info import read_info
from storage.session import open_session, read_live

DEFAULT_PORT = 8123


def serve(folder: Path, address: str | None, port: int, acts: bool) -> int:
    """Serve the screen until the session is over. SessionError: it is not being recorded."""
    if importlib.util.find_spec("textual_serve") is None:
        raise UsageError("--serve needs textual-serve. Install it: pip install 'plumbwatt[serve]'.")
    session = open_session(folder).path
    if read_live(session) is None:
        asyncio.run(attach(session))  # raises, and says what to do
    host = address or "127.0.0.1"
    alone = _is_loopback(host)

    from monitor.serving.access import AccessCodes
    from monitor.serving.server import ScreenServer

    # -P: a folder named `monitor` where the operator happens to stand must not be taken for ours.
    root = str(Path(__file__).resolve().parents[2])
    os.environ["PYTHONPATH"] = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    command = [sys.executable, "-P", "-m", "monitor.cli", "follow", str(session)]
    if not acts:
        command.append("--watch-only")
    # Other users of this computer may look, but not act.
    open_to_all = alone and not acts
    access = (
        None if open_to_all else AccessCodes(lambda code: write_result(f"code for the next screen: {code}"))
    )

    def started(bound: int) -> None:
        for name in _names(host):
            write_result(f"http://{name}:{bound}/")
        what = "Keys act there, save those that command the trainer." if acts else "It only watches."
        write_message(f"The screen of {session} is served. {what} An interrupt ends this, not the recording.")
        if not alone:
            write_message("Whoever can listen in on this network can see it: use one that is yours.")

    server = ScreenServer(
        command,
        host,
        port,
        f"plumbwatt {session.name}",
        access,
        lambda: read_live(session) is not None,
        started,
        lambda: ending_words(session),
    )
    try:
        asyncio.run(server.run())
    except OSError as error:
        why = error.strerror or error
        raise UsageError(
            f"{host} port {port} can't be listened on ({why}). Try another --port or --address."
        ) from None
    return 0


def ending_words(session: Path) -> str:
    """How a session ended that is not recorded any more, for whoever looked at it."""
    try:
        info = read_info(session)
    except SessionError:
        info = None
    if info is None or info.state == "recording":
        return "The recording has ended, and not as it should. The computer beside it says how to save it."
    lost = f"{info.counts.lost} records were lost" if info.counts.lost else "nothing was lost"
    return f"The session is closed, {lost}. Its report is at the computer."


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _names(host: str) -> list[str]:
    """Under which addresses it can be reached, as far as this computer knows."""
    if host not in ("0.0.0.0", "::"):
        return [f"[{host}]" if ":" in host else host]
    try:
        found = {each[4][0] for each in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    except OSError:
        found = set()
    return sorted(str(each) for each in found) or ["ADDRESS-OF-THIS-COMPUTER"]
