"""A room model that believes to know, with figures of one's choice."""

from __future__ import annotations

from controller.core.room_guess import GAIN, GROUND, LOSS, SIZE, STORE
from controller.core.room_model import BLOCKS_AN_HOUR, RoomMemory


def model_of(
    gain: float = 120.0, loss: float = 1.0, background: float = 30.0, store: float = 0.0, show: int = 1
) -> RoomMemory:
    """A model that knows, with these figures an hour; the room stands in its middle."""
    theta = [0.0] * SIZE
    theta[GAIN], theta[LOSS], theta[STORE] = (figure / BLOCKS_AN_HOUR for figure in (gain, loss, store))
    theta[GROUND] = loss * (background - 50.0) / BLOCKS_AN_HOUR
    cov = tuple(tuple(1e-6 if i == j else 0.0 for j in range(SIZE)) for i in range(SIZE))
    plain = RoomMemory()
    guess = plain.guesses[0]._replace(theta=tuple(theta), cov=cov, noise=0.01)
    guesses = tuple(guess if i == show else each for i, each in enumerate(plain.guesses))
    block = plain.block._replace(slow_rh_pct=60.0)
    return plain._replace(guesses=guesses, blocks=1000, best=show, block=block)
