"""Foresight: what it sees, what it asks for, and that it never asks for more than it may."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import exp, inf, isfinite, nan
from typing import Any

import psychrolib
import pytest

from controller.core import ahead, foresight, room_model, room_words
from controller.core.controller import Controller
from controller.core.day_shape import PART_S, PARTS, DayMemory, Shape
from controller.core.foresight import ForesightMemory, Scene
from controller.core.limits import Foresight
from controller.core.records import Ahead, Decision, Inputs, Instant, Reading, Room
from controller.core.room_guess import SIZE
from controller.core.room_model import RoomMemory
from controller.core.rules import Rules
from controller.core.runtime import RuntimeMemory
from controller.core.state import State
from controller.core.step import advance
from tests.core.helpers import float_paths, with_figure
from tests.core.known_room import model_of
from tests.core.plant import RH_PER_PCT, Plant, Truth

T = 1e6


def scene_of(**over: Any) -> Scene:
    plain = Scene(T, 10.0, 0.0, 60.0, 24.0, RuntimeMemory(), 12 * 3600.0, 0.0, 120.0, False, None)
    return plain._replace(**over)


def memory_of(model: RoomMemory, **over: Any) -> ForesightMemory:
    v = 60.0 / PER_PCT
    return ForesightMemory(model, v, v, 0.25, v, 0.04, 86400.0)._replace(**over)


PER_PCT = 60.0 / (0.6 * 2984.6 / 29.85)
"""%RH at 24 °C for each unit of moisture: saturation pressure there 2984.6 Pa (HoF ch. 1 eq. 6; rounded)."""


def seen(memory: ForesightMemory, scene: Scene, setpoint: float = 65.0, low: float = 60.0, high: float = 76.0,
         most: float = 100.0, choice: Foresight = "keep-hours") -> Ahead:  # fmt: skip
    found = foresight.view(memory, scene, setpoint, low, high, most, 0.0, choice)
    assert found is not None
    return found


def test_the_air_after_the_dead_time_by_the_closed_form() -> None:
    """First order: v(t) = b + (v0 - b) exp(-loss t). 75 s at 1/h; steps of a minute miss little."""
    found = seen(memory_of(model_of()), scene_of())
    v0 = 60.0 / PER_PCT
    expected = 30.0 + (v0 - 30.0) * exp(-75.0 / 3600.0)
    assert found.rh_pct == pytest.approx(expected * PER_PCT, abs=0.02)


def test_mist_that_is_on_its_way_counts() -> None:
    """A run of 60 s that ended just now: all of it is still to come; 120 %RH an hour make 2 in a minute."""
    still = seen(memory_of(model_of()), scene_of()).rh_pct
    used = RuntimeMemory(((T - 60.0, T),), 60.0)
    coming = seen(memory_of(model_of()), scene_of(used=used)).rh_pct
    assert coming - still == pytest.approx(2.0 * PER_PCT, rel=0.02)


def test_a_long_swing_stays_inside_the_band_and_a_short_one_near_the_setpoint() -> None:
    hours = seen(memory_of(model_of()), scene_of())
    assert hours.setpoint_rh_pct - hours.half_rh_pct > 60.0
    assert hours.setpoint_rh_pct + hours.half_rh_pct < 76.0
    error = seen(memory_of(model_of()), scene_of(), choice="keep-error")
    assert error.half_rh_pct < hours.half_rh_pct
    assert error.setpoint_rh_pct == pytest.approx(65.0, abs=0.2)


def test_a_humidifier_too_strong_for_the_band_is_started_low() -> None:
    """Its shortest run gives more than the band is wide above where it would start."""
    found = seen(memory_of(model_of(gain=250.0)), scene_of())
    starts = found.setpoint_rh_pct - found.half_rh_pct
    assert 60.0 < starts < 65.0
    assert starts + 250.0 * PER_PCT * 120.0 / 3600.0 < 76.0
    hopeless = seen(memory_of(model_of(gain=800.0)), scene_of())  # no start is low enough: as low as it may
    assert 60.0 < hopeless.setpoint_rh_pct - hopeless.half_rh_pct < 61.0


def test_a_setpoint_that_the_wall_lowered_is_not_overshot() -> None:
    found = seen(memory_of(model_of()), scene_of(), setpoint=55.0, most=2.0)
    assert found.setpoint_rh_pct + found.half_rh_pct <= 57.0
    assert found.setpoint_rh_pct - found.half_rh_pct <= 55.0


def test_what_does_not_last_is_spared_for() -> None:
    """Mean duty 0.5 where the cap bears 0.95 x 0.25: by loss / gain = 1/120 a unit, 31.5 units too dear."""
    memory = memory_of(model_of(), duty=0.5, moisture=65.0 / PER_PCT)
    scene = scene_of(cap_s=6 * 3600.0)
    error = seen(memory, scene, choice="keep-error")
    assert error.paced
    assert error.setpoint_rh_pct == pytest.approx(65.0 - foresight.MOST_LOWERED_RH_PCT, abs=1.0)
    hours = seen(memory, scene)
    assert hours.paced
    assert hours.setpoint_rh_pct - hours.half_rh_pct >= 60.0
    assert hours.setpoint_rh_pct < 63.0
    mild = seen(memory._replace(duty=0.25), scene, choice="keep-error")
    assert mild.setpoint_rh_pct == pytest.approx(65.0 - 0.0125 * 120.0 * PER_PCT, abs=0.3)


@pytest.mark.parametrize("choice", ["keep-hours", "keep-error"])
def test_nothing_is_spared_where_nothing_is_scarce(choice: str) -> None:
    """A humidifier that frost keeps on all day, a cap of 24 hours in any 24, water enough for them."""
    memory = memory_of(model_of(), duty=1.0, moisture=60.0 / PER_PCT)
    for water_h in (None, 80.0):
        found = seen(memory, scene_of(cap_s=86400.0, water_h=water_h), choice=choice)
        assert not found.paced
        assert found.setpoint_rh_pct > 64.5


def test_water_is_spread_to_the_next_filling() -> None:
    memory = memory_of(model_of(), duty=0.4, moisture=65.0 / PER_PCT, fill_t=T - 3600.0, fill_every_s=86400.0)
    full = scene_of(water_h=10.0, cap_s=86400.0)
    assert not seen(memory, full, choice="keep-error").paced  # 10 h for 23 h bear 0.41
    assert seen(memory, full._replace(water_h=5.0), choice="keep-error").paced
    overdue = memory._replace(fill_t=T - 90000.0)
    assert not seen(overdue, full._replace(water_h=5.0), choice="keep-error").paced
    assert seen(memory, full._replace(water_h=0.1), choice="keep-error").paced
    assert not seen(memory, full._replace(water_h=0.0), choice="keep-error").paced  # trials are asked for


def test_fillings_are_counted_by_what_lies_between_them() -> None:
    memory = ForesightMemory(model_of())
    for hours in (0.0, 24.0, 24.5, 48.0):
        memory = foresight.advance(memory, scene_of(fill_t=T + hours * 3600.0))
    assert memory.fill_every_s == pytest.approx(86400.0 - 0.3 * 1800.0, rel=0.02)


def test_the_observer_finds_the_air_behind_a_slow_probe() -> None:
    """A probe that follows in a quarter of an hour: what it shows is three times as far from the air."""
    plant = Plant(Truth(lag_s=900.0), 3).live(24 * 3)
    memory, squares = ForesightMemory(plant.memory), [0.0, 0.0]
    for _ in range(600):
        was_on, rh_pct = plant.on, plant.shown * RH_PER_PCT
        memory = foresight.advance(
            memory,
            scene_of(t=plant.t, dt_s=60.0, on_s=60.0 * was_on, rh_pct=rh_pct, used=plant.used),
        )
        plant.tick()
        assert memory.air is not None
        squares[0] += (memory.air - plant.air) ** 2
        squares[1] += (plant.shown - plant.air) ** 2
    assert squares[1] > 9.0 * squares[0]


EVENING_S, MORNING_S = 21 * 3600.0, 7 * 3600.0


def day_of(step_k: float, at_s: float) -> DayMemory:
    """A day on which the temperature changes at once, as it was every day so far."""
    means = tuple([24.0 + (step_k if part * PART_S >= at_s else 0.0) for part in range(PARTS)])
    return DayMemory(temp=Shape(means, 1000, 0.0, 1.0))


@pytest.mark.parametrize("step_k", [-2.0, 2.0, 4.0])
def test_a_change_of_temperature_that_is_to_come_moves_the_rh(step_k: float) -> None:
    """By the ratio of the saturation pressures at 24 °C and at the temperature to come (psychrolib)."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    scene = scene_of(day_s=MORNING_S - 450.0)  # at the last quarter's middle; what is looked at is the next's
    room = model_of(show=8)  # behind a lag of 900 s
    still = seen(memory_of(room), scene).rh_pct
    found = seen(memory_of(room, day=day_of(step_k, MORNING_S)), scene)
    ratio = psychrolib.GetSatVapPres(24.0) / psychrolib.GetSatVapPres(24.0 + step_k)
    assert found.warming_k == pytest.approx(step_k)
    assert found.rh_pct / still == pytest.approx(ratio, rel=0.01)


def test_before_the_air_cools_mist_ends_early() -> None:
    """A tight room keeps what it has, and its RH rises as the saturation pressure falls (psychrolib)."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    room = model_of(loss=0.1, background=67.0 / PER_PCT)
    scene = scene_of(day_s=EVENING_S - 3600.0)
    plain = seen(memory_of(room), scene)
    found = seen(memory_of(room, day=day_of(-2.0, EVENING_S)), scene)
    ends = found.setpoint_rh_pct + found.half_rh_pct
    rises = psychrolib.GetSatVapPres(24.0) / psychrolib.GetSatVapPres(22.0)
    assert ends < plain.setpoint_rh_pct + plain.half_rh_pct - 4.0
    assert ends * rises < 76.0
    assert ends * rises > 73.0  # and no earlier than it must
    noon = seen(memory_of(room, day=day_of(-2.0, EVENING_S)), scene._replace(day_s=12 * 3600.0))
    assert noon == plain._replace(warming_k=noon.warming_k)


@pytest.mark.parametrize("change", [4.0, 0.0])
def test_leads(change: float) -> None:
    rise_s, fall_s = foresight.leads_s(memory_of(model_of(gain=30.0), duty=0.25), change)
    # half of 4 at 30 x 0.75 an hour up, at 30 x 0.25 down, and the dead time of 75 s
    assert rise_s == pytest.approx(75.0 + 0.5 * change / 22.5 * 3600.0)
    assert fall_s == pytest.approx(75.0 + 0.5 * change / 7.5 * 3600.0)
    assert foresight.leads_s(ForesightMemory(), change) == (0.0, 0.0)


def test_the_setpoint_comes_early_and_goes_early() -> None:
    rules = Rules(demand={"foresight": "keep-hours"}, target={"ramp_minutes": 0})  # type: ignore[arg-type]
    memory = memory_of(model_of(gain=30.0), duty=0.25)
    rise_s, fall_s = foresight.leads_s(memory, 5.0)
    evening = datetime(2026, 1, 14, 21, 0, tzinfo=UTC)
    morning = datetime(2026, 1, 15, 7, 30, tzinfo=UTC)
    for change, lead_s, before, after in ((evening, rise_s, 65.0, 70.0), (morning, fall_s, 70.0, 65.0)):
        for by_s, expected in ((lead_s + 5.0, before), (lead_s - 5.0, after), (-60.0, after)):
            found = ahead.setpoint(memory, rules, change - timedelta(seconds=by_s), 0.0)
            assert found.rh_pct == expected
    late = datetime.max.replace(tzinfo=UTC)
    assert ahead.setpoint(memory, rules, late, 0.0).rh_pct == 70.0


def test_without_a_known_room_nothing_is_seen() -> None:
    assert foresight.view(ForesightMemory(), scene_of(), 65.0, 60.0, 76.0, 100.0, 0.0, "keep-hours") is None
    unsure = memory_of(model_of()._replace(blocks=3))
    assert foresight.view(unsure, scene_of(), 65.0, 60.0, 76.0, 100.0, 0.0, "keep-hours") is None
    blind = foresight.blind(memory_of(model_of()))
    assert blind.air is None
    assert foresight.view(blind, scene_of(), 65.0, 60.0, 76.0, 100.0, 0.0, "keep-hours") is None
    assert foresight.blind(ForesightMemory()) == ForesightMemory()


BAD = [nan, inf, -inf, 1e300, -1e300]


@pytest.mark.parametrize("bad", BAD)
@pytest.mark.parametrize(
    "field", ["air", "shown", "duty", "moisture", "square", "seen_s", "fill_t", "fill_every_s", "model"]
)
def test_a_memory_of_any_figures_is_answered(field: str, bad: float) -> None:
    """A state from elsewhere, taken up in the middle: an answer that is a number, or none."""
    model = model_of()
    worse = model.guesses[1]._replace(theta=(bad,) * SIZE)
    value = model._replace(guesses=(model.guesses[0], worse, *model.guesses[2:])) if field == "model" else bad
    memory = memory_of(model)._replace(**{field: value})
    for scene in (scene_of(), scene_of(t=T + 10.0), scene_of(t=T + 10.0, rh_pct=0.0), scene_of(dt_s=0.0)):
        followed = foresight.advance(memory, scene)
        foresight.view(followed, scene, 65.0, 60.0, 76.0, 100.0, 0.0, "keep-hours")
        foresight.view(followed, scene, 65.0, 60.0, 76.0, 100.0, 0.0, "keep-error")
    kept = foresight.recalled(memory)
    assert kept.model is None or room_model.sound(kept.model)
    assert isfinite(kept.duty)
    assert isfinite(kept.moisture)


@pytest.mark.parametrize("choice", ["keep-hours", "keep-error"])
def test_no_figure_in_a_running_state_makes_it_raise(choice: str) -> None:
    """Any figure replaced while it runs, of two of the guesses: it answers, and the ceiling stands."""
    rig = Controller(rules_of(**{"foresight": choice}), known_state())
    lived(rig, [79.0] * 40)
    state = rig.state
    model = state.foresight.model
    assert model is not None
    looked_at = {str(model.best), "0"}
    paths = [
        path for path in float_paths(state.foresight)
        if path[:2] != ("model", "guesses") or str(path[2]) in looked_at
    ]  # fmt: skip
    assert len(paths) > 100
    wall = datetime(2026, 1, 14, 13, 0, tzinfo=UTC)
    for path in paths:
        for figure in (*BAD, 0.0, -1.0):
            now_state = state._replace(foresight=with_figure(state.foresight, path, figure))
            for tick in range(2):
                t_s = 400.0 + 10.0 * tick
                now_state, decision = advance(
                    now_state, Inputs((Reading(79.0, 24.0),)), rig.settings,
                    Instant(t_s, wall + timedelta(seconds=t_s), True, "test"),
                )  # fmt: skip
                assert not decision.relay_on, path
                room_words.learned(decision, 0.5)


def test_a_state_with_it_is_kept_and_read() -> None:
    state = State(foresight=memory_of(model_of()))
    back = State.from_plain(state.to_plain())
    assert back.foresight == state.foresight
    resumed = foresight.recalled(back.foresight)
    assert resumed.model is not None
    assert room_model.known(resumed.model) == room_model.known(model_of())
    assert resumed.air is None


def rules_of(**demand: Any) -> Rules:
    return Rules(demand={"foresight": "keep-hours", **demand})


def lived(controller: Controller, rhs: list[float], state_s: float = 10.0) -> list[Decision]:
    wall = datetime(2026, 1, 14, 12, 0, tzinfo=UTC)
    found = []
    for i, rh in enumerate(rhs):
        now = Instant(i * state_s, wall + timedelta(seconds=i * state_s), True, "test")
        found.append(controller.step(Inputs((Reading(rh, 24.0),)), now))
    return found


def known_state() -> State:
    return State(foresight=memory_of(model_of()))


def test_the_core_acts_on_it_and_says_so() -> None:
    controller = Controller(rules_of(), known_state())
    wet = lived(controller, [66.0] * 40)[-1]
    assert wet.ahead is not None
    assert wet.knows == 1.0
    assert not wet.relay_on
    assert wet.reasons[-1].code == "enough_ahead"
    assert wet.starts_below_rh_pct == pytest.approx(wet.ahead.setpoint_rh_pct - wet.ahead.half_rh_pct)
    dry = lived(Controller(rules_of(), known_state()), [58.0] * 60)[-1]
    assert dry.relay_on
    told = room_words.learned(dry, 0.5)
    assert any("will be at" in words for words in told)
    assert any("half of what mist adds" in words for words in told)


def test_pid_looks_at_the_same_air() -> None:
    decision = lived(Controller(rules_of(method="pid"), known_state()), [60.0] * 60)[-1]
    assert decision.ahead is not None
    assert decision.duty is not None
    assert decision.duty > 0.0


def test_while_it_learns_the_plain_method_runs() -> None:
    decision = lived(Controller(rules_of()), [66.0] * 40)[-1]
    assert decision.ahead is None
    assert decision.knows == 0.0
    assert decision.reasons[-1].code == "enough"
    assert room_words.learned(decision, 0.5)[0].startswith("The room is still being learned (0%")
    off = lived(Controller(Rules()), [66.0] * 4)[-1]
    assert off.knows is None
    assert room_words.learned(off, 0.5) == []


def test_no_guard_is_loosened() -> None:
    """The ceiling stands after it, whatever the model believes of the air."""
    model = model_of(gain=1.0, loss=50.0, background=-40.0)
    decisions = lived(Controller(rules_of(), State(foresight=memory_of(model))), [79.5] * 60)
    assert not any(decision.relay_on for decision in decisions)
    assert decisions[-1].reasons[0].code == "ceiling"


ROOM = Room(60.0, 1.0, -20.0, 0.0, 75.0, 30.0, 1.0, 0.05, 0.02)


def told_of(room: Room, **over: Any) -> Ahead:
    return Ahead(60.0, 65.0, 2.0, False, room, 60.0, 1.0, 0.3)._replace(**over)


def test_half_life_without_walls_by_the_closed_form() -> None:
    """Ln 2 / loss = 41.6 min at one an hour; whole minutes."""
    assert room_words.half_life_s(told_of(ROOM)) == pytest.approx(41.6 * 60.0, abs=60.0)
    assert room_words.half_life_s(told_of(ROOM._replace(loss=0.01))) is None


def test_rise_of_twenty_minutes_by_the_closed_form() -> None:
    """Gain / loss (1 - exp(-loss t)) = 60 (1 - exp(-1/3)) = 17.0 %RH."""
    seen_ahead = told_of(ROOM)
    until = ROOM.dead_s + 1200.0
    rise = room_words.after(seen_ahead, True, until) - room_words.after(seen_ahead, False, until)
    assert rise == pytest.approx(17.0, rel=0.02)


@pytest.mark.parametrize(
    ("room", "words"),
    [
        (ROOM, "loses half of what mist adds in 42 min."),
        (
            ROOM._replace(loss=0.05, store=1.5, loss_sd=0.1),
            "walls and goods take, and how much leaves, cannot be told",
        ),
        (ROOM._replace(loss_sd=5.0), "How fast the room loses moisture cannot be told yet."),
        (ROOM._replace(loss=nan), "cannot be told yet"),
    ],
)
def test_what_cannot_be_told_is_said(room: Room, words: str) -> None:
    decision = lived(Controller(rules_of(), known_state()), [58.0] * 60)[-1]
    told = room_words.learned(decision._replace(ahead=told_of(room, paced=True)), 0.5)
    assert any(words in sentence for sentence in told)
    assert "uses 3.6 L a day" in " ".join(told)
    assert "would not last" in told[-1]


def test_a_humidifier_that_cannot_do_it_is_said() -> None:
    decision = lived(Controller(rules_of(), known_state()), [58.0] * 60)[-1]
    weak = told_of(ROOM._replace(gain=5.0))
    assert any(
        "will not bring it" in words for words in room_words.learned(decision._replace(ahead=weak), 0.5)
    )
    late = decision._replace(at=Instant(0.0, datetime.max.replace(tzinfo=UTC)), ahead=told_of(ROOM))
    assert any("no time that a clock can show" in words for words in room_words.learned(late, 0.5))
