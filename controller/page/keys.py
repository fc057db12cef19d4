"""KEYS: the page's own small file: the password's hash, programs' tokens, the secret that seals cookies.

In:    a password that a person chose; names of programs.
Out:   yes or no to a password or a token; a sealing secret.
Never: keeps a password or a token itself, or uses a file that others may read.

It is a file of the page's own, since one page may show several rooms and a room's settings are one room's;
and since a settings file is shown to people who help, which a password's hash should not be.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import stat
from pathlib import Path
from typing import Any, NamedTuple

from controller.errors import HygroholdError, SettingsError
from controller.files import read_small, write_whole

COST, BLOCK, LANES = 2**14, 8, 5
"""Of scrypt (RFC 7914): N, r, p. N and r are those of its third test vector: 16 MiB for one try."""
MOST_MEMORY = 64 * 1024 * 1024
SHORTEST, LONGEST = 10, 200
"""Letters of a password. The longest: what is hashed costs time, whoever sends it."""
LARGEST_BYTES = 64 * 1024
MOST_TOKENS = 50


class Token(NamedTuple):
    """A program's key: its name, and the SHA-256 of it. It is 32 random bytes, so no slow hash is needed."""

    name: str
    sha256: str


class Keys(NamedTuple):
    """``salt`` and ``hashed`` in hex; "" where no password was set."""

    secret: str
    salt: str = ""
    hashed: str = ""
    tokens: tuple[Token, ...] = ()

    @property
    def locked(self) -> bool:
        """Whether whoever comes has to sign in, or to show a token."""
        return bool(self.hashed or self.tokens)


def fresh() -> Keys:
    return Keys(secrets.token_hex(32))


def scrypt(password: bytes, salt: bytes, cost: int = COST, block: int = BLOCK, lanes: int = LANES) -> bytes:
    """64 bytes."""
    return hashlib.scrypt(password, salt=salt, n=cost, r=block, p=lanes, maxmem=MOST_MEMORY, dklen=64)


def with_password(keys: Keys, password: str) -> Keys:
    """A new secret comes with it: every browser has to sign in anew. Raises SettingsError."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise SettingsError(
            f"the password has {len(password)} letters; it needs {SHORTEST} to {LONGEST}. Four words that do "
            "not belong together are easy to remember and hard to guess."
        )
    salt = secrets.token_bytes(16)
    hashed = scrypt(password.encode(), salt).hex()
    return keys._replace(secret=secrets.token_hex(32), salt=salt.hex(), hashed=hashed)


def is_password(keys: Keys, password: str) -> bool:
    """Takes the time of one scrypt, whatever the answer."""
    if len(password) > LONGEST:
        return False
    found = scrypt(password.encode(errors="replace"), bytes.fromhex(keys.salt or "00")).hex()
    return bool(keys.hashed) and hmac.compare_digest(found, keys.hashed)


def with_token(keys: Keys, name: str) -> tuple[Keys, str]:
    """The keys with one more, and the token, which is told once and kept nowhere. Raises SettingsError."""
    if not (name.isascii() and name.replace("-", "").isalnum() and len(name) <= 40):
        raise SettingsError(f"{name!r} is no name of a token: letters, digits and hyphens, 40 at most")
    others = tuple(each for each in keys.tokens if each.name != name)
    if len(others) >= MOST_TOKENS:
        raise SettingsError(f"there are {len(others)} tokens already; take one away with --drop-token NAME")
    token = secrets.token_urlsafe(32)
    return keys._replace(tokens=(*others, Token(name, _sha256(token)))), token


def without_token(keys: Keys, name: str) -> Keys:
    """Raises SettingsError for a name that has none."""
    left = tuple(each for each in keys.tokens if each.name != name)
    if len(left) == len(keys.tokens):
        names = ", ".join(each.name for each in keys.tokens) or "none at all"
        raise SettingsError(f"there is no token {name!r}; there are: {names}")
    return keys._replace(tokens=left)


def is_token(keys: Keys, token: str) -> bool:
    found = _sha256(token)
    return any([hmac.compare_digest(found, each.sha256) for each in keys.tokens])  # each is compared


def _sha256(token: str) -> str:
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()


def load(path: Path) -> Keys | None:
    """None where there is no such file. Raises HygroholdError for one that is spoilt or shared."""
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & 0o077:
            raise HygroholdError(
                f"{path} may be read by others (mode {mode:04o}): `chmod 600 {path}`, and set a new password"
            )
        plain = json.loads(read_small(path, LARGEST_BYTES))
        return _from_plain(plain)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise HygroholdError(f"{path} cannot be read: {error.strerror}") from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise HygroholdError(
            f"{path} is not the page's file of keys: move it away, and `hygrohold page --set-password` "
            "makes a new one"
        ) from error


def _from_plain(plain: dict[str, Any]) -> Keys:
    tokens = tuple(Token(str(each["name"]), str(each["sha256"])) for each in plain["tokens"])
    found = Keys(str(plain["secret"]), str(plain["salt"]), str(plain["hashed"]), tokens)
    bytes.fromhex(found.salt)
    if len(bytes.fromhex(found.secret)) < 32 or bool(found.salt) != bool(found.hashed):
        raise ValueError("keys")
    return found


def save(path: Path, keys: Keys) -> None:
    """For this user alone, mode 0600. Raises HygroholdError."""
    plain = {**keys._asdict(), "tokens": [each._asdict() for each in keys.tokens]}
    try:
        if not path.parent.is_dir():
            path.parent.mkdir(parents=True, mode=0o700)
        write_whole(path, json.dumps(plain, indent=1), private=True)
    except OSError as error:
        raise HygroholdError(f"{path} cannot be written: {error.strerror}") from error


def stamp(path: Path) -> int:
    """Changes when the file does; 0 for none."""
    try:
        return os.stat(path).st_mtime_ns  # noqa: PTH116
    except OSError:
        return 0


class KeyRing:
    """The keys of a file, read again when it changes. Without a file: none, and a secret of this process."""

    def __init__(self, path: Path) -> None:
        """Raises HygroholdError."""
        self._path, self._stamp = path, stamp(path)
        self._keys = load(path) or fresh()

    def __call__(self) -> Keys:
        """As they are now. What was locked stays so, whatever becomes of the file."""
        found = stamp(self._path)
        if found != self._stamp:
            self._stamp = found
            try:
                self._keys = load(self._path) or self._keys
            except HygroholdError:
                return self._keys
        return self._keys
