"""When the unit on test goes back: a time of the bench on the calendar of the place where it is read."""

from datetime import datetime, timedelta, tzinfo


def seconds_left(hand_back: str, began_ns: int, now_ns: int, zone: tzinfo | None = None) -> float | None:
    """Seconds from `now_ns` until the time `hand_back` (`hh:mm`) that comes next after `began_ns`.

    Both are Unix nanoseconds; `zone` is that of the computer by default. Below nought: it is over. None: no
    time was told, or the clock is not known.
    """
    if not hand_back or began_ns <= 0 or now_ns <= 0:
        return None
    # Times of the clock on the wall: a night in which the clocks change is an hour longer or shorter.
    began = datetime.fromtimestamp(began_ns / 1e9, zone)
    hour, minute = hand_back.split(":")
    back = began.replace(hour=int(hour), minute=int(minute), second=0, microsecond=0)
    if back <= began:
        back += timedelta(days=1)
    return back.timestamp() - now_ns / 1e9
