"""By a notification service: the library, in a process of its own, towards a real server."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import pytest

from controller.notifier import by_service, service_child, words
from controller.notifier.by_service import service_way
from controller.notifier.lane import sent_or_why
from controller.notifier.words import letter, trial
from tests.notifier.conftest import Web
from tests.notifier.helpers import NOON, SECRET, at_once, message

pytestmark = pytest.mark.process
LETTER = letter("larch", words.ALARM, message("tank_dry"), NOON)


def send(url: str, timeout_s: float = 60.0) -> str:
    way = service_way(1, url, timeout_s=timeout_s)
    assert SECRET not in way.name
    said = sent_or_why(way, at_once(""), LETTER)
    assert SECRET not in said
    return said


def test_a_service_gets_the_message(web: Web) -> None:
    """``json://`` is the library's own form of a webhook."""
    pytest.importorskip("apprise")
    assert send(f"json://{web.host}/{SECRET}") == ""
    ((method, path, _, body),) = web.asked
    assert (method, path.strip("/")) == ("POST", SECRET)
    told = json.loads(body)
    assert told["title"] == LETTER.first_line
    assert told["message"].startswith("Trial pulses look whether somebody filled it.")
    assert told["type"] == "warning"


def test_what_it_says_of_a_failure_is_said_without_the_address(web: Web) -> None:
    pytest.importorskip("apprise")
    web.status = 503
    assert "503" in send(f"json://{web.host}/{SECRET}")
    assert "does not know such an address" in send(f"nonesuch://{SECRET}/{SECRET}")


def test_only_the_kind_of_service_is_named() -> None:
    """What looks like a host may be a token there."""
    assert service_way(2, f"tgram://{SECRET}/1").name == "service 2 (tgram)"


def test_without_the_library_it_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(by_service, "find_spec", lambda name: None)
    assert (
        send(f"json://{SECRET}")
        == "the library for services is not installed: pip install '.[notify]' in the program's folder"
    )


def test_a_sender_that_dies_or_hangs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(by_service, "missing", lambda: "")
    child = tmp_path / "child.py"
    monkeypatch.setattr(by_service, "CHILD", child)
    child.write_text("import sys; sys.exit(7)")
    assert send(f"json://{SECRET}") == "its sender ended with status 7"
    child.write_text("import time; time.sleep(60)")
    assert send(f"json://{SECRET}", timeout_s=0.5) == "it took too long and was ended"


# The child, in this process.


class Library:
    """As much of the library as is used, and what it does wrong."""

    NotifyType = staticmethod(lambda kind: kind)

    def __init__(self) -> None:
        self.sent: list[dict[str, str]] = []
        self.takes, self.raises, self.logs = True, False, ""

    def AppriseAsset(self, **_: object) -> None:  # noqa: N802 - the library's name
        return None

    def Apprise(self, asset: object) -> Library:  # noqa: N802
        return self

    def add(self, url: str) -> bool:
        return "://" in url

    def notify(self, **told: str) -> bool:
        import logging

        if self.raises:
            raise RuntimeError(SECRET)
        if self.logs:
            logging.getLogger("apprise").warning(self.logs)
        self.sent.append(told)
        return self.takes


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Library:
    made = Library()
    monkeypatch.setitem(sys.modules, "apprise", made)  # type: ignore[arg-type]
    return made


def run_child(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], text: str
) -> tuple[int, object]:
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))
    status = service_child.main()
    printed = capsys.readouterr()
    assert printed.err == ""
    return status, json.loads(printed.out)


def told(**other: str) -> str:
    return json.dumps({"url": "x://y", "title": "t", "body": "b", "kind": "over", **other})


def test_the_child_sends(
    library: Library, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_child(monkeypatch, capsys, told()) == (0, {"done": True, "why": ""})
    assert library.sent == [{"title": "t", "body": "b", "notify_type": "success"}]


def test_the_child_says_why_not(
    library: Library, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    library.takes = False
    assert run_child(monkeypatch, capsys, told())[1] == {"done": False, "why": "the service did not take it"}
    library.logs = "no route"
    assert run_child(monkeypatch, capsys, told())[1] == {"done": False, "why": "no route"}
    library.raises = True
    assert run_child(monkeypatch, capsys, told())[1] == {
        "done": False, "why": "the library failed (RuntimeError)",
    }  # fmt: skip
    assert "does not know" in str(run_child(monkeypatch, capsys, told(url="y"))[1])
    assert run_child(monkeypatch, capsys, "{")[0] == 1
    monkeypatch.setitem(sys.modules, "apprise", None)
    assert "cannot be loaded" in str(run_child(monkeypatch, capsys, told())[1])


def test_a_message_of_one_line_has_a_body_too(web: Web) -> None:
    pytest.importorskip("apprise")
    one = trial("larch", "x", NOON)._replace(words="only this")
    service_way(1, f"json://{web.host}/").send(one)
    assert json.loads(web.asked[0][3])["message"] == "only this"
