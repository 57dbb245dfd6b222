"""A person's own key: Ed25519, sealed with a pass phrase by Argon2id, in a file of its own.

Notes
-----
Decisions are signed outside the base install. `cryptography` and `argon2-cffi` are compiled, and
most laboratories decide on paper. Choice: the extra `[sign]`; without anybody enrolled nothing
needs a signature. Keys are sealed files, Ed25519 under Argon2id (RFC 9106); no password and no
private key is ever in the register, which only grows. A signature covers the decisions it was taken
after, so that none can be repeated, moved or left out unseen. Instead of: passwords in the
register; a certificate authority. Cost: a lost key needs a licensed person or the recovery key on
paper.
"""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veneercheck.case.folders import write_text
from veneercheck.core.errors import RecordError, Told

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

SCHEMA = "veneercheck key 1"

COST = {"memory_kib": 65536, "rounds": 3, "lanes": 4}
"""RFC 9106, second recommended choice for Argon2id; each key's file says its own."""

_MOST_KIB, _MOST = 1 << 20, 64
"""A file that asks for more would hold the machine up."""

_SALT_BYTES, _NONCE_BYTES, _KEY_BYTES = 16, 12, 32
_SHORTEST = 8
"""Signs of a pass phrase: NIST SP 800-63B, 5.1.1 (from memory)."""


@dataclasses.dataclass(frozen=True, slots=True)
class Signer:
    """Somebody who has opened their key.

    Parameters
    ----------
    initials : str
    private : Ed25519PrivateKey
    """

    initials: str
    private: Ed25519PrivateKey

    @property
    def public(self) -> str:
        """The public key in hexadecimal digits."""
        return self.private.public_key().public_bytes_raw().hex()

    def signed(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """The body with its signature."""
        from veneercheck.record.people import signed_text

        value = self.private.sign(signed_text(body)).hex()
        return {**body, "signature": {"by": self.initials, "key": self.public, "value": value}}


def default_folder() -> Path:
    """Where keys lie: `VENEERCHECK_KEYS`, or a folder of the user's own."""
    own = os.environ.get("VENEERCHECK_KEYS")
    config = os.environ.get("XDG_CONFIG_HOME")
    return Path(own) if own else (Path(config) if config else Path.home() / ".config") / _FOLDER


_FOLDER = "veneercheck-keys"


def new_key(folder: Path, initials: str, phrase: str) -> Signer:
    """Make a key and seal it into its file; an earlier one is kept beside it.

    Raises
    ------
    RecordError
        If the pass phrase is too short, or nothing can be written there.
    """
    private = _library().Ed25519PrivateKey.generate()
    if len(phrase) < _SHORTEST:
        raise RecordError(
            Told("a pass phrase of {count} signs is too short.", count=len(phrase)),
            next_step=Told(
                "Give at least {shortest} signs; several words are easy to remember.",
                shortest=_SHORTEST,
            ),
        )
    salt, nonce = os.urandom(_SALT_BYTES), os.urandom(_NONCE_BYTES)
    sealed = _cipher(phrase, salt, COST).encrypt(
        nonce, private.private_bytes_raw(), initials.encode()
    )
    document = {
        "schema": SCHEMA,
        "initials": initials,
        "public": private.public_key().public_bytes_raw().hex(),
        "argon2id": COST,
        "salt": salt.hex(),
        "nonce": nonce.hex(),
        "sealed": sealed.hex(),
    }
    file = _file(folder, initials)
    if file.exists():
        earlier = file.read_text(encoding="utf-8")
        kept = _kept(folder, initials, json.loads(earlier)["public"])
        write_text(kept, earlier)  # a copy: whoever is stopped here still has the one on record
        kept.chmod(0o600)
    folder.mkdir(parents=True, exist_ok=True)
    write_text(file, json.dumps(document, indent=1) + "\n")
    file.chmod(0o600)
    return Signer(initials, private)


def open_key(folder: Path, initials: str, phrase: str, *, public: str = "") -> Signer:
    """Open a key with its pass phrase.

    Parameters
    ----------
    folder : Path
    initials, phrase : str
    public : str
        The public key on record: where a change of keys was stopped before the new one went on
        record, it is the earlier one, which lies beside.

    Raises
    ------
    RecordError
        If there is none, or the pass phrase is another one.
    """
    library, file = _library(), _file(folder, initials)
    kept = _kept(folder, initials, public)
    if public and kept.exists() and not _holds(file, public):
        file = kept
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
        salt, nonce, sealed = (bytes.fromhex(document[n]) for n in ("salt", "nonce", "sealed"))
        raw = _cipher(phrase, salt, document["argon2id"]).decrypt(nonce, sealed, initials.encode())
    except FileNotFoundError:
        raise RecordError(
            Told("there is no key of {initials}.", initials=initials),
            where=str(folder),
            next_step="Name the folder with VENEERCHECK_KEYS, or enrol anew.",
        ) from None
    except (OSError, ValueError, KeyError, TypeError, library.InvalidTag):
        raise RecordError(
            Told("the key of {initials} does not open.", initials=initials),
            where=str(file),
            next_step="Give the pass phrase again; if it is lost, a licensed person enrols "
            "a new key.",
        ) from None
    return Signer(initials, library.Ed25519PrivateKey.from_private_bytes(raw))


def recovery_key() -> tuple[str, str]:
    """A key to be put away on paper: what to write down, and its public part."""
    private = _library().Ed25519PrivateKey.generate()
    digits = private.private_bytes_raw().hex()
    groups = [digits[at : at + 4] for at in range(0, len(digits), 4)]
    return "-".join(groups), private.public_key().public_bytes_raw().hex()


def from_paper(words: str) -> Signer:
    """The signer of a recovery key, as it was written down."""
    from veneercheck.record.people import RECOVERY

    try:
        raw = bytes.fromhex(words.replace("-", "").replace(" ", ""))
        return Signer(RECOVERY, _library().Ed25519PrivateKey.from_private_bytes(raw))
    except ValueError:
        raise RecordError(
            "this is no recovery key.",
            next_step="Write all 64 digits as they stand on the paper.",
        ) from None


def _file(folder: Path, initials: str) -> Path:
    return folder / f"{initials}.json"


def _kept(folder: Path, initials: str, public: str) -> Path:
    """Where a key lies once there is a later one."""
    return folder / f"{initials}-{public[:12]}.json"


def _holds(file: Path, public: str) -> bool:
    """Whether this is the file of that key."""
    try:
        return bool(json.loads(file.read_text(encoding="utf-8"))["public"] == public)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _cipher(phrase: str, salt: bytes, cost: Mapping[str, int]) -> Any:
    from argon2.low_level import Type, hash_secret_raw

    memory, rounds, lanes = (int(cost[name]) for name in ("memory_kib", "rounds", "lanes"))
    if memory > _MOST_KIB or max(rounds, lanes) > _MOST:
        raise ValueError("asks for too much")
    key = hash_secret_raw(
        phrase.encode("utf-8", "surrogateescape"),
        salt,
        rounds,
        memory,
        lanes,
        _KEY_BYTES,
        Type.ID,
    )
    return _library().ChaCha20Poly1305(key)


def _library() -> Any:
    """What signs and seals, with a word of what is missing without its extra."""
    try:
        import argon2  # noqa: F401
        from cryptography.exceptions import InvalidTag
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
        from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
    except ModuleNotFoundError as error:
        raise RecordError(
            Told("signing needs what is not installed ({name}).", name=error.name),
            next_step="Install it: pip install 'veneercheck[sign]'.",
        ) from None
    return _Library(Ed25519PrivateKey, ChaCha20Poly1305, InvalidTag)


@dataclasses.dataclass(frozen=True, slots=True)
class _Library:
    Ed25519PrivateKey: Any
    ChaCha20Poly1305: Any
    InvalidTag: Any
