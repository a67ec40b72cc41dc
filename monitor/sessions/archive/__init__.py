"""A folder of sessions as one data set: judged anew where something changed, on many processes.

`dataset` knows the tables and where they lie, `update` what has to be made again,
`judging` what is made of one session, `workers` and `cluster` by whom.
"""

from monitor.sessions.archive.dataset import (
    EVENINGS,
    PART,
    SECONDS,
    TORQUES,
    VERDICTS,
    Entry,
    is_archive,
    read_evenings,
    sessions_in,
)
from monitor.sessions.archive.update import update

__all__ = [
    "EVENINGS",
    "PART",
    "SECONDS",
    "TORQUES",
    "VERDICTS",
    "Entry",
    "is_archive",
    "read_evenings",
    "sessions_in",
    "update",
]
