"""`export`: a session for other tools."""

from pathlib import Path

from monitor.commands.output import UsageError, write_message, write_result
from monitor.sessions.exports.exporting import export as export_session
from monitor.text import plain


def export(
    sessions: list[Path],
    kind: str,
    out: Path | None,
    so_far: bool = False,
    only: list[str] | None = None,
    rename: list[str] | None = None,
) -> int:
    """Write one kind of export and print the paths. SessionError: it can't be read or written.

    `only` and `rename` (LABEL=NAME) are for a package of chosen instruments; UsageError where they can't be.
    """
    if len(sessions) > 1:
        return _several(sessions, kind, out, so_far, bool(only or rename))
    session = sessions[0]
    if only or rename:
        paths = _chosen(session, kind, out, so_far, only or [], rename or [])
    else:
        paths = export_session(session, kind, out, lambda text: write_message(f"  {text}"), so_far=so_far)
    for path in paths:
        write_result(str(path))
    return 0


def _several(sessions: list[Path], kind: str, out: Path | None, so_far: bool, chosen: bool) -> int:
    from monitor.sessions.archive.several import several_package

    if kind != "package" or chosen:
        raise UsageError("several sessions go into one package: --to package, without --only and --rename")
    write_result(str(several_package(sessions, out, so_far=so_far)))
    return 0


def _chosen(
    folder: Path, kind: str, out: Path | None, so_far: bool, only: list[str], rename: list[str]
) -> list[Path]:
    from monitor.sessions.exports.chosen import chosen_package
    from monitor.sessions.so_far import to_judge
    from storage.session import open_session

    if kind != "package":
        raise UsageError("--only and --rename are for --to package")
    names = {}
    for each in rename:
        label, equals, name = each.partition("=")
        if not equals:
            raise UsageError(f"--rename {plain(each, 60)}: write LABEL=NAME.")
        names[label.strip()] = name.strip()
    session = open_session(to_judge(folder, so_far))
    try:
        return chosen_package(session, out or session.path / "exports", only, names, write_message)
    except ValueError as error:
        raise UsageError(f"{error}.") from None
