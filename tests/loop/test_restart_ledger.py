"""What a stop, a kill and a power cut make of the ledger and the tank, one case each."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from controller.core.controller import Controller
from controller.core.records import Decision, Inputs, Instant, Request
from controller.keep import FileKeep
from controller.loop import Loop
from tests.loop.helpers import DAY_S, Bench, flat
from tests.loop.test_never_list import ROUNDING_S, settings_of


@pytest.mark.parametrize("off_s", [60.0, 3600.0, 8 * 3600.0])
@pytest.mark.parametrize("boot", ["boot-1", "boot-2"])
def test_time_spent_stopped_does_not_count_as_on(tmp_path: Path, off_s: float, boot: str) -> None:
    """Stopped in good order while on, started again later: an hour of mist stays an hour."""
    keep = FileKeep(tmp_path)
    keep.load(12 * 3600.0)
    bench = Bench(flat(), for_s=3600.0)
    Loop(bench.parts(keep=keep), 10.0).run()
    ran_s = bench.watch.decisions[-1].used_s
    assert 3000.0 < ran_s <= 3600.0
    now = bench.clock.now()
    later = now._replace(
        mono_s=now.mono_s + off_s if boot == now.boot else 20.0,
        wall=now.wall + timedelta(seconds=off_s),
        boot=boot,
    )
    decision = Controller(flat(), FileKeep(tmp_path).load(12 * 3600.0).state).step(Inputs(), later)
    assert ran_s <= decision.used_s <= ran_s + 10.0


def test_on_time_up_to_the_stop_is_booked(tmp_path: Path) -> None:
    """A tick of 300 s, stopped 290 s after a look: those 290 s ran as well."""
    settings = settings_of(12.0, 300.0)
    keep = FileKeep(tmp_path)
    keep.load(12 * 3600.0)
    bench = Bench(settings, for_s=3000.0)
    waited: list[bool] = []
    real = bench.clock.wait_until

    def wait(mono_s: float) -> bool:
        going = real(mono_s)
        if not going:
            bench.clock.pass_s(290.0)
            waited.append(bench.relay.on)
        return going

    bench.clock.wait_until = wait  # type: ignore[method-assign]
    Loop(bench.parts(keep=keep), 300.0).run()
    assert waited == [True]
    before_s = bench.watch.decisions[-1].used_s
    decision = Controller(settings, FileKeep(tmp_path).load(12 * 3600.0).state).step(
        Inputs(), bench.clock.now()
    )
    assert decision.used_s == pytest.approx(before_s + 290.0)


def test_an_unclean_end_uses_water_too(tmp_path: Path) -> None:
    """The design: what ran up to the last mark plus one interval counts as on; for the tank as well."""
    settings = settings_of(12.0, 30.0)
    keep = FileKeep(tmp_path)
    keep.load(12 * 3600.0)
    bench = Bench(settings, for_s=3600.0)
    bench.inbox.asked.append(Request("refilled"))
    loop = Loop(bench.parts(keep=keep), 30.0)
    loop._end = lambda: None  # type: ignore[method-assign]
    loop.run()
    last = bench.watch.decisions[-1]
    assert last.relay_on
    assert last.tank_l is not None
    now = bench.clock.now()
    again = now._replace(mono_s=now.mono_s + 20.0)
    decision = Controller(settings, FileKeep(tmp_path).load(12 * 3600.0).state).step(Inputs(), again)
    assert decision.used_s >= last.used_s
    assert decision.tank_l is not None
    assert decision.tank_l <= last.tank_l + 1e-9


def test_a_power_cut_measured_late_ages_no_run_too_far(tmp_path: Path) -> None:
    """Cut off while on, back without the time, told the time later: 24 h after a run's end it is forgotten,
    and not a second before.
    """
    keep = FileKeep(tmp_path)
    keep.load(12 * 3600.0)
    bench = Bench(flat(), for_s=3600.0)
    loop = Loop(bench.parts(keep=keep), 10.0)
    loop._end = lambda: None  # type: ignore[method-assign]
    loop.run()
    began_s = 3600.0 - bench.watch.decisions[-1].used_s  # when the only run began; it ended with the power
    cut = bench.clock.now()
    controller = Controller(flat(), FileKeep(tmp_path).load(12 * 3600.0).state)

    def step(after_cut_s: float, trusted: bool) -> Decision:
        wall = cut.wall + timedelta(seconds=after_cut_s) - timedelta(days=0 if trusted else 99)
        return controller.step(Inputs(), Instant(20.0 + after_cut_s, wall, trusted, "boot-2"))

    step(1000.0, trusted=False)
    step(1300.0, trusted=True)
    for late_s in (0.0, 600.0, 1200.0, 1800.0, 2400.0, 3000.0):
        # At began + late + 24 h the first ``late_s`` of the run are out of the window.
        decision = step(DAY_S - (3600.0 - began_s) + late_s, trusted=True)
        assert decision.used_s >= 3600.0 - began_s - late_s - ROUNDING_S
