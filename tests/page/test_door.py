"""Who is let in: hosts, origins, cookies, tokens, and how often."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.page import keys
from controller.page.door import GUEST, KEEPER, PROGRAM, SIGNED_IN_S, Door, Visitor
from controller.page.kept import MOST, BusyError, Kept
from controller.page.keys import Keys
from controller.page.pace import ALL, MOST_ADDRESSES, Pace

LOCKED = Keys("ab" * 32, salt="00", hashed="11")


class Clock:
    def __init__(self) -> None:
        self.s = 1_000_000.0

    def __call__(self) -> float:
        return self.s


def door(of: Keys = LOCKED, https: bool = False) -> tuple[Door, Clock]:
    clock = Clock()
    return Door(lambda: of, ("larch.example", "Board."), clock, https), clock


@pytest.mark.parametrize(
    ("host", "good"),
    [
        *(
            (host, True)
            for host in (
                "localhost",
                "localhost:8321",
                "127.0.0.1:80",
                "[::1]:8321",
                "192.0.2.5",
                "LARCH.example:8321",
                "larch.example.",
                "board",
            )
        ),
        *(
            (host, False)
            for host in (
                "",
                ":80",
                "evil.example",
                "larch.example.evil.example",
                "localhost.evil",
                "127.0.0.1.evil.example",
                "a@localhost",
                "[::1",
                "evil.example#localhost",
            )
        ),
    ],
)
def test_only_own_names_and_numbers_are_hosts(host: str, good: bool) -> None:
    """A name of somebody else's that leads here is how DNS rebinding works; a number is nobody's."""
    assert door()[0].host_ok(host) is good


@pytest.mark.parametrize(
    ("origin", "site", "good"),
    [
        (None, None, True),
        ("http://board:1", None, True),
        ("http://board:1", "same-origin", True),
        (None, "none", True),
        (None, "cross-site", False),
        (None, "same-site", False),
        ("http://board:1", "cross-site", False),
        ("null", None, False),
        ("http://board:2", None, False),
        ("https://board:1", None, False),
        ("http://evil.example", None, False),
    ],
)
def test_a_form_comes_from_this_page(origin: str | None, site: str | None, good: bool) -> None:
    assert door()[0].origin_ok(origin, site, "board:1") is good


def test_behind_tls_the_origin_is_https() -> None:
    assert door(https=True)[0].origin_ok("https://board", None, "board")
    assert not door(https=True)[0].origin_ok("http://board", None, "board")
    assert door(https=True)[0].cookie.startswith("__Host-")


def test_a_cookie_is_good_until_its_end_and_says_who_it_was_given_to() -> None:
    made, clock = door()
    keeper, cookie = made.new(signed_in=True)
    guest, other = made.new()
    assert (keeper.may_read, keeper.may_ask, guest.may_read, guest.may_ask) == (True, True, False, False)
    assert made.visitor(cookie, None) == keeper
    assert made.visitor(other, None) == guest
    assert keeper.session != guest.session
    clock.s += SIGNED_IN_S - 1
    assert made.visitor(cookie, None) == keeper
    clock.s += 2
    assert made.visitor(cookie, None) is None


def test_a_cookie_that_was_altered_or_is_of_another_secret_is_nobodys() -> None:
    made, _ = door()
    _, guest = made.new()
    kind, until, session, seal = guest.split(".")
    for forged in (
        f"keeper.{until}.{session}.{seal}",
        f"{kind}.9{until}.{session}.{seal}",
        f"{kind}.{until}.0.{seal}",
        f"{kind}.{until}.{session}.",
        "",
        "....",
        f"{kind}.²³.{session}.{seal}",
        f"{guest}.x",
    ):
        assert made.visitor(forged, None) is None
    _, keeper = made.new(signed_in=True)
    assert door(LOCKED._replace(secret="cd" * 32))[0].visitor(keeper, None) is None


def test_without_a_password_a_guest_of_this_board_is_its_keeper() -> None:
    made, _ = door(keys.fresh())
    seen, cookie = made.new()
    assert seen.may_ask
    assert made.visitor(cookie, None) == seen


def test_a_token_reads_and_a_wrong_one_does_not() -> None:
    of, token = keys.with_token(LOCKED, "screen")
    made, _ = door(of)
    assert made.visitor(None, f"Bearer {token}") == Visitor(PROGRAM)
    assert made.visitor(None, f"bearer  {token} ") == Visitor(PROGRAM)
    for wrong in (f"Bearer {token}x", f"Basic {token}", token, "", "Bearer", "Bearer \udcff"):
        assert made.visitor(None, wrong) == Visitor(GUEST)
    assert not Visitor(PROGRAM).may_ask


def test_a_seal_is_of_one_visitor_alone() -> None:
    made, _ = door()
    one, other = made.new(True)[0], made.new(True)[0]
    assert made.form_ok(one, made.form_seal(one))
    assert not made.form_ok(one, made.form_seal(other))
    assert not made.form_ok(Visitor(KEEPER), made.form_seal(Visitor(KEEPER)))


@given(st.text(max_size=80), st.one_of(st.none(), st.text(max_size=80)), st.text(max_size=40))
def test_no_head_makes_the_door_stumble(cookie: str, authorization: str | None, host: str) -> None:
    made, _ = door()
    seen = made.visitor(cookie, authorization)
    assert seen is None or not seen.may_read
    made.host_ok(host)


def test_one_address_waits_and_another_does_not() -> None:
    clock = Clock()
    pace = Pace(burst=3, each_s=20.0, together=4, now_s=clock)
    assert [pace.wait_s("a") for _ in range(3)] == [0.0, 0.0, 0.0]
    assert pace.wait_s("a") == pytest.approx(20.0)
    assert pace.wait_s("b") == 0.0
    clock.s += 20.0
    assert pace.wait_s("a") == 0.0
    assert pace.wait_s("a") > 0.0


def test_many_addresses_together_are_held_up_too_and_not_remembered_for_ever() -> None:
    clock = Clock()
    pace = Pace(burst=3, each_s=20.0, together=4, now_s=clock)
    through = sum(pace.wait_s(f"2001:db8::{n:x}") == 0.0 for n in range(1000))
    assert through == 12
    for n in range(2 * MOST_ADDRESSES):
        clock.s += 60.0
        pace.wait_s(f"x{n}")
    assert len(pace._free_s) == MOST_ADDRESSES
    assert ALL in pace._free_s


def test_what_was_worked_out_serves_all_for_a_while() -> None:
    clock, made = Clock(), []
    kept: Kept[int] = Kept(10.0, now_s=clock)

    def make() -> int:
        made.append(1)
        return len(made)

    assert [kept.get("a", make), kept.get("a", make), kept.get("b", make)] == [1, 1, 2]
    clock.s += 10.0
    assert kept.get("a", make) == 3
    for n in range(2 * MOST):
        kept.get(n, make)
    assert len(kept._found) == MOST


def test_only_a_few_wait_for_what_is_slow() -> None:
    kept: Kept[int] = Kept(10.0, waiting=1)

    def slow() -> int:
        with pytest.raises(BusyError, match="look again"):
            kept.get("another", lambda: 2)
        return 1

    assert kept.get("one", slow) == 1
    assert kept.get("another", lambda: 2) == 2


def test_a_failure_is_not_kept() -> None:
    kept: Kept[int] = Kept(10.0, waiting=1)
    with pytest.raises(ZeroDivisionError):
        kept.get("a", lambda: 1 // 0)
    assert kept.get("a", lambda: 5) == 5
