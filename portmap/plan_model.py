"""The choice of amounts as a mixed-integer linear programme, solved exactly by HiGHS through scipy.

One `Bench` is the engine on one gasket. Each `Move` is a piece of work that may be done in whole steps; every
measure and every room left to a limit goes in proportion to the amounts taken. Degrees of single ports are
bounds on depth. A blowdown ties two depths by a curve, so the depth of the port that opens first is chosen
from a table of all depths that whole steps can reach, and each entry brings its own bounds on the other.

When nothing fulfils everything, each demand is given slack, weighed in its own tolerance; degrees are then
read from such tables too, so that misses are exact in degrees. Misses of a ratio are taken along the tangent
at the head volume of the bench.

Glossary
--------
tier
    0 if nothing but a gasket is needed, 1 for tools held by hand, 2 for a lathe.
set-up
    One clamping; works that share it count once.
metal
    Sum of the amounts taken [mm].
room
    What is left to a limit [mm]; below 0 it is broken.
margin
    The least room.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from portmap.crank import Crank, angle_of_depth, bdc_angle, piston_depth, travel
from portmap.demands import Bound, Demand, Gap, Way, degrees_at
from portmap.errors import QuantityError

__all__ = ["Bench", "Choice", "Move", "Signature", "chosen", "reachable"]

Floats = NDArray[np.float64]
Signature = frozenset[int]  # places of the moves that are used

SLIP = 2e-7  # mm, cm³: bounds are widened by this much, so that a figure exactly on its limit is met
MARGIN_CAP_MM = 10.0  # more room than this is as good as any
TABLE_LIMIT = 20_000  # entries of a table of depths


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """A piece of work that may be chosen, in whole steps.

    Parameters
    ----------
    step_mm : float
        Of the amount [mm].
    most : int
        Number of steps at most.
    tier : int
        See the glossary.
    setup : str
        Name of the clamping.
    effects : dict of str to float
        Change of each measure for one millimetre taken.
    rooms : tuple of float
        Change of the room left to each limit for one millimetre taken.
    """

    step_mm: float
    most: int
    tier: int
    setup: str
    effects: Mapping[str, float]
    rooms: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Bench:
    """An engine on one gasket, before any work.

    Parameters
    ----------
    crank : Crank
    measures : dict of str to float
        From `portmap.demands.measures_of`.
    rooms : tuple of float
        Left to each limit [mm].
    """

    crank: Crank
    measures: Mapping[str, float]
    rooms: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    """Amounts that were chosen.

    Parameters
    ----------
    steps : tuple of int
        For each move.
    miss : float
        Sum of what is missed, each in its own tolerance; 0 if nothing is.
    tier : int
        The highest that is needed.
    setups : int
    metal_mm : float
        Sum of the amounts [mm].
    margin_mm : float
        Least room left to a limit [mm]; `MARGIN_CAP_MM` if there are no limits.
    """

    steps: tuple[int, ...]
    miss: float
    tier: int
    setups: int
    metal_mm: float
    margin_mm: float

    @property
    def signature(self) -> Signature:
        """Return which moves are used."""
        return frozenset(place for place, count in enumerate(self.steps) if count)

    @property
    def rank(self) -> tuple[float, int, int, float, float]:
        """Return the key by which choices are put in order, best first."""
        return (
            round(self.miss, 5),
            self.tier,
            self.setups,
            round(self.metal_mm, 7),
            -round(min(self.margin_mm, MARGIN_CAP_MM), 7),
        )


def chosen(
    bench: Bench,
    moves: Sequence[Move],
    ways: Sequence[tuple[Demand, Way]],
    *,
    elastic: bool = False,
    without: Iterable[Signature] = (),
    but: Iterable[Signature] = (),
) -> Choice | None:
    """Return the best amounts, or None if there are none.

    Parameters
    ----------
    bench : Bench
    moves : sequence of Move
    ways : sequence of (Demand, Way)
        All must hold, or miss by as little as can be.
    elastic : bool, optional
        Let demands be missed. Limits of the shop never are.
    without : iterable of Signature, optional
        No choice that uses all of these moves, more or not.
    but : iterable of Signature, optional
        No choice that uses exactly these moves.

    Returns
    -------
    Choice or None

    Raises
    ------
    QuantityError
        If steps of different tools make too fine a grid for a table of depths.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> bench = Bench(crank=Crank(stroke_mm=32, rod_mm=58), measures={"squish": 0.9}, rooms=())
    >>> cut = Move(step_mm=0.05, most=40, tier=2, setup="lathe", effects={"squish": -1.0}, rooms=())
    >>> demand = Demand(wish=wish_of("squish 0.5 mm"), port=None, low=0.47, high=0.53)
    >>> way = Way(bounds=(Bound(weights=(("squish", 1.0),), low=0.47, high=0.53),))
    >>> chosen(bench, [cut], [(demand, way)]).steps
    (8,)
    """
    model = _Programme(bench, moves)
    if not elastic:
        for _, way in ways:
            for bound in way.bounds:
                model.hold(bound)
        if not model.hold_gaps([gap for _, way in ways for gap in way.gaps]):
            return None
    else:
        for demand, way in ways:
            model.lean(demand, way)
    for signature in without:
        model.forbid_all_of(signature)
    for signature in but:
        model.forbid_exactly(signature)
    return model.solved(elastic=elastic)


def reachable(start: float, moves: Sequence[Move], measure: str, low: float, high: float) -> Floats:
    """Return every value of a measure that whole steps can make.

    Parameters
    ----------
    start : float
        Before any work [mm].
    moves : sequence of Move
    measure : str
    low, high : float
        Only values between are wanted [mm].

    Returns
    -------
    ndarray of shape (N,)
        Rising [mm].

    Raises
    ------
    QuantityError
        If there are more than `TABLE_LIMIT`.

    Examples
    --------
    >>> move = Move(step_mm=0.5, most=4, tier=1, setup="", effects={"low:e": -1.0}, rooms=())
    >>> reachable(21.0, [move], "low:e", 19.4, 30.0)
    array([19.5, 20. , 20.5, 21. ])
    """
    moving = [(move, move.effects.get(measure, 0.0)) for move in moves]
    values = np.array([start])
    for move, effect in moving:
        if effect != 0.0:
            steps = move.step_mm * effect * np.arange(move.most + 1)
            values = np.unique(np.round(np.add.outer(values, steps).ravel(), 9))
            if len(values) > TABLE_LIMIT:
                raise QuantityError(
                    f"the steps of the tools make more than {TABLE_LIMIT:,} different depths",
                    where="--step",
                    remedy="let one tool's step be a multiple of the other's",
                )
    return np.asarray(values[(values >= low - SLIP) & (values <= high + SLIP)])


class _Programme:
    """The rows and columns of one programme while it is put together.

    Columns: steps of each move, whether each is used, one for each set-up, the tier, the margin; then
    tables and slacks as they are needed.
    """

    def __init__(self, bench: Bench, moves: Sequence[Move]) -> None:
        self.bench, self.moves = bench, moves
        self.reach = travel(bench.crank)
        count = len(moves)
        self.setups = sorted({move.setup for move in moves})
        self.used = [count + place for place in range(count)]
        self.first_setup = 2 * count
        self.tier = self.first_setup + len(self.setups)
        self.margin = self.tier + 1
        self.lower: list[float] = [0.0] * (self.margin + 1)
        self.upper = [float(move.most) for move in moves] + [1.0] * (count + len(self.setups)) + [2.0]
        self.upper.append(MARGIN_CAP_MM)
        self.whole = [1] * (2 * count) + [0] * (len(self.setups) + 2)
        self.rows: list[tuple[dict[int, float], float, float]] = []
        self.slack: dict[int, float] = {}
        for place, move in enumerate(moves):
            # used if and only if at least one step is taken
            self.row({place: 1.0, self.used[place]: -float(move.most)}, high=0.0)
            self.row({place: 1.0, self.used[place]: -1.0}, low=0.0)
            home = self.first_setup + self.setups.index(move.setup)
            self.row({home: 1.0, self.used[place]: -1.0}, low=0.0)
            if move.tier:
                self.row({self.tier: 1.0, self.used[place]: -float(move.tier)}, low=0.0)
        for limit, room in enumerate(bench.rooms):
            taken = {
                place: move.rooms[limit] * move.step_mm
                for place, move in enumerate(moves)
                if move.rooms[limit] != 0.0
            }
            if taken or room < 0:
                self.row(taken, low=-room - SLIP)
            if taken:
                self.row(taken | {self.margin: -1.0}, low=-room - SLIP)

    def column(self, low: float, high: float, *, whole: bool = False) -> int:
        self.lower.append(low)
        self.upper.append(high)
        self.whole.append(int(whole))
        return len(self.lower) - 1

    def row(self, entries: dict[int, float], *, low: float = -math.inf, high: float = math.inf) -> None:
        self.rows.append((entries, low, high))

    def sum_of(self, weights: Iterable[tuple[str, float]]) -> tuple[dict[int, float], float]:
        """Return a weighted sum of measures as entries of a row and what it is before any work."""
        entries: dict[int, float] = {}
        start = 0.0
        for measure, weight in weights:
            start += weight * self.bench.measures[measure]
            for place, move in enumerate(self.moves):
                effect = move.effects.get(measure, 0.0) * weight * move.step_mm
                if effect != 0.0:
                    entries[place] = entries.get(place, 0.0) + effect
        return entries, start

    def hold(self, bound: Bound) -> None:
        entries, start = self.sum_of(bound.weights)
        self.row(entries, low=bound.low - start - SLIP, high=bound.high - start + SLIP)

    def table(self, measure: str, low: float, high: float) -> list[tuple[int, float]]:
        """Return a column for each value that a measure can have, of which one is chosen."""
        values = reachable(self.bench.measures[measure], self.moves, measure, low, high)
        columns = [(self.column(0.0, 1.0, whole=True), float(value)) for value in values]
        self.row({column: 1.0 for column, _ in columns}, low=1.0, high=1.0)
        entries, start = self.sum_of([(measure, 1.0)])
        tied = entries | {column: -value for column, value in columns}
        self.row(tied, low=-start - SLIP, high=-start + SLIP)
        return columns

    def range_of(self, measure: str) -> tuple[float, float]:
        """Return the limits that the rows so far set to one depth."""
        low, high = 0.0, self.reach
        entries, start = self.sum_of([(measure, 1.0)])
        for row, least, most in self.rows:
            if row == entries:
                low, high = max(low, least + start), min(high, most + start)
        return low, high

    def hold_gaps(self, gaps: Sequence[Gap]) -> bool:
        """Hold the degrees between openings; return False if no depth at all can."""
        tables: dict[str, list[tuple[int, float]]] = {}
        turn = bdc_angle(self.bench.crank)
        for gap in gaps:
            if gap.first not in tables:
                tables[gap.first] = self.table(gap.first, *self.range_of(gap.first))
            entries, start = self.sum_of([(gap.second, 1.0)])
            low_row, high_row = dict(entries), dict(entries)
            opens = angle_of_depth(self.bench.crank, [depth for _, depth in tables[gap.first]])
            possible = (opens + gap.low < turn) & (opens + gap.high > 0.0)
            least = piston_depth(self.bench.crank, np.clip(opens + gap.low, 0.0, turn))
            most = piston_depth(self.bench.crank, np.clip(opens + gap.high, 0.0, turn))
            for place, (column, _) in enumerate(tables[gap.first]):
                if not possible[place]:
                    self.upper[column] = 0.0
                low_row[column], high_row[column] = -float(least[place]), -float(most[place])
            if not possible.any():
                return False
            self.row(low_row, low=-start - SLIP)
            self.row(high_row, high=-start + SLIP)
        return True

    def lean(self, demand: Demand, way: Way) -> None:
        """Give a demand slack, so that it may be missed at a price."""
        short, over = self.column(0.0, math.inf), self.column(0.0, math.inf)
        self.slack |= {short: 1 / demand.wish.tolerance, over: 1 / demand.wish.tolerance}
        for bound in way.bounds:
            if bound.rule is not None:
                self.lean_on_degrees(demand, bound, short, over)
                continue
            entries, start = self.sum_of(bound.weights)
            # a ratio falls as the head volume grows, so its own "too much" is the sum's for both
            grows = demand.quantity != "geometric_ratio"
            more, less = (over, short) if grows else (short, over)
            self.row(entries | {less: bound.per_unit}, low=bound.low - start - SLIP)
            self.row(entries | {more: -bound.per_unit}, high=bound.high - start + SLIP)
        for gap in way.gaps:
            row: dict[int, float] = {}
            for measure, sign in ((gap.second, 1.0), (gap.first, -1.0)):
                table = self.table(measure, 0.0, self.reach)
                opens = angle_of_depth(self.bench.crank, [depth for _, depth in table])
                row |= {column: sign * float(each) for (column, _), each in zip(table, opens, strict=True)}
            self.row(row | {short: 1.0}, low=gap.low - SLIP)
            self.row(row | {over: -1.0}, high=gap.high + SLIP)

    def lean_on_degrees(self, demand: Demand, bound: Bound, short: int, over: int) -> None:
        if bound.rule is None:
            return
        table = self.table(bound.weights[0][0], 0.0, self.reach)
        depths = [depth for _, depth in table]
        degrees = degrees_at(self.bench.crank, bound.rule, depths, through_top=bound.through_top)
        row = {column: float(each) for (column, _), each in zip(table, degrees, strict=True)}
        self.row(row | {short: 1.0}, low=demand.low - SLIP)
        self.row(row | {over: -1.0}, high=demand.high + SLIP)

    def forbid_all_of(self, signature: Signature) -> None:
        """Forbid the use of all these moves together; of nothing at all, everything."""
        self.row({self.used[place]: 1.0 for place in signature}, high=len(signature) - 1.0)

    def forbid_exactly(self, signature: Signature) -> None:
        """Forbid the use of these moves and no others."""
        signs = {column: 1.0 if place in signature else -1.0 for place, column in enumerate(self.used)}
        self.row(signs, high=len(signature) - 1.0)

    def solved(self, *, elastic: bool) -> Choice | None:
        """Return the best choice, by least miss first if demands may be missed."""
        miss = 0.0
        if elastic:
            objective = np.zeros(len(self.lower))
            for column, weight in self.slack.items():
                objective[column] = weight
            best = self.least(objective)
            if best is None:
                return None
            miss = float(objective @ best)
            self.row(dict(self.slack), high=miss * (1 + 1e-9) + 1e-5)
        found = self.least(self.rank_objective())
        if found is None:
            return None
        steps = tuple(round(float(count)) for count in found[: len(self.moves)])
        if elastic:
            miss = sum(weight * max(float(found[column]), 0.0) for column, weight in self.slack.items())
        return self.choice(steps, miss)

    def rank_objective(self) -> Floats:
        """Return weights that put tier before set-ups, set-ups before metal, metal before margin."""
        objective = np.zeros(len(self.lower))
        finest = min((move.step_mm for move in self.moves), default=1.0)
        for place, move in enumerate(self.moves):
            objective[place] = move.step_mm / finest
        setup = 1.0 + sum(move.most * move.step_mm / finest for move in self.moves)
        objective[self.first_setup : self.tier] = setup
        objective[self.tier] = setup * (len(self.setups) + 1)
        # the least difference of metal that whole steps can make must outweigh all of the margin
        objective[self.margin] = -self.finest_difference() / finest / (2 * MARGIN_CAP_MM)
        return objective

    def finest_difference(self) -> float:
        """Return the least difference that sums of whole steps can have [mm]."""
        nanometres = [round(move.step_mm * 1e6) for move in self.moves]
        return max(math.gcd(*nanometres) / 1e6, 1e-3) if nanometres else 1.0

    def least(self, objective: Floats) -> Floats | None:
        """Return the columns that make an objective least, None if no columns obey all rows."""
        from scipy.optimize import Bounds, LinearConstraint, milp
        from scipy.sparse import csr_array

        places = [
            (row, column, entry)
            for row, (entries, _, _) in enumerate(self.rows)
            for column, entry in entries.items()
        ]
        table = csr_array(
            (
                [entry for _, _, entry in places],
                ([row for row, _, _ in places], [column for _, column, _ in places]),
            ),
            shape=(len(self.rows), len(self.lower)),
        )
        limits = LinearConstraint(table, [low for _, low, _ in self.rows], [high for _, _, high in self.rows])
        result = milp(
            objective,
            integrality=self.whole,
            bounds=Bounds(self.lower, self.upper),
            constraints=limits,
            options={"mip_rel_gap": 0.0},
        )
        return None if result.x is None else np.asarray(result.x)

    def choice(self, steps: tuple[int, ...], miss: float) -> Choice:
        used = [move for move, count in zip(self.moves, steps, strict=True) if count]
        rooms = [
            room
            + sum(
                move.rooms[limit] * move.step_mm * count
                for move, count in zip(self.moves, steps, strict=True)
            )
            for limit, room in enumerate(self.bench.rooms)
            if any(move.rooms[limit] != 0.0 for move in self.moves)
        ]
        return Choice(
            steps=steps,
            miss=miss,
            tier=max((move.tier for move in used), default=0),
            setups=len({move.setup for move in used}),
            metal_mm=math.fsum(move.step_mm * count for move, count in zip(self.moves, steps, strict=True)),
            margin_mm=min(rooms, default=MARGIN_CAP_MM),
        )
