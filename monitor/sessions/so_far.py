"""A session that is being recorded: what it has so far is copied, and the copy is judged."""

from pathlib import Path

from monitor.sessions.acts import AMENDMENTS
from monitor.sessions.asked import STRETCHES, WORDS
from storage.damage import SessionError
from storage.disk import need_plain, write_whole
from storage.info import NAME
from storage.journal import MAIN, SIDE
from storage.session import make_folder, open_session, read_live

SO_FAR = "so-far"


def to_judge(folder: Path, so_far: bool) -> Path:
    """The folder that may be judged and written to: the session, or a copy of what it has so far.

    The copy stands in `so-far` beside the session, where no list of evenings counts it. Raises
    SessionError: the session is being recorded and `so_far` was not asked for, or the copy can't be made.
    """
    path = open_session(folder).path
    if read_live(path) is None:
        return path
    # A socket's library; most who come here never ask.
    from storage.attach import is_recording

    if not is_recording(path):
        return path
    if not so_far:
        remedy = "Finish it first; --so-far takes what it has until now, into a folder of its own"
        raise SessionError(path, "is being recorded now", remedy)
    target = make_folder(path.parent / SO_FAR, path.name)
    # The checksums first: what they vouch for is then in the journal's copy for sure.
    for name in (NAME, SIDE, MAIN, AMENDMENTS, STRETCHES, WORDS):
        try:
            need_plain(path / name)
            write_whole(target / name, (path / name).read_bytes())
        except FileNotFoundError:
            continue
        except OSError as error:
            problem = f"can't be copied ({error.strerror or error})"
            raise SessionError(path / name, problem, f"Make room in {target.parent}") from None
    return target
