"""One window of the best plan: its linear program, and how the solver is asked.

In:    slots, rules, what came before, from which slot to which, what is to be least.
Out:   the share of mist in each slot, and whether water or cap are scarce.
Never: knows of the windows after it.

Rules: the moisture's dynamics, the runtime cap in any 24 hours, the tank between the keeper's rounds (taken
as full after each), all at the ends of slots.

hours: the sum of what lies outside the band, then the same with the weight 1 / (excess + eps), a few rounds
(Candès, Wakin and Boyd 2008), since hours count and not depth. Where cap or water are scarce, several first
weights are tried, each with another part of the day held cheap, and the plan with the fewest slots out is
kept. That is a heuristic: the true least may be lower. Water is priced a little, so that mist comes only
where it helps.
error: the square of the distance from the setpoint, by straight pieces.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

import numpy as np
from scipy.optimize import linprog
from scipy.sparse import csr_array

from tests.long.control.slots import Floats, Slots

Aim = Literal["hours", "error"]
PER_KG = 1000.0
"""Moisture is solved for in g/kg: near 1, as a solver likes it."""
EPS_RH_PCT = (1.0, 0.3, 0.1)
CHEAP = 0.3
OUT_RH_PCT = 0.05
"""A slot is out of the band from here on."""
WATER_PRICE = 1e-3
"""Against one slot that is out by 1 %RH."""
SPARE_SHARE = 0.25
"""Scarce is what is planned to be used up but for this share."""
LOOSE = {"primal_feasibility_tolerance": 1e-6, "dual_feasibility_tolerance": 1e-6}
SOLVERS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("highs", {}), ("highs-ds", {}), ("highs-ipm", {}), ("highs-ds", {"presolve": False}),
    ("highs-ds", LOOSE), ("highs-ipm", LOOSE),
)  # fmt: skip
"""One now and then gives up without an answer; then the next is asked."""
ROUNDING = 1e-6
"""Slots of mist by which a window may begin beyond a limit: the one before was solved to a tolerance."""
OVER_CEILING_PRICE = 50.0
PIECES_RH_PCT = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0)


class Rules(NamedTuple):
    """The whole stretch, in slots. Moisture in kg/kg."""

    low: Floats
    high: Floats
    setpoint: Floats
    per_ratio: Floats  # %RH for each kg/kg
    ceiling_rh_pct: float  # above the band's high edge
    cap: float
    tank: float
    day: int
    fills: tuple[float, ...]


class Variables:
    """Where each variable stands: blocks of the window's length."""

    NAMES = ("share", "air", "store", "sum", "below", "above", "over")

    def __init__(self, many: int, pieces: int) -> None:
        self.many = many
        self.begin = {name: place * many for place, name in enumerate(self.NAMES)}
        self.pieces = pieces
        self.total = (len(self.NAMES) + 2 * pieces) * many

    def at(self, name: str) -> np.ndarray[Any, Any]:
        return self.begin[name] + np.arange(self.many)

    def piece(self, sign: int, which: int) -> np.ndarray[Any, Any]:
        place = len(self.NAMES) + (0 if sign > 0 else self.pieces) + which
        return place * self.many + np.arange(self.many)


class Triples:
    """A sparse matrix being written, row by row, with its right side."""

    def __init__(self) -> None:
        self.rows: list[Any] = []
        self.columns: list[Any] = []
        self.values: list[Any] = []
        self.right: list[Any] = []
        self.count = 0

    def add(self, right: Floats, *terms: tuple[Any, Any]) -> None:
        """One row for each of ``right``; a term is (columns, values); a column below 0 is left out."""
        many = len(right)
        for columns, values in terms:
            columns = np.asarray(columns)
            there = columns >= 0
            self.rows.append((self.count + np.arange(many))[there])
            self.columns.append(columns[there])
            self.values.append(np.broadcast_to(values, many)[there])
        self.right.append(right)
        self.count += many

    def matrix(self, width: int) -> csr_array:
        places = (np.concatenate(self.rows), np.concatenate(self.columns))
        return csr_array((np.concatenate(self.values), places), shape=(self.count, width))

    def side(self) -> Floats:
        return np.concatenate(self.right)


class Past(NamedTuple):
    """What stands before a window begins."""

    state: tuple[float, float]
    share: float  # of the slot before
    sums: Floats  # of shares, at the ends of all slots before, the first 0


class Window:
    """One linear program, solved again and again with other costs."""

    def __init__(self, slots: Slots, rules: Rules, past: Past, begin: int, end: int, aim: Aim) -> None:
        self.begin, self.end = begin, end
        self.rules, self.aim = rules, aim
        self.names = names = Variables(end - begin, len(PIECES_RH_PCT) if aim == "error" else 0)
        self._equal, self._most = Triples(), Triples()
        self.tanks = 0
        self._dynamics(slots, past)
        self._sums(past)
        self._edges()
        self._cap_and_tank(past)
        at = slice(begin, end)
        lower, upper = np.zeros(names.total), np.full(names.total, np.inf)
        upper[names.at("share")] = 1.0
        upper[names.at("above")] = np.maximum(rules.ceiling_rh_pct, 0.0)
        if aim == "error":
            for which, width in enumerate(np.diff([*PIECES_RH_PCT, np.inf])):
                upper[names.piece(1, which)] = upper[names.piece(-1, which)] = width
        self.bounds = np.column_stack((lower, upper))
        self._matrices = (self._most.matrix(names.total), self._equal.matrix(names.total))
        self.per_ratio = rules.per_ratio[at]

    def _dynamics(self, slots: Slots, past: Past) -> None:
        names, at = self.names, slice(self.begin, self.end)
        share, place = names.at("share"), {"air": 0, "store": 1}
        earlier = {name: np.concatenate(([-1], names.at(name)[:-1])) for name in ("air", "store", "share")}
        first = np.array(past.state)
        for name, row in place.items():
            keep, still = slots.keep[at, row, :], slots.still[at, row] * PER_KG
            right = still.copy()
            right[0] += (keep[0] @ first + slots.before[self.begin, row] * past.share) * PER_KG
            self._equal.add(
                right, (names.at(name), 1.0), (earlier["air"], -keep[:, 0]), (earlier["store"], -keep[:, 1]),
                (share, -slots.now[at, row] * PER_KG), (earlier["share"], -slots.before[at, row] * PER_KG),
            )  # fmt: skip

    def _sums(self, past: Past) -> None:
        sums = self.names.at("sum")
        right = np.zeros(len(sums))
        right[0] = past.sums[-1]
        before = np.concatenate(([-1], sums[:-1]))
        self._equal.add(right, (sums, 1.0), (before, -1.0), (self.names.at("share"), -1.0))

    def _edges(self) -> None:
        names, rules, at = self.names, self.rules, slice(self.begin, self.end)
        each = rules.per_ratio[at] / PER_KG  # %RH for a g/kg
        low, high = rules.low[at] * PER_KG * each, rules.high[at] * PER_KG * each
        self._most.add(-low, (names.at("air"), -each), (names.at("below"), -1.0))
        self._most.add(high, (names.at("air"), each), (names.at("above"), -1.0), (names.at("over"), -1.0))
        if self.aim == "error":
            terms = [(names.piece(sign, which), -float(sign))
                     for sign in (1, -1) for which in range(names.pieces)]  # fmt: skip
            self._equal.add(rules.setpoint[at] * PER_KG * each, (names.at("air"), each), *terms)

    def _cap_and_tank(self, past: Past) -> None:
        rules, sums = self.rules, self.names.at("sum")
        ago = np.arange(self.begin, self.end) - rules.day  # the end of this slot, in the stretch
        known = np.where(ago >= 0, past.sums[np.clip(ago + 1, 0, len(past.sums) - 1)], 0.0)
        inside = ago - self.begin >= 0
        right = rules.cap + ROUNDING + np.where(inside, 0.0, known)
        self._most.add(right, (sums, 1.0), (np.where(inside, sums[0] + ago - self.begin, -1), -1.0))
        filled = [-1.0, *rules.fills]
        for since, until in zip(filled, [*rules.fills, np.inf], strict=True):
            if since < self.end and until > self.begin:
                self._tank(past, max(since, 0.0), min(until, float(self.end)))

    def _tank(self, past: Past, since: float, until: float) -> None:
        """The sum of shares at ``until`` less that at ``since``: both may lie inside a slot."""
        right, terms = self.rules.tank + ROUNDING, []
        for moment, sign in ((until, 1.0), (since, -1.0)):
            whole = int(moment)
            for slot, part in ((whole - 1, 1.0 - (moment - whole)), (whole, moment - whole)):
                if part <= 0.0:
                    continue
                if slot < self.begin:
                    right -= sign * part * past.sums[slot + 1]
                else:
                    terms.append(([self.names.begin["sum"] + slot - self.begin], sign * part))
        if terms:
            self.tanks += 1
            self._most.add(np.array([right]), *terms)

    def solve(self, weights: Floats) -> Floats:
        """``weights``: the price of 1 %RH out of the band, per slot."""
        names = self.names
        cost = np.zeros(names.total)
        cost[names.at("share")] = WATER_PRICE
        cost[names.at("over")] = OVER_CEILING_PRICE
        if self.aim == "error":
            cost[names.at("over")] = 0.0
            for which, (near, far) in enumerate(
                zip(PIECES_RH_PCT, [*PIECES_RH_PCT[1:], 2.0 * PIECES_RH_PCT[-1]], strict=True)
            ):
                cost[names.piece(1, which)] = cost[names.piece(-1, which)] = near + far
        else:
            cost[names.at("below")] = cost[names.at("above")] = weights
        most, equal = self._matrices
        for method, options in SOLVERS:
            found = linprog(
                cost,
                A_ub=most,
                b_ub=self._most.side(),
                A_eq=equal,
                b_eq=self._equal.side(),
                bounds=self.bounds,
                method=method,
                options=options,
            )
            if found.status == 0:
                solved: Floats = np.asarray(found.x, dtype=np.float64)
                return solved
        raise ArithmeticError(f"slots {self.begin} to {self.end} cannot be planned: {found.message}")

    def excess(self, found: Floats) -> Floats:
        names = self.names
        total: Floats = found[names.at("below")] + found[names.at("above")] + found[names.at("over")]
        return total

    def best(self) -> tuple[Floats, bool]:
        """The shares, and whether water or cap are scarce."""
        shares = self.names.at("share")
        first = self.solve(np.ones(self.names.many))
        if self.aim == "error":
            return first[shares], False
        least, scarce = self._count(first), self._scarce(first)
        if least == 0.0:
            return first[shares], scarce
        best = first
        for weights in self._beginnings() if scarce else [None]:
            try:
                for found in self._sparser(first if weights is None else self.solve(weights)):
                    if self._count(found) < least:
                        best, least = found, self._count(found)
            except ArithmeticError:  # prices so far apart can be too much for the solver: then without these
                continue
        return best[shares], scarce

    def _sparser(self, found: Floats) -> Iterator[Floats]:
        """Again and again, at a price that makes it cheap to leave the band where that is done already."""
        for eps in EPS_RH_PCT:
            found = self.solve(eps / (self.excess(found) + eps))
            yield found

    def _scarce(self, found: Floats) -> bool:
        """Whether cap or tank are nearly used up somewhere: more mist than planned would be missed later."""
        most, _ = self._matrices
        limits = slice(2 * self.names.many, None)
        spare = self._most.side()[limits] - (most @ found)[limits]
        of = np.concatenate((np.full(self.names.many, self.rules.cap), np.full(self.tanks, self.rules.tank)))
        return bool((spare < SPARE_SHARE * of).any())

    def _count(self, found: Floats) -> float:
        return float((self.excess(found) > OUT_RH_PCT).sum())

    def _beginnings(self) -> list[Floats | None]:
        quarter = np.arange(self.begin, self.end) % self.rules.day * 4 // self.rules.day
        return [None, *(np.where(quarter == which, CHEAP, 1.0) for which in range(4))]
