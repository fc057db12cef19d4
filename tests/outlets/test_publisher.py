"""What goes out, and when: without a broker."""

from __future__ import annotations

import json

from controller.outlets import wire
from controller.outlets.publisher import Publisher, letters
from controller.outlets.seen import RoomSeen
from tests.outlets.helpers import seen

STATE, SENML = wire.state_topic("shed-a", "larch"), "hygrohold/shed-a/larch/senml"
ONLINE, ROOMS = wire.online_topic("shed-a"), wire.rooms_topic("shed-a")


class FakePost:
    """Implements ``publisher.Post``; takes only ``most`` messages."""

    def __init__(self, most: int = 100) -> None:
        self.most = most
        self.taken: list[tuple[str, str, float | None]] = []

    def publish(self, topic: str, payload: str, expires_s: float | None = None) -> bool:
        if len(self.taken) >= self.most:
            return False
        self.taken.append((topic, payload, expires_s))
        return True

    def topics(self) -> list[str]:
        found = [topic for topic, _, _ in self.taken]
        self.taken = []
        return found


class Bench:
    def __init__(self, *rooms: RoomSeen, with_senml: bool = True) -> None:
        self.rooms = list(rooms)
        self.post = FakePost()
        self.publisher = Publisher("shed-a", lambda: self.rooms, with_senml)

    def work(self) -> list[str]:
        self.publisher.work(self.post)
        return self.post.topics()


def test_only_news_goes_out_and_online_last() -> None:
    bench = Bench(seen())
    assert bench.work() == [ROOMS, STATE, SENML, ONLINE]
    bench.rooms = [seen(age_s=20.0)]
    assert bench.work() == []  # only its age went on
    bench.rooms = [seen(rh_pct=66.0)]
    assert bench.work() == [STATE, SENML]
    bench.rooms = [seen(rh_pct=66.0, sentence="Off: paused.")]
    assert bench.work() == [STATE]


def test_after_a_break_all_is_said_anew() -> None:
    bench = Bench(seen("larch"), seen("oak"), with_senml=False)
    assert len(bench.work()) == 4
    bench.publisher.up()
    assert len(bench.work()) == 4
    assert bench.work() == []


def test_what_is_not_taken_is_said_later_and_then_the_newest() -> None:
    bench = Bench(seen(rh_pct=61.0), with_senml=False)
    bench.post.most = 0
    assert bench.work() == []
    bench.rooms = [seen(rh_pct=62.0)]
    bench.post.most = 2
    bench.publisher.work(bench.post)
    (_, (topic, payload, _)) = bench.post.taken
    assert (topic, json.loads(payload)["rh_pct"]) == (STATE, 62.0)
    bench.post.taken = []
    assert bench.work() == [ONLINE]


def test_a_figure_expires_when_the_status_would() -> None:
    """The status is good for 100 s and is 30 s old: 70 s are left."""
    assert [letter.expires_s for letter in letters("shed-a", seen(age_s=30.0))] == [70.0, 70.0]
    assert [letter.expires_s for letter in letters("shed-a", seen(age_s=-5.0))] == [100.0, 100.0]


def test_when_a_status_grows_old_it_is_said_and_the_figures_go() -> None:
    bench = Bench(seen())
    bench.work()
    bench.rooms = [seen(age_s=101.0, fresh=False)]
    bench.publisher.work(bench.post)
    said = {topic: (payload, expires_s) for topic, payload, expires_s in bench.post.taken}
    assert said.keys() == {STATE, SENML}
    assert said[SENML] == ("", None)
    assert json.loads(said[STATE][0])["running"] is False
    assert said[STATE][1] is None  # that it is silent does not expire
    bench.post.taken = []
    bench.rooms = [RoomSeen("larch", None, None, False)]
    assert bench.work() == [STATE]
