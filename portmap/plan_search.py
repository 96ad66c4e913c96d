"""The search behind a plan: every gasket with its moves, the best choices among them, recipes made of those.

What is searched, the engine on every gasket with the moves that its tools allow, is `portmap.plan_stands`'s.
A choice is made by `portmap.plan_model` and worked through again by `portmap.shopwork.after`.

Figures that need whole outlines (time-areas, residual pressure) go in no straight line. The programme takes
them along tangents; each choice is then judged by the exact figure, and the amounts of one that misses are
sought again along the tangent at it, as Newton's method does. What is found is therefore true; that nothing
is found proves nothing.

Glossary
--------
pick
    A choice of moves and their amounts, on one stand.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from portmap.demands import ROUNDING, is_met, miss_of, wished_figure
from portmap.errors import Notice
from portmap.operation import Operation, tools_needed
from portmap.plan_model import Slack, chosen, steadied
from portmap.plan_moves import Choice, Signature
from portmap.plan_stands import Stand, hard_limits, moves_of, rooms_left, stands_of
from portmap.plan_tangents import Line, along, lines_at
from portmap.recipe import Outcome, Recipe, in_working_order
from portmap.shop import Shop
from portmap.shop_limits import breaches, limit_margins
from portmap.shopwork import Build, after
from portmap.traced_figures import is_traced
from portmap.wish_bounds import Demand, traced_measure, ways_of

__all__ = ["FEW", "Pick", "Search"]

FEW = 3  # fewer recipes than this are filled up with longer ones
LONGER_TRIES = 12  # longer recipes looked at for one in which no work is idle
WAYS_LIMIT = 64  # combinations of which port opens first
TURNS = 4  # in which a choice is brought to its traced wishes


@dataclass(frozen=True, kw_only=True, slots=True)
class Pick:
    """A choice on one stand.

    Parameters
    ----------
    stand : int
        Its place among the search's stands.
    choice : Choice
    more_than_needed : bool
        Whether it only adds work to another on the same stand.
    """

    stand: int
    choice: Choice
    more_than_needed: bool = False


class Search:
    """All that a plan is looked for in: every gasket with its moves.

    Parameters
    ----------
    build : Build
    demands : tuple of Demand
    shop : Shop
    any_gasket : bool, optional
        As if every thickness were on hand.
    """

    def __init__(
        self, build: Build, demands: tuple[Demand, ...], shop: Shop, *, any_gasket: bool = False
    ) -> None:
        self.build, self.demands, self.shop = build, demands, shop
        self.plain = replace(build, port_map=None)
        self.traced = tuple(demand for demand in demands if is_traced(demand.wish))
        self.hard = hard_limits(shop.limits, demands)
        self.start = rooms_left(self.plain, self.plain, self.hard)
        ways = [[(demand, way) for way in ways_of(demand, build.engine, build.edges)] for demand in demands]
        self.combinations = tuple(itertools.islice(itertools.product(*ways), WAYS_LIMIT))
        moves = moves_of(self.plain, shop, self.hard, self._wanted(), traced=bool(self.traced))
        self.stands = stands_of(self.plain, shop, self.hard, moves, any_gasket=any_gasket)
        self._lean(())

    def _wanted(self) -> set[str]:
        """Return the measures that any wish is about."""
        found: set[str] = set()
        for combination in self.combinations:
            for _, way in combination:
                found |= {measure for bound in way.bounds for measure, _ in bound.weights}
                found |= {measure for gap in way.gaps for measure in (gap.first, gap.second)}
        return found

    def _lean(self, about: Sequence[Operation]) -> None:
        """Let the traced figures of every stand go along their tangents at some work, on its own gasket."""
        if not self.traced:
            return
        taken = [one for one in about if one.operation != "base_gasket"]
        points = []
        for stand in self.stands:
            gasket = [one for one in about if one.operation == "base_gasket"] if len(self.stands) == 1 else []
            points.append(([*taken, *(gasket or _listed(stand.gasket))], stand.moves))
        # what a move does is taken alike on every gasket, and found on the first
        first, *others = lines_at(
            self.build, self.traced, [points[0], *((work, ()) for work, _ in points[1:])]
        )
        lines = [first, *(replace(line, slopes=first.slopes) for line in others)]
        self.stands = [_along(stand, line) for stand, line in zip(self.stands, lines, strict=True)]

    def sound(self, picks: Sequence[Pick]) -> list[Pick]:
        """Return the choices that fulfil their traced wishes exactly, their amounts mended where need be."""
        if not self.traced:
            return list(picks)
        good: dict[int, Pick] = {}
        tried = {place: [pick.choice.steps] for place, pick in enumerate(picks)}
        waiting = dict(enumerate(picks))
        for _ in range(TURNS):
            points = []
            for pick in waiting.values():
                stand = self.stands[pick.stand]
                used = [stand.moves[move] for move in sorted(pick.choice.signature)]
                points.append((self._work(stand, pick.choice.steps), used))
            lines = lines_at(self.build, self.traced, points)
            mended = {}
            for (place, pick), line in zip(waiting.items(), lines, strict=True):
                known = good.get(place)
                met = all(is_met(one, line.figures[traced_measure(one.wish)]) for one in self.traced)
                if met and (known is None or pick.choice.rank < known.choice.rank):
                    good[place] = pick
                # of one that is met already, less may do too
                choice = self._among(_along(self.stands[pick.stand], line), pick.choice.signature)
                if choice is not None and choice.steps not in tried[place]:
                    tried[place].append(choice.steps)
                    mended[place] = replace(pick, choice=choice)
            waiting = mended
            if not waiting:
                break
        return sorted(good.values(), key=lambda pick: pick.choice.rank)

    def _among(self, stand: Stand, signature: Signature) -> Choice | None:
        """Return the best choice that uses none but some moves."""
        tries = (chosen(stand.bench, stand.moves, ways, among=signature) for ways in self.combinations)
        return min((one for one in tries if one is not None), key=lambda one: one.rank, default=None)

    def found(self, count: int, *, steady: bool = False) -> list[Pick]:
        """Return the best choices that fulfil all demands, judged by exact figures."""
        picks = self.sound(self.best(count))
        if not picks and self.traced:
            # the tangents here led nowhere: once more with those at what comes nearest
            near = self.best(1, slack="linear")
            if near:
                self._lean(self._work(self.stands[near[0].stand], near[0].choice.steps))
                picks = self.sound(self.best(count))
        if not steady:
            return picks
        clear = [self.sound([self.steadied(pick)]) for pick in picks]
        return [each[0] if each else pick for each, pick in zip(clear, picks, strict=True)]

    def anything(self) -> bool:
        """Return whether any choice fulfils all demands, as far as is known."""
        if self.traced:
            return bool(self.found(1))
        for place, number in self._all():
            queue: list[_Entry] = []
            self._push(queue, place, number)
            if queue:
                return True
        return False

    def best(self, count: int, *, slack: Slack = "none") -> list[Pick]:
        """Return the best choices over all gaskets, none of which only adds work to another."""
        without: dict[int, list[Signature]] = {place: [] for place in range(len(self.stands))}
        found: list[Pick] = []
        queue: list[_Entry] = []
        for place, number in self._all():
            self._push(queue, place, number, slack=slack)
        while queue and len(found) < count:
            _, place, number, choice = heapq.heappop(queue)
            known = without[place]
            if not any(signature <= choice.signature for signature in known):
                found.append(Pick(stand=place, choice=choice))
                known.append(choice.signature)
            if choice.signature and frozenset() not in known:
                self._push(queue, place, number, slack=slack, without=known)
        if found and slack == "none" and len(found) < min(FEW, count) and not self.traced:
            found += self._longer(found, min(FEW, count) - len(found))
        return found

    def nearest(self, count: int) -> list[Recipe]:
        """Return recipes that miss least, the very nearest first.

        A quick search along tangents finds the gasket; on it the exact search has the last word.
        """
        picks = self.best(count, slack="linear")
        recipes = [self.recipe(pick) for pick in picks]
        if not picks:
            return []  # not even with every wish missed: a limit is broken that no work mends
        place, first = min(enumerate(recipes), key=lambda one: one[1].weighed_miss)
        # a ratio's miss goes along a tangent in the exact search too, so the ceiling is left some air
        ceiling = first.weighed_miss * 1.02 + 0.05 if math.isfinite(first.weighed_miss) else math.inf
        queue: list[_Entry] = []
        stand = picks[place].stand
        for number in range(len(self.combinations)):
            self._push(queue, stand, number, slack="exact", ceiling=ceiling)
        recipes += [self.recipe(Pick(stand=stand, choice=choice)) for _, _, _, choice in queue]
        recipes.sort(key=lambda recipe: (round(recipe.weighed_miss, 4), recipe.setups, recipe.metal_mm))
        return _of_different_work(recipes)[:count]

    def _all(self) -> Iterator[tuple[int, int]]:
        yield from itertools.product(range(len(self.stands)), range(len(self.combinations)))

    def _push(
        self,
        queue: list[_Entry],
        place: int,
        number: int,
        *,
        slack: Slack = "none",
        ceiling: float = math.inf,
        without: Sequence[Signature] = (),
        but: Sequence[Signature] = (),
    ) -> None:
        stand = self.stands[place]
        choice = chosen(
            stand.bench,
            stand.moves,
            self.combinations[number],
            slack=slack,
            ceiling=ceiling,
            without=without,
            but=but,
        )
        if choice is not None:
            heapq.heappush(queue, (choice.rank, place, number, choice))

    def _longer(self, found: Sequence[Pick], count: int) -> list[Pick]:
        """Return choices that do more than they need, on gaskets where some work is needed at all.

        Those in which every piece of work is needed as it stands go first.
        """
        taken: dict[int, list[Signature]] = {}
        for pick in found:
            taken.setdefault(pick.stand, []).append(pick.choice.signature)
        queue: list[_Entry] = []
        for place, signatures in taken.items():
            if frozenset() not in signatures:
                for number in range(len(self.combinations)):
                    self._push(queue, place, number, but=signatures)
        more: list[Pick] = []
        idle: list[Pick] = []
        while queue and len(more) < count and len(idle) < LONGER_TRIES:
            _, place, number, choice = heapq.heappop(queue)
            if choice.signature not in taken[place]:
                taken[place].append(choice.signature)
                pick = Pick(stand=place, choice=choice, more_than_needed=True)
                (idle if self.holds_idle_work(pick) else more).append(pick)
            self._push(queue, place, number, but=taken[place])
        return (more + idle)[:count]

    def holds_idle_work(self, pick: Pick) -> bool:
        """Return whether a piece of the work could be left undone as it stands."""
        for place in pick.choice.signature:
            steps = tuple(0 if each == place else count for each, count in enumerate(pick.choice.steps))
            work = self._work(self.stands[pick.stand], steps)
            now = after(self.plain, *work)
            met = all(is_met(demand, wished_figure(demand, now.engine, now.edges)) for demand in self.demands)
            rooms = rooms_left(self.plain, now, self.hard)
            if met and all(rooms[key] >= min(room, 0.0) - ROUNDING for key, room in self.start.items()):
                return True
        return False

    def _work(self, stand: Stand, steps: Sequence[int]) -> tuple[Operation, ...]:
        """Return a choice as work in working order."""
        work = []
        for move, count in zip(stand.moves, steps, strict=True):
            if count:
                amount = round(move.step_mm * count, 9)
                work.append(Operation(operation=move.name, amount_mm=amount, port=move.port))
        if stand.gasket is not None and all(one.operation != "base_gasket" for one in work):
            work.append(stand.gasket)
        return in_working_order(work, [port.id for port in self.build.edges])

    def steadied(self, pick: Pick) -> Pick:
        """Return a choice with amounts that keep clear of the edges of what is wished."""
        stand, signature = self.stands[pick.stand], pick.choice.signature
        tries = (steadied(stand.bench, stand.moves, ways, signature) for ways in self.combinations)
        choice = next((choice for choice in tries if choice is not None), pick.choice)
        return replace(pick, choice=choice)

    def recipe(self, pick: Pick) -> Recipe:
        """Return a choice worked through again with the exact figures."""
        stand, choice = self.stands[pick.stand], pick.choice
        operations = self._work(stand, choice.steps)
        now = after(self.build, *operations)
        outcomes = []
        for demand in self.demands:
            before, figure = (
                wished_figure(demand, one.engine, one.edges, port_map=one.port_map)
                for one in (self.build, now)
            )
            outcomes.append(Outcome(demand=demand, before=before, after=figure, miss=miss_of(demand, figure)))
        tightest, margin = self._tightest(now)
        return Recipe(
            operations=operations,
            needs=tools_needed(operations, self.shop.tools),
            build=now,
            outcomes=tuple(outcomes),
            setups=choice.setups,
            metal_mm=choice.metal_mm,
            tightest=tightest,
            margin_mm=margin,
            more_than_needed=pick.more_than_needed,
            notices=self._notices(now),
        )

    def _tightest(self, now: Build) -> tuple[str | None, float | None]:
        """Return the hard limit with the least room among those that this work touches."""
        touched = []
        for margin in limit_margins(self.plain, replace(now, port_map=None), self.hard):
            was = self.start.get((margin.limit.name, margin.where))
            if margin.margin_mm is None or was is None or abs(margin.margin_mm - was) < 1e-9:
                continue
            touched.append((margin.margin_mm, margin.limit.what.format(where=margin.where)))
        if not touched:
            return None, None
        room, words = min(touched)
        return words, room

    def _notices(self, now: Build) -> tuple[Notice, ...]:
        found = [breach.notice() for breach in breaches(self.build, now, self.shop.limits)]
        # two limits stand on squish: where the harder one speaks, or a wish asked for it, one voice is enough
        named = any(demand.quantity == "squish" for demand in self.demands)
        return tuple(
            dict.fromkeys(note for note in found if not (named and note.code == "look-again-squish"))
        )


def _listed(operation: Operation | None) -> list[Operation]:
    return [] if operation is None else [operation]


def _along(stand: Stand, line: Line) -> Stand:
    bench, moves = along(stand.bench, stand.moves, line)
    return replace(stand, bench=bench, moves=moves)


def _of_different_work(recipes: Sequence[Recipe]) -> list[Recipe]:
    """Return the recipes, of those that do the same work on the same gasket only the first."""
    kept: dict[tuple[object, ...], Recipe] = {}
    for recipe in recipes:
        work = tuple((one.operation, one.port) for one in recipe.operations)
        kept.setdefault((work, recipe.build.engine.base_gasket_mm), recipe)
    return list(kept.values())


_Entry = tuple[tuple[float, int, int, float, float], int, int, Choice]
