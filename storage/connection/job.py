"""What a recorder is asked to do, and how it answers: one line of JSON either way."""

from typing import Annotated, Any, Literal

import msgspec

from capture.source import Wanted
from storage.damage import SessionError


class Job(msgspec.Struct, kw_only=True, forbid_unknown_fields=True):
    """What to record.

    `bench`, `protocol` and `program` go into the header. `out` is the folder of all sessions,
    `name` a part of the new one's name. `scene` is the table `[scene]` of a bench (None: the
    built-in one) and `segments` the tables of the protocol that its rider follows; `log` is the path
    of a capture log. `seconds` of session time end the session. Another `speed` than 1 is for
    scripts only; `max` doesn't wait for the time to pass at all.
    """

    bench: str
    program: str
    out: str
    name: str
    wanted: list[Wanted]
    protocol: str = ""
    scene: dict[str, Any] | None = None
    segments: list[dict[str, Any]] = []
    log: str | None = None
    seconds: Annotated[float, msgspec.Meta(gt=0)] | None = None
    speed: Annotated[float, msgspec.Meta(gt=0)] | Literal["max"] = 1.0


class Started(msgspec.Struct, frozen=True):
    """The line of a recorder that records: the session folder, and where a viewer can attach."""

    session: str
    port: int
    token: str


class Refusal(msgspec.Struct, frozen=True):
    """Why a recorder doesn't start; `code` is the exit code: 2 a job that can't be done, 3 a radio."""

    code: int
    thing: str
    remedy: str


class Refused(msgspec.Struct, frozen=True):
    """The line of a recorder that doesn't start."""

    error: Refusal


class JobError(SessionError):
    """A job that can't be done: a link, a log, a folder. `problem` is what, `remedy` what to do."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__("", problem, remedy)
        self.args = (f"{problem}. {remedy}",)
