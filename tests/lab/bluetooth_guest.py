"""Inside the lab's machine: run the Bluetooth source and write down every record with its wall time.

    bluetooth_guest.py OUTPUT SECONDS LABEL=LINK[,PROFILE] ... [--at SECONDS write LABEL CHANNEL HEX]
                                                              [--at SECONDS shell COMMAND]
    bluetooth_guest.py OUTPUT find SECONDS

One JSON line per record in the file OUTPUT of the folder $LAB_OUT: `{"unix": wall time, "record": [...]}`;
what `find` sees and how writes went are lines with other keys.
"""

import asyncio
import contextlib
import json
import logging
import os
import subprocess
import sys
import time
from typing import Any

import msgspec

from capture.bluetooth import BluetoothSource, find
from capture.clock import SessionClock
from capture.record import Packet, Record
from capture.source import SourceError, Wanted


class Output:
    def __init__(self, name: str) -> None:
        self.file = open(f"{os.environ['LAB_OUT']}/{name}", "w", buffering=1)  # noqa: SIM115

    def write(self, **line: Any) -> None:
        self.file.write(json.dumps({"unix": time.time(), **line}) + "\n")

    def record(self, record: Record) -> None:
        if isinstance(record, Packet):
            line: Any = ["packet", record.t_ns, record.instrument, record.channel, record.data.hex()]
        else:
            line = msgspec.to_builtins(record)
        self.write(record=line)


def arguments(words: list[str]) -> tuple[list[Wanted], list[tuple[float, list[str]]]]:
    wanted, actions = [], []
    groups: list[list[str]] = [[]]
    for word in words:
        if word == "--at":
            groups.append([])
        else:
            groups[-1].append(word)
    for word in groups[0]:
        label, _, rest = word.partition("=")
        link, _, profile = rest.rpartition(",") if "," in rest else (rest, "", "")
        wanted.append(Wanted(label, link, profile or None))
    for seconds, *action in groups[1:]:
        actions.append((float(seconds), action))
    return wanted, actions


async def act(source: BluetoothSource, output: Output, when_s: float, action: list[str]) -> None:
    await asyncio.sleep(when_s)
    match action:
        case ["write", label, channel, data]:
            output.write(
                write=[label, channel, data], outcome=await source.write(label, channel, bytes.fromhex(data))
            )
        case ["shell", command]:
            output.write(shell=command)
            subprocess.Popen(command, shell=True, start_new_session=True)
        case _:
            raise SystemExit(f"no such action: {action}")


async def main() -> None:
    output = Output(sys.argv[1])
    if sys.argv[2] == "find":
        for sighting in await find(float(sys.argv[3]), details=True):
            output.write(sighting=msgspec.to_builtins(sighting))
        return
    wanted, actions = arguments(sys.argv[3:])
    source = BluetoothSource(wanted)
    began = time.monotonic()
    try:
        await source.check()
    except SourceError as error:
        output.write(check=str(error))
        raise SystemExit(3) from error
    output.write(check="ok", seconds=time.monotonic() - began)
    running = asyncio.create_task(source.run(output.record, SessionClock()))
    acting = [asyncio.create_task(act(source, output, *a)) for a in actions]
    await asyncio.wait({running, *acting}, timeout=float(sys.argv[2]), return_when=asyncio.FIRST_EXCEPTION)
    output.write(closing=True)
    began = time.monotonic()
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await running
    output.write(closed_s=time.monotonic() - began)


logging.basicConfig(level=logging.INFO, format="%(asctime)s %(name)s %(message)s")
asyncio.run(main())
