"""Who sits at the page: each signs in with the pass phrase of their own key, and signs with it.

Notes
-----
Who signs in on the page opens their own sealed key. Decisions must be signed, and a second password
beside the key's pass phrase would be one more to lose. Choice: initials and pass phrase open the
key (Argon2id) in the folder of keys of the computer that serves the page; it stays in its memory
until sign-out or half an hour without a request. Instead of: passwords in the register, which only
grows; keys in the browser. Cost: the computer that serves the page holds everybody's sealed keys.
"""

from __future__ import annotations

import dataclasses
import secrets
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from veneercheck.core.errors import RecordError, Told

if TYPE_CHECKING:
    from veneercheck.record.keys import Signer

IDLE_S = 1800.0
"""Who leaves the desk is signed out: long enough to look at a bridge."""

_MOST = 200
"""Signed in at once: a laboratory has fewer people."""


@dataclasses.dataclass(slots=True)
class Signed:
    """Somebody who signed in.

    Parameters
    ----------
    signer : Signer
    seen_s : float
        When they last asked for something.
    """

    signer: Signer
    seen_s: float

    @property
    def initials(self) -> str:
        """Who it is."""
        return self.signer.initials


class Desk:
    """Everybody who is signed in, each known by what only their browser was told.

    Parameters
    ----------
    keys : Path, optional
        Folder of sealed keys; the user's own where none is given.
    clock : callable
        Seconds that only go on.
    """

    def __init__(
        self, keys: Path | None = None, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.keys = keys
        self._clock = clock
        self._signed: dict[str, Signed] = {}

    def sign_in(self, place: str, initials: str, phrase: str) -> str:
        """Open somebody's key; what their browser is told.

        Raises
        ------
        RecordError
            If they are not enrolled here, left, or the pass phrase does not open the key on record.
        """
        from veneercheck.record import Register
        from veneercheck.record.filing import initials as as_initials
        from veneercheck.record.keys import default_folder, open_key
        from veneercheck.record.signing import enrolled

        as_initials(initials)  # becomes part of a path
        with Register(place) as register:
            person = enrolled(register).may(initials, "decide")
        folder = self.keys or default_folder()
        signer = open_key(folder, initials, phrase, public=person.public)
        if signer.public != person.public:
            raise RecordError(
                Told("the key of {initials} here is not the one on record.", initials=initials),
                next_step="Bring the latest key into the folder of keys, or enrol a new one.",
            )
        self._forget()
        token = secrets.token_urlsafe(32)
        self._signed[token] = Signed(signer, self._clock())
        return token

    def signed(self, token: str) -> Signed | None:
        """Who a browser belongs to; nobody after half an hour without a request."""
        self._forget()
        found = self._signed.get(token)
        if found is not None:
            found.seen_s = self._clock()
        return found

    def sign_out(self, token: str) -> None:
        """Forget somebody's key."""
        self._signed.pop(token, None)

    def _forget(self) -> None:
        line = self._clock() - IDLE_S
        for token in [t for t, one in self._signed.items() if one.seen_s < line]:
            del self._signed[token]
        while len(self._signed) >= _MOST:
            del self._signed[next(iter(self._signed))]
