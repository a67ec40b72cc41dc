"""Several sessions as one package: each in a folder of its own, and all of them side by side."""

from collections.abc import Sequence
from pathlib import Path

import msgspec

from monitor import __version__
from monitor.report.evenings.page import evenings_html
from monitor.sessions.exports.exporting import HOW_TO_READ, derived_files, markdown, whole_items
from monitor.sessions.so_far import to_judge
from monitor.study.evenings.evening import evenings_of
from monitor.study.evenings.groups import By, side_by_side
from storage.damage import SessionError
from storage.disk import write_whole
from storage.exports.package import README, Item, package_bytes, readme
from storage.session import free_path, open_session, safe_name

PAGE, JSON = "evenings.html", "evenings.json"


def several_package(folders: Sequence[Path], out: Path | None, by: By = "unit", so_far: bool = False) -> Path:
    """One zip file of several sessions; its path. They are judged one after the other.

    `out` is the folder for it, by default `exports` beside the first session. SessionError: one can't be
    read, one is given twice, or the disk refuses.
    """
    paths = [open_session(each).path for each in folders]
    for k, path in enumerate(paths):
        if path in paths[:k]:
            raise SessionError(path, "is given twice", "Give each session once")
    sessions = [open_session(to_judge(path, so_far)) for path in paths]
    out = out if out is not None else paths[0].parent / "exports"
    if out.is_symlink():
        raise SessionError(out, "is a link", "Remove it, or give another folder with --out")
    items: list[Item] = []
    evenings = []
    utc_s = 0.0
    for session in sessions:
        name = safe_name(session.path.name)
        study, own = whole_items(session, derived_files(session, lambda text: None))
        items += [Item(f"{name}/{item.name}", item.content, item.explanation) for item in own]
        evenings += evenings_of(session.path.name, study)
        utc_s = max(utc_s, (study.utc_ns or 0) / 1e9)
    found = side_by_side(evenings, by)
    page = evenings_html("Evenings side by side", found, None, f"plumbwatt {__version__}")
    whole = msgspec.json.format(msgspec.json.encode(found), indent=1) + b"\n"
    beside = [
        Item(PAGE, page.encode(), "all evenings side by side: total, sides, loads, cadences, what differs"),
        Item(JSON, whole, "the same numbers"),
    ]
    text = readme(
        f"{len(sessions)} sessions",
        f"{markdown(found.sentence, 300)} Open `{PAGE}` first, then the `report.html` of each folder. They "
        "need no network and no other program than a browser.",
        [*beside, *items],
        HOW_TO_READ,
    )
    everything = [Item(README, text.encode(), "this text"), *beside, *items]
    try:
        out.mkdir(parents=True, exist_ok=True)
        path = free_path(out / f"{safe_name(sessions[0].path.name)}-and-{len(sessions) - 1}-more.zip")
        write_whole(path, package_bytes(everything, path.stem, utc_s or None))
    except OSError as error:
        problem = f"can't be written to ({error.strerror or error})"
        raise SessionError(out, problem, "Make room, or give another folder with --out") from None
    return path
