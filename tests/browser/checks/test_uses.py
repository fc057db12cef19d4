"""What is done: each button, the keyboard alone, no script, a loop that dies, clocks that jump."""

from __future__ import annotations

import json
import os
import signal
import time
from datetime import UTC, datetime, timedelta

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from controller.history import HistoryReader
from controller.page import keys as keys_of
from controller.page.forms import AT_HAND, FORMS, JOURNAL
from tests.browser.checks.conftest import PASSWORD, PHONE, Look

pytestmark = pytest.mark.process
FERN = "/room/fern-loft"
TYPED = {
    "litres": "1.5", "rh_pct": "4", "days": "2", "animal": "Juno", "outcome": "whole",
    "remark": "seen by a browser", "for_s": "3600", "about": "1",
}  # fmt: skip
SKIPPED_FIELDS = ("at", "full")


def answered(look: Look) -> str:
    """The loop's answer, once it is there; the page is not loaded again for it."""

    def found() -> str:
        look.nudge()
        said = look.text("#answer")
        return "" if "Asked" in said else said

    return str(look.until(found, "an answer"))


def fill(look: Look, name: str) -> None:
    for field in FORMS[name].fields:
        if field.name in SKIPPED_FIELDS or (name, field.name) == ("opaque", "rh_pct"):
            continue
        box = look.find(f"#{name}-{field.name}")
        if box.tag_name == "select":
            look.run("arguments[0].value = arguments[1]", box, TYPED[field.name])
        else:
            box.clear()
            box.send_keys(TYPED[field.name])


@pytest.mark.parametrize("name", [*AT_HAND, "resume", "acknowledge"])
def test_each_button_of_the_room_is_answered_by_the_loop(look: Look, name: str) -> None:
    look.go(FERN)
    if name == "acknowledge":
        look.until(lambda: look.find("#ask-acknowledge button").is_displayed(), "an alarm to acknowledge")
    fill(look, name)
    look.find(f"#ask-{name} button").click()
    assert answered(look).startswith("Done: ")
    if name == "acknowledge":
        look.until(
            lambda: look.nudge() or not look.find("#ask-acknowledge button").is_displayed(),
            "the button to go",
        )


@pytest.mark.parametrize("name", JOURNAL)
def test_each_note_of_the_journal_is_answered_and_stands_in_it(look: Look, name: str) -> None:
    look.go(f"{FERN}/journal")
    look.find(f"details:has(#ask-{name}) > summary").click()
    fill(look, name)
    look.find(f"#ask-{name} button").click()
    assert answered(look).startswith("Done: noted")
    kinds = [note.kind for note in HistoryReader(look.rooms.fern.state / "history.sqlite").notes()]
    assert FORMS[name].kind in kinds


def test_a_note_is_withdrawn(look: Look) -> None:
    look.go(f"{FERN}/journal")
    look.find("details:has(#ask-withdraw-1) > summary").click()
    look.find("#ask-withdraw-1 button").click()
    assert "withdrawn" in answered(look)


def keys(look: Look, *pressed: str) -> None:
    ActionChains(look.driver, duration=0).send_keys(*pressed).perform()


def tab_to(look: Look, css: str) -> None:
    """By the tabulator alone, and what has the focus is seen to have it."""
    for _ in range(120):
        keys(look, Keys.TAB)
        reached, outline, top = look.run(
            "const has = document.activeElement; return [has.matches(arguments[0]), "
            "getComputedStyle(has).outlineStyle, has.getBoundingClientRect().bottom]",
            css,
        )
        assert outline != "none"
        assert 0 <= top <= PHONE[1] + 40
        if reached:
            return
    raise AssertionError(f"{css} is not reached by the tabulator")


KEYBOARD = {
    "filled": [("#ask-filled button", Keys.ENTER)],
    "added": [("#added-litres", "1.5"), ("#added-full", Keys.SPACE), ("#ask-added button", Keys.SPACE)],
    "pause": [("#pause-for_s", Keys.ARROW_UP), ("#ask-pause button", Keys.ENTER)],
    "resume": [("#ask-resume button", Keys.ENTER)],
    "raise": [("#raise-rh_pct", "4"), ("#raise-days", "2"), ("#ask-raise button", Keys.ENTER)],
}


@pytest.mark.parametrize("name", KEYBOARD)
def test_every_task_is_done_by_keyboard_alone(look: Look, name: str) -> None:
    look.base = look.rooms.again.address
    look.go(FERN)
    for css, press in KEYBOARD[name]:
        tab_to(look, css)
        keys(look, press)
    said = answered(look)
    assert said.startswith("Done: "), said
    if name == "pause":
        assert "60 min" in said


def test_the_journal_by_keyboard_alone(look: Look) -> None:
    look.base = look.rooms.again.address
    look.go(f"{FERN}/journal")
    tab_to(look, "details:has(#ask-remark) > summary")
    keys(look, Keys.ENTER)
    tab_to(look, "#remark-remark")
    keys(look, "by keyboard")
    tab_to(look, "#ask-remark button")
    keys(look, Keys.ENTER)
    assert answered(look).startswith("Done: noted")


def test_a_mistake_is_told_beside_its_field_which_has_the_focus(look: Look) -> None:
    look.go(FERN)
    look.find("#added-litres").send_keys("a bucket")
    look.find("#ask-added button").click()
    look.until(lambda: "Nothing was asked" in look.text("main"), "the mistake told")
    assert look.run("return document.activeElement.id") == "added-litres"
    assert look.find("#added-litres").get_attribute("value") == "a bucket"
    assert look.violations() == []


def test_all_of_it_works_without_a_script(look: Look) -> None:
    look.scripts(False)
    look.go(FERN)
    look.find("#ask-filled button").click()
    look.until(lambda: look.text("#answer") != "", "the page that follows")
    look.until(
        lambda: "Done: " in look.text("#answer") or look.find("#answer a").click(),
        "the answer by looking again",
    )
    look.find("footer nav a[href$=week]").click()
    assert "Running and water" in look.text("main")


def test_a_figure_that_changes_is_shown_without_loading_again(look: Look) -> None:
    look.go("/room/attic")
    look.run("window.same = true")
    look.rooms.attic.says(rh_pct=51.3, sentence="On: the room is drier than wanted.", relay_on=True)
    look.until(lambda: "51.3" in look.text("#reading"), "the new figure")
    assert "drier than wanted" in look.text("#why")
    assert look.driver.title.startswith("51.3")
    assert look.run("return window.same")


def test_a_loop_that_is_killed_under_an_open_page_is_told_and_one_that_comes_back_too(look: Look) -> None:
    look.go(FERN)
    look.rooms.fern.kill()
    look.until(lambda: "The program does not run" in look.text("#standing"), "the death told")
    look.picture("killed.png")
    assert look.violations() == []
    look.rooms.fern.start()
    look.until(lambda: look.nudge() or not look.text("#standing"), "all well again")


def test_a_page_that_hears_nothing_says_so(look: Look) -> None:
    """Its own watch is put ahead by twenty seconds, so that the check need not wait for them."""
    served = look.rooms.again
    look.base = served.address
    look.go(FERN)
    os.kill(served.process.pid, signal.SIGSTOP)
    try:
        look.run("const real = performance.now.bind(performance); performance.now = () => real() + 20000")
        look.until(lambda: look.find("#quiet").is_displayed(), "the silence told")
        assert "hears nothing from the board since" in look.text("#quiet")
        look.picture("unheard.png")
        assert look.violations() == []
    finally:
        os.kill(served.process.pid, signal.SIGCONT)
    look.run("delete performance.now")
    look.until(lambda: not look.find("#quiet").is_displayed(), "heard again")


def test_clocks_that_jump_make_nothing_old(look: Look) -> None:
    """The board's clock jumps: its next status is hours ahead of this machine's; then the phone's does."""
    look.go("/room/attic")
    for hours in (3, -3):
        at = (datetime.now(UTC) + timedelta(hours=hours)).isoformat()
        look.rooms.attic.says(at=at, rh_pct=60.0 + hours)
        look.until(
            lambda value=f"{60.0 + hours:.1f}": look.nudge() or value in look.text("#reading"),
            "the figure after the jump",
        )
        assert look.text("#standing") == ""
    look.run("const real = Date.now; Date.now = () => real() + 10800000")
    time.sleep(0.5)
    assert not look.find("#quiet").is_displayed()


def test_behind_a_password(look: Look) -> None:
    file = look.rooms.folder / "keys.json"
    keys_of.save(file, keys_of.with_password(keys_of.fresh(), PASSWORD))
    look.base = look.rooms.serve(look.rooms.attic, more=("--keys", str(file))).address
    look.go("/room/attic/week")
    assert look.violations() == []
    look.picture("sign-in.png")
    keys(look, "a wrong guess", Keys.ENTER)
    look.until(lambda: "not the password" in look.text("main"), "the refusal")
    assert look.violations() == []
    keys(look, PASSWORD, Keys.ENTER)
    look.until(lambda: "Running and water" in look.text("main"), "the page that was asked for")
    look.go("/room/attic")
    look.find("footer button").click()
    look.until(lambda: "Password" in look.text("main"), "signed out")


def test_nothing_went_wrong_on_the_board(look: Look) -> None:
    """The last of them: neither page nor loop said a word of trouble."""
    assert look.rooms.both.log() == ""
    log = (look.rooms.fern.folder / f"{look.rooms.fern.name}.log").read_text()
    assert "Traceback" not in log
    json.loads((look.rooms.fern.state / "status.json").read_text())
