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
slack
    By how much a demand may be missed, at a price.
tangent
    Degrees taken as if they went in proportion to depth, as they do there where the engine stands.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from portmap.crank import angle_of_depth, bdc_angle, depth_per_degree, piston_depth, travel
from portmap.plan_moves import MARGIN_CAP_MM, SLIP, Bench, Choice, Move, Signature, reachable
from portmap.wish_bounds import Bound, Demand, Gap, Rule, Way, degrees_at

__all__ = ["Slack", "chosen", "steadied"]

Floats = NDArray[np.float64]
Slack = Literal["none", "linear", "exact"]

EXACT_LIMIT = 1000  # entries of all tables of an exact search for what misses least
NEAR = 2e-3  # of the least miss: along tangents nothing is known more closely
LEAST_HEAD = 0.2  # of the head volume, which no recipe goes below: beyond it there is no engine


def chosen(
    bench: Bench,
    moves: Sequence[Move],
    ways: Sequence[tuple[Demand, Way]],
    *,
    slack: Slack = "none",
    ceiling: float = math.inf,
    without: Iterable[Signature] = (),
    but: Iterable[Signature] = (),
    among: Signature | None = None,
) -> Choice | None:
    """Return the best amounts, or None if there are none.

    Parameters
    ----------
    bench : Bench
    moves : sequence of Move
    ways : sequence of (Demand, Way)
        All must hold, or miss by as little as can be.
    slack : {'none', 'linear', 'exact'}, optional
        Whether demands may be missed, and how their misses in degrees are reckoned: along the tangent,
        which is quick, or exactly. Limits of the shop are never missed.
    ceiling : float, optional
        With slack: no choice that misses more than this, in tolerances.
    without : iterable of Signature, optional
        No choice that uses all of these moves, more or not.
    but : iterable of Signature, optional
        No choice that uses exactly these moves.
    among : Signature or None, optional
        Only these moves, not all of which need be used.

    Returns
    -------
    Choice or None
        With exact slack None too if the steps are so fine that the tables would take too long; the tangents
        are then as good.

    Raises
    ------
    QuantityError
        If steps of different tools make too fine a grid for a table of depths.

    Examples
    --------
    >>> from portmap.wishes import wish_of
    >>> from portmap.crank import Crank
    >>> bench = Bench(crank=Crank(stroke_mm=32, rod_mm=58), measures={"squish": 0.9}, rooms=())
    >>> cut = Move(name="cut_base", port=None, step_mm=0.05, most=40, tier=2, setup="lathe",
    ...            effects={"squish": -1.0}, rooms=())
    >>> demand = Demand(wish=wish_of("squish 0.5 mm"), port=None, low=0.47, high=0.53)
    >>> way = Way(bounds=(Bound(weights=(("squish", 1.0),), low=0.47, high=0.53),))
    >>> chosen(bench, [cut], [(demand, way)]).steps
    (8,)
    """
    model = _Programme(bench, moves)
    if among is not None:
        for place in set(range(len(moves))) - among:
            model.upper[place] = 0.0
    if slack == "none":
        for _, way in ways:
            for bound in way.bounds:
                model.hold(bound)
        if not model.hold_gaps([gap for _, way in ways for gap in way.gaps]):
            return None
    else:
        if slack == "exact":
            model.narrow(ways, ceiling)
        for demand, way in ways:
            model.lean(demand, way, exact=slack == "exact")
        if sum(len(table) for table in model.tables.values()) > EXACT_LIMIT:
            return None
    for signature in without:
        model.forbid_all_of(signature)
    for signature in but:
        model.forbid_exactly(signature)
    return model.solved(ceiling=ceiling, gap=NEAR if slack == "linear" else 0.0)


def steadied(
    bench: Bench, moves: Sequence[Move], ways: Sequence[tuple[Demand, Way]], signature: Signature
) -> Choice | None:
    """Return amounts of the same work that keep clear of the edges of what is wished.

    A value is aimed at itself; a limit is kept away from by one tolerance, if that can be. Degrees go along
    the tangent in this, so the aim is near and the limits exact.

    Parameters
    ----------
    bench : Bench
    moves : sequence of Move
    ways : sequence of (Demand, Way)
        All hold.
    signature : Signature
        The moves that are used, each by a step at least.

    Returns
    -------
    Choice or None

    Raises
    ------
    QuantityError
        As `chosen`.

    Examples
    --------
    >>> from portmap.crank import Crank
    >>> from portmap.wishes import wish_of
    >>> bench = Bench(crank=Crank(stroke_mm=32, rod_mm=58), measures={"squish": 0.9}, rooms=())
    >>> cut = Move(name="cut_base", port=None, step_mm=0.05, most=40, tier=2, setup="lathe",
    ...            effects={"squish": -1.0}, rooms=())
    >>> demand = Demand(wish=wish_of("squish 0.5 ± 0.2 mm"), port=None, low=0.3, high=0.7)
    >>> way = Way(bounds=(Bound(weights=(("squish", 1.0),), low=0.3, high=0.7),))
    >>> chosen(bench, [cut], [(demand, way)]).steps, steadied(bench, [cut], [(demand, way)], {0}).steps
    ((4,), (8,))
    """
    model = _Programme(bench, moves)
    for place in range(len(moves)):
        if place in signature:
            model.lower[place] = 1.0
        else:
            model.upper[place] = 0.0
    for demand, way in ways:
        for bound in way.bounds:
            model.hold(bound)
        model.keep_clear(demand, way)
    if not model.hold_gaps([gap for _, way in ways for gap in way.gaps]):
        return None
    return model.steadiest()


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
        self.ranges: dict[str, tuple[float, float]] = {}
        self.tables: dict[str, list[tuple[int, float]]] = {}
        for place, move in enumerate(moves):
            # used if and only if at least one step is taken
            self.row({place: 1.0, self.used[place]: -float(move.most)}, high=0.0)
            self.row({place: 1.0, self.used[place]: -1.0}, low=0.0)
            home = self.first_setup + self.setups.index(move.setup)
            self.row({home: 1.0, self.used[place]: -1.0}, low=0.0)
            if move.tier:
                self.row({self.tier: 1.0, self.used[place]: -float(move.tier)}, low=0.0)
        if "head_volume" in bench.measures:
            least = LEAST_HEAD * bench.measures["head_volume"]
            self.hold(Bound(weights=(("head_volume", 1.0),), low=least))
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
        if bound.rule is not None:
            self.confine(bound.weights[0][0], bound.low, bound.high)
        self.row(entries, low=bound.low - start - SLIP, high=bound.high - start + SLIP)

    def table(self, measure: str) -> list[tuple[int, float]]:
        """Return a column for each value that a measure can have, of which one is chosen."""
        if measure in self.tables:
            return self.tables[measure]
        low, high = self.ranges.get(measure, (0.0, self.reach))
        values = reachable(self.bench.measures[measure], self.moves, measure, low, high)
        columns = [(self.column(0.0, 1.0, whole=True), float(value)) for value in values]
        self.row({column: 1.0 for column, _ in columns}, low=1.0, high=1.0)
        entries, start = self.sum_of([(measure, 1.0)])
        tied = entries | {column: -value for column, value in columns}
        self.row(tied, low=-start - SLIP, high=-start + SLIP)
        self.tables[measure] = columns
        return columns

    def confine(self, measure: str, low: float, high: float) -> None:
        """Note limits that other rows set to a depth, so that its table is no longer than it must be."""
        least, most = self.ranges.get(measure, (0.0, self.reach))
        self.ranges[measure] = (max(low, least), min(high, most))

    def narrow(self, ways: Iterable[tuple[Demand, Way]], ceiling: float) -> None:
        """Confine depths to what a ceiling of misses leaves."""
        for demand, way in ways:
            for bound in way.bounds:
                if bound.rule is None:
                    continue
                depths = np.linspace(0.0, self.reach, 721)
                degrees = degrees_at(self.bench.crank, bound.rule, depths, through_top=bound.through_top)
                allowed = ceiling * demand.wish.tolerance
                inside = np.flatnonzero(
                    (degrees >= demand.low - allowed) & (degrees <= demand.high + allowed)
                )
                if len(inside):
                    # one more at each end: the limits lie between two of these depths
                    first, last = max(inside[0] - 1, 0), min(inside[-1] + 1, len(depths) - 1)
                    self.confine(bound.weights[0][0], float(depths[first]), float(depths[last]))

    def hold_gaps(self, gaps: Sequence[Gap]) -> bool:
        """Hold the degrees between openings; return False if no depth at all can."""
        turn = bdc_angle(self.bench.crank)
        for gap in gaps:
            table = self.table(gap.first)
            entries, start = self.sum_of([(gap.second, 1.0)])
            low_row, high_row = dict(entries), dict(entries)
            opens = angle_of_depth(self.bench.crank, [depth for _, depth in table])
            possible = (opens + gap.low < turn) & (opens + gap.high > 0.0)
            least = piston_depth(self.bench.crank, np.clip(opens + gap.low, 0.0, turn))
            most = piston_depth(self.bench.crank, np.clip(opens + gap.high, 0.0, turn))
            for place, (column, _) in enumerate(table):
                if not possible[place]:
                    self.upper[column] = 0.0
                low_row[column], high_row[column] = -float(least[place]), -float(most[place])
            if not possible.any():
                return False
            self.row(low_row, low=-start - SLIP)
            self.row(high_row, high=-start + SLIP)
        return True

    def lean(self, demand: Demand, way: Way, *, exact: bool) -> None:
        """Give a demand slack, so that it may be missed at a price."""
        short, over = self.column(0.0, math.inf), self.column(0.0, math.inf)
        self.slack |= {short: 1 / demand.wish.tolerance, over: 1 / demand.wish.tolerance}
        for bound in way.bounds:
            entries, start = self.sum_of(bound.weights)
            per_unit, low, high = bound.per_unit, bound.low, bound.high
            if bound.rule is not None and exact:
                entries, start, per_unit = self.degrees(bound), 0.0, 1.0
                low, high = demand.low, demand.high
            self.row(entries | {short: per_unit}, low=low - start - SLIP)
            self.row(entries | {over: -per_unit}, high=high - start + SLIP)
        for gap in way.gaps:
            row, start = self.opening_gap(gap) if exact else self.opening_gap_nearby(gap)
            self.row(row | {short: 1.0}, low=gap.low - start - SLIP)
            self.row(row | {over: -1.0}, high=gap.high - start + SLIP)

    def degrees(self, bound: Bound) -> dict[int, float]:
        """Return entries whose sum is a port's degree."""
        table = self.table(bound.weights[0][0])
        depths = [depth for _, depth in table]
        rule: Rule = bound.rule or "opens"
        found = degrees_at(self.bench.crank, rule, depths, through_top=bound.through_top)
        return {column: float(each) for (column, _), each in zip(table, found, strict=True)}

    def opening_gap(self, gap: Gap) -> tuple[dict[int, float], float]:
        """Return entries whose sum is the degrees between two openings."""
        row: dict[int, float] = {}
        for measure, sign in ((gap.second, 1.0), (gap.first, -1.0)):
            opens = self.degrees(Bound(weights=((measure, 1.0),), rule="opens"))
            row |= {column: sign * degree for column, degree in opens.items()}
        return row, 0.0

    def opening_gap_nearby(self, gap: Gap) -> tuple[dict[int, float], float]:
        """Return entries whose sum is the change of the degrees between two openings, and those now."""
        row: dict[int, float] = {}
        start = 0.0
        for measure, sign in ((gap.second, 1.0), (gap.first, -1.0)):
            depth = min(max(self.bench.measures[measure], 0.1), self.reach - 0.1)
            opens = float(angle_of_depth(self.bench.crank, depth))
            per_mm = sign / float(depth_per_degree(self.bench.crank, opens))
            entries, at = self.sum_of([(measure, per_mm)])
            start += sign * opens + at - per_mm * depth
            row = {place: row.get(place, 0.0) + entries.get(place, 0.0) for place in row | entries}
        return row, start

    def keep_clear(self, demand: Demand, way: Way) -> None:
        """Price how much nearer than a tolerance a figure comes to the edge of what is wished."""
        tolerance = demand.wish.tolerance
        for bound in way.bounds:
            entries, start = self.sum_of(bound.weights)
            low, high = bound.low, bound.high
            if bound.rule is not None:  # the ends of the piston's way are no wish
                low = low if low > 0.0 else -math.inf
                high = high if high < self.reach else math.inf
            self.price(entries, start, low, high, tolerance * bound.per_unit)
        for gap in way.gaps:
            entries, start = self.opening_gap_nearby(gap)
            self.price(entries, start, gap.low, gap.high, tolerance)

    def price(self, entries: dict[int, float], start: float, low: float, high: float, clear: float) -> None:
        kept = min(clear, (high - low) / 2)
        short = self.column(0.0, math.inf)
        self.slack[short] = 1 / clear
        self.row(entries | {short: 1.0}, low=low + kept - start)
        self.row(entries | {short: -1.0}, high=high - kept - start)

    def steadiest(self) -> Choice | None:
        """Return the choice that keeps clearest, with the least metal of those that are alike in that."""
        objective = 1e-5 * self.rank_objective()
        for column, weight in self.slack.items():
            objective[column] = weight
        found = self.least(objective)
        if found is None:
            return None
        return self.choice(tuple(round(float(count)) for count in found[: len(self.moves)]), 0.0)

    def forbid_all_of(self, signature: Signature) -> None:
        """Forbid the use of all these moves together; of nothing at all, everything."""
        self.row({self.used[place]: 1.0 for place in signature}, high=len(signature) - 1.0)

    def forbid_exactly(self, signature: Signature) -> None:
        """Forbid the use of these moves and no others."""
        signs = {column: 1.0 if place in signature else -1.0 for place, column in enumerate(self.used)}
        self.row(signs, high=len(signature) - 1.0)

    def solved(self, *, ceiling: float, gap: float) -> Choice | None:
        """Return the best choice, by least miss first if demands may be missed."""
        if self.slack:
            objective = np.zeros(len(self.lower))
            for column, weight in self.slack.items():
                objective[column] = weight
            if math.isfinite(ceiling):
                self.row(dict(self.slack), high=ceiling)
            best = self.least(objective, gap)
            if best is None:
                return None
            self.row(dict(self.slack), high=float(objective @ best) * (1 + max(gap, 1e-9)) + 1e-5)
        found = self.least(self.rank_objective())
        if found is None:
            return None
        steps = tuple(round(float(count)) for count in found[: len(self.moves)])
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

    def least(self, objective: Floats, gap: float = 0.0) -> Floats | None:
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
        # HiGHS's presolve has lost solutions that lie on a limit exactly, and such are common on a grid.
        # Where demands may be missed little is met so exactly, and it saves a third of the time
        result = milp(
            objective,
            integrality=self.whole,
            bounds=Bounds(self.lower, self.upper),
            constraints=limits,
            options={"mip_rel_gap": gap, "presolve": bool(self.slack)},
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
