"""Who may look at a screen that is served to other computers: access codes, each of which opens once."""

import hmac
import secrets
import time
from collections.abc import Callable

ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Without signs that look alike: a code is read from one screen and typed into another."""
CODE_SIGNS = 6
WRONG_TRIES = 5
"""So many wrong codes make the present one worthless."""
PAUSE_S = 1.0
"""Between two tries: six signs of 32 are a thousand million, five tries a code."""


def new_code() -> str:
    """A code that nobody can guess."""
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_SIGNS))


class AccessCodes:
    """Gives out keys (for cookies) against codes.

    `on_code` is told each new code, to be shown to whoever sits at the computer. `now` gives
    seconds of a monotonic clock.
    """

    def __init__(
        self,
        on_code: Callable[[str], None],
        make_code: Callable[[], str] = new_code,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._on_code, self._make_code, self._now = on_code, make_code, now
        self._keys: set[str] = set()
        self._wrong = 0
        self._next_s = -1e9
        self.code = ""
        self._renew()

    def _renew(self) -> None:
        self.code, self._wrong = self._make_code(), 0
        self._on_code(self.code)

    def enter(self, code: str) -> str | None:
        """A key for whoever knows the code, which opens nothing after that; None: wrong, or too soon."""
        now = self._now()
        if now < self._next_s:
            return None
        self._next_s = now + PAUSE_S
        tried = "".join(sign for sign in code.upper() if sign.isalnum())
        if not hmac.compare_digest(tried.encode(), self.code.encode()):
            self._wrong += 1
            if self._wrong >= WRONG_TRIES:
                self._renew()
            return None
        self._next_s = now
        key = secrets.token_urlsafe(24)
        self._keys.add(key)
        self._renew()
        return key

    def knows(self, key: str | None) -> bool:
        """Whether a key was given out here."""
        return key is not None and any(
            hmac.compare_digest(key.encode(), each.encode()) for each in self._keys
        )
