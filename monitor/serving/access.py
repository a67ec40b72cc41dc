"""Who may look at a screen that is served to other computers: access codes, each of which opens once."""

import hmac
import secrets
from collections.abc import Callable

ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""Without signs that look alike: a code is read from one screen and typed into another."""
CODE_SIGNS = 10
"""32^10 codes are 10^15: whoever tries 5000 in each second of twelve hours finds one with a chance of 2 in
ten million. So every code is looked at, whoever tries others meanwhile; fewer signs would need a limit of
tries, by which a stranger could keep out who knows the code."""
_GROUP = 5


def new_code() -> str:
    """A code that nobody can guess."""
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_SIGNS))


class AccessCodes:
    """Gives out keys (for cookies) against codes.

    `on_code` is told each new code, in groups, to be shown to whoever sits at the computer. Capitals,
    blanks and strokes make no difference.
    """

    def __init__(self, on_code: Callable[[str], None], make_code: Callable[[], str] = new_code) -> None:
        self._on_code, self._make_code = on_code, make_code
        self._keys: set[str] = set()
        self.code = ""
        self._renew()

    def _renew(self) -> None:
        self.code = self._make_code()
        self._on_code("-".join(self.code[at : at + _GROUP] for at in range(0, len(self.code), _GROUP)))

    def enter(self, code: str) -> str | None:
        """A key for whoever knows the code, which opens nothing after that; None: wrong."""
        tried = "".join(sign for sign in code.upper() if sign.isalnum())
        if not hmac.compare_digest(tried.encode(), self.code.encode()):
            return None
        key = secrets.token_urlsafe(24)
        self._keys.add(key)
        self._renew()
        return key

    def knows(self, key: str | None) -> bool:
        """Whether a key was given out here."""
        return key is not None and any(
            hmac.compare_digest(key.encode(), each.encode()) for each in self._keys
        )
