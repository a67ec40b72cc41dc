"""Inside the lab's machine: run the ANT+ source and write down every record with its wall time.

    ant_guest.py OUTPUT SECONDS LABEL=LINK ... [--at SECONDS write LABEL CHANNEL HEX]
                                               [--at SECONDS stick in|out]
    ant_guest.py OUTPUT find SECONDS

One JSON line a record in the file OUTPUT of the folder $LAB_OUT: `{"unix": wall time, "record": [...]}`;
what `find` sees, how writes went and when the source was closed are lines with other keys. `stick
out` withdraws the kernel's permission to use the stick, which to a program looks like pulling it.
"""

import asyncio
import contextlib
import json
import os
import sys
import threading
import time
from pathlib import Path
from typing import Any

import msgspec

from capture.ant import AntSource, find
from capture.clock import SessionClock
from capture.record import Packet, Record
from capture.source import SourceError, Wanted


class Output:
    def __init__(self, name: str) -> None:
        self.file = Path(os.environ["LAB_OUT"], name).open("w", buffering=1)  # noqa: SIM115  # as long as the run

    def write(self, **line: Any) -> None:
        self.file.write(json.dumps({"unix": time.time(), **line}) + "\n")

    def record(self, record: Record) -> None:
        if isinstance(record, Packet):
            line: Any = [
                "packet",
                record.t_ns,
                record.instrument,
                record.channel,
                record.data.hex(),
                record.extra.hex(),
            ]
        else:
            line = msgspec.to_builtins(record)
        self.write(record=line)


def stick_folder() -> Path:
    for vendor in Path("/sys/bus/usb/devices").glob("*/idVendor"):
        if vendor.read_text().strip() == "0fcf":
            return vendor.parent
    raise SystemExit("there is no stick in this machine")


async def act(source: AntSource, output: Output, when_s: float, action: list[str], stick: Path) -> None:
    await asyncio.sleep(when_s)
    match action:
        case ["write", label, channel, data]:
            began = time.monotonic()
            outcome = await source.write(label, channel, bytes.fromhex(data))
            output.write(write=[label, channel, data], outcome=outcome, seconds=time.monotonic() - began)
        case ["stick", "in" | "out" as way]:
            output.write(stick=way)
            await asyncio.to_thread((stick / "authorized").write_text, "1" if way == "in" else "0")
        case _:
            raise SystemExit(f"no such action: {action}")


async def main() -> None:
    output = Output(sys.argv[1])
    if sys.argv[2] == "find":
        for sighting in await find(float(sys.argv[3])):
            output.write(sighting=msgspec.to_builtins(sighting))
        return
    groups: list[list[str]] = [[]]
    for word in sys.argv[3:]:
        if word == "--at":
            groups.append([])
        else:
            groups[-1].append(word)
    wanted = [Wanted(*word.split("=", 1)) for word in groups[0]]
    source = AntSource(wanted)
    clock = SessionClock()
    try:
        await source.check()
    except SourceError as error:
        output.write(refused=str(error))
        raise
    tasks = [asyncio.create_task(source.run(output.record, clock))]
    tasks += [
        asyncio.create_task(act(source, output, float(seconds), action, stick_folder()))
        for seconds, *action in groups[1:]
    ]
    await asyncio.sleep(float(sys.argv[2]))
    output.write(closing=True)
    began = time.monotonic()
    for task in tasks:
        task.cancel()
    for task in tasks:
        with contextlib.suppress(asyncio.CancelledError):
            await task
    await source.check()  # the stick is free again
    output.write(closed_s=time.monotonic() - began, threads=[t.name for t in threading.enumerate()])


asyncio.run(main())
