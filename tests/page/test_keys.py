"""The page's file of keys: hashed, for its owner alone, and nothing but a whole one is believed."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from controller.errors import HygroholdError, SettingsError
from controller.page import keys
from controller.page.keys import KeyRing, Keys

GOOD = "four words do not belong"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """As scrypt is, at a cost that tests can pay."""
    real = keys.scrypt
    monkeypatch.setattr(keys, "scrypt", lambda password, salt: real(password, salt, 16, 1, 1))


def test_scrypt_is_that_of_the_rfc() -> None:
    """RFC 7914, section 12, the third vector."""
    found = keys.hashlib.scrypt(  # the call that ``keys.scrypt`` makes, at the vector's lanes
        b"pleaseletmein",
        salt=b"SodiumChloride",
        n=keys.COST,
        r=keys.BLOCK,
        p=1,
        maxmem=keys.MOST_MEMORY,
        dklen=64,
    )
    assert found.hex().startswith("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")
    assert keys.LANES == 5


def test_a_password_is_told_from_others_and_not_kept(tmp_path: Path) -> None:
    path = tmp_path / "new" / "keys.json"
    keys.save(path, keys.with_password(keys.fresh(), GOOD))
    assert path.stat().st_mode & 0o777 == 0o600
    assert GOOD not in path.read_text()
    found = keys.load(path)
    assert found is not None
    assert keys.is_password(found, GOOD)
    assert not any(keys.is_password(found, each) for each in ("", GOOD[:-1], GOOD + " ", GOOD * 20, "\udcff"))
    assert not keys.is_password(keys.fresh(), "")


def test_a_new_password_ends_every_cookie_and_has_another_salt() -> None:
    one, other = (keys.with_password(keys.fresh(), GOOD) for _ in range(2))
    again = keys.with_password(one, GOOD)
    assert len({one.secret, other.secret, again.secret}) == 3
    assert len({one.hashed, other.hashed, again.hashed}) == 3


@pytest.mark.parametrize("password", ["", "short", "x" * 201])
def test_a_password_of_no_use_is_refused(password: str) -> None:
    with pytest.raises(SettingsError, match="it needs 10 to 200"):
        keys.with_password(keys.fresh(), password)


def test_tokens_come_and_go_by_name(tmp_path: Path) -> None:
    one, token = keys.with_token(keys.fresh(), "shelf-screen")
    two, other = keys.with_token(one, "shelf-screen")
    assert (keys.is_token(one, token), keys.is_token(two, token), keys.is_token(two, other)) == (
        True,
        False,
        True,
    )
    assert token not in json.dumps(one._asdict())
    assert one.locked
    assert not keys.without_token(two, "shelf-screen").locked
    with pytest.raises(SettingsError, match="there are: shelf-screen"):
        keys.without_token(two, "screen")
    with pytest.raises(SettingsError, match="there are: none at all"):
        keys.without_token(keys.fresh(), "screen")
    with pytest.raises(SettingsError, match="no name of a token"):
        keys.with_token(two, "a b")
    for n in range(keys.MOST_TOKENS - 1):
        two, _ = keys.with_token(two, f"n{n}")
    with pytest.raises(SettingsError, match="50 tokens already"):
        keys.with_token(two, "one-more")


def test_what_others_may_read_is_not_used(tmp_path: Path) -> None:
    path = tmp_path / "keys.json"
    keys.save(path, keys.fresh())
    path.chmod(0o640)
    with pytest.raises(HygroholdError, match="may be read by others"):
        keys.load(path)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        "[" * 5000,
        '{"secret":"00","salt":"","hashed":"","tokens":[]}',
        json.dumps({**Keys("ab" * 32, salt="00")._asdict()}),
        json.dumps({**Keys("ab" * 32)._asdict(), "tokens": [1]}),
    ],
)
def test_a_spoilt_file_is_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "keys.json"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(HygroholdError, match="set-password"):
        keys.load(path)


def test_a_folder_in_its_place_is_told(tmp_path: Path) -> None:
    (tmp_path / "keys.json").mkdir(mode=0o700)
    with pytest.raises(HygroholdError, match="keys"):
        keys.load(tmp_path / "keys.json")
    (tmp_path / "file").write_text("")
    with pytest.raises(HygroholdError, match="cannot be written"):
        keys.save(tmp_path / "file" / "keys.json", keys.fresh())
    with pytest.raises(HygroholdError, match="cannot be read"):
        keys.load(tmp_path / "file" / "keys.json")


def test_a_ring_follows_its_file_and_what_was_locked_stays_so(tmp_path: Path) -> None:
    path = tmp_path / "keys.json"
    ring = KeyRing(path)
    assert not ring().locked
    assert ring() == ring()
    keys.save(path, keys.with_password(keys.fresh(), GOOD))
    os.utime(path, ns=(1, 1))
    assert keys.is_password(ring(), GOOD)
    path.write_text("spoilt")
    os.utime(path, ns=(2, 2))
    assert keys.is_password(ring(), GOOD)
    path.unlink()
    assert keys.is_password(ring(), GOOD)
