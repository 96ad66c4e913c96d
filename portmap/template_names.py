"""The words on the wall of a 1:1 sheet: ports and their roofs, levels, sides, and what the strip is.

Each is written where nothing is in its way; what has no room is shortened, then left out. Names of ports
are never left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import shapely

from portmap.crank import depth_per_degree
from portmap.engine import angle_at_crown_height
from portmap.page import BOLD, POINT_MM, fitted, text_width_mm
from portmap.port import Port, Stage, Window
from portmap.shown import with_doubt
from portmap.template_drawing import Words
from portmap.template_lay import TemplateRecord
from portmap.template_wall import SCALE_MM, Wall, crown_levels

__all__ = ["write_names"]

Group = list[tuple[Stage, Port, Window, shapely.Polygon]]  # one window, a stage after the other


def write_names(wall: Wall, record: TemplateRecord) -> None:
    """Write all words that stand on the wall.

    Parameters
    ----------
    wall : Wall
        With its lines and scales drawn.
    record : TemplateRecord
    """
    groups = _groups(wall)
    places = [_name_window(wall, group) for group in groups]
    _name_datum(wall)
    _name_sides(wall)
    for group, place in zip(groups, places, strict=True):
        _figure_roofs(wall, group, place, several=len(wall.port_maps) > 1)
    _name_levels(wall)
    _name_strip(wall, record)


def _groups(wall: Wall) -> list[Group]:
    """Return each window at all its stages, the largest first, and keep words off them."""
    groups: dict[tuple[str, int], Group] = {}
    for stage, port, number, window, images in wall.windows:
        parts = wall.parts(images)
        wall.taken += [part.bounds for part in parts]
        groups.setdefault((port.id, number), []).append(
            (stage, port, window, max(parts, key=lambda part: float(part.area)))
        )
    return sorted(groups.values(), key=lambda group: -float(group[-1][3].area))


def _name_window(wall: Wall, group: Group) -> tuple[float, float]:
    """Write a port's name in its window or beside it; return where its figures may start."""
    _, port, _, part = group[-1]
    top = max(shape.bounds[3] for *_, shape in group)
    if not _name_inside(wall, port.id, _common(group)):
        top = _name_beside(wall, port.id, part) or top
    return (part.bounds[0] + part.bounds[2]) / 2, top + 0.9


def _common(group: Group) -> shapely.Polygon:
    """Return what a window has in common at all stages; the last one's if they have nothing."""
    common = shapely.intersection_all([part for *_, part in group])
    largest = max(shapely.get_parts(common), key=lambda part: float(part.area), default=None)
    return group[-1][3] if largest is None or largest.geom_type != "Polygon" else largest


def _name_inside(wall: Wall, name: str, part: shapely.Polygon) -> bool:
    """Write a name inside a window, along it or up it, clear of the scales if possible.

    Returns whether it had room.
    """
    left, low, right, high = part.bounds
    centre, inner = part.centroid, part.representative_point()
    places = [(centre.x, centre.y), (inner.x, inner.y), (centre.x, low + 0.3 * (high - low))]
    places += [(left + share * (right - left), centre.y) for share in (0.3, 0.7, 0.15, 0.85)]
    clear = shapely.difference(part, shapely.union_all([shapely.box(*box) for box in wall.scales]))
    for room in (clear, part):
        for turned, least in ((False, 4.8), (True, 4.8), (False, 3.8), (True, 3.6)):
            text, size = fitted(
                name, max((high - low if turned else right - left) - 1.6, 1.0), 7.0, least_pt=least
            )
            drop = 0.36 * size * POINT_MM  # half a capital
            for x, y in () if text.endswith("…") else places:
                words = Words(
                    text=text,
                    place_mm=(x + drop, y) if turned else (x, y - drop),
                    size_pt=size,
                    anchor="middle",
                    turn_deg=90.0 if turned else 0.0,
                    ground=True,
                )
                if room.contains(shapely.box(*words.box_mm)):
                    wall.draft.write(words)
                    return True
    return False


def _name_beside(wall: Wall, name: str, part: shapely.Polygon) -> float | None:
    """Write a name over a window, or else under it, and return the height above it if it is over it.

    Without any room it is written on the window.
    """
    left, low, right, high = part.bounds
    middle = (left + right) / 2
    shifts = [side * step for step in np.arange(0.0, 8.0, 1.0) for side in (1.0, -1.0)]
    lifts = [*np.arange(high + 0.9, wall.box[3], 2.2), *np.arange(low - 2.6, wall.box[1], -2.2)]
    for size in (5.4, 4.2, 3.6):
        shown, size_pt = fitted(name, 24.0, size, least_pt=min(size, 4.6), font=BOLD)
        words = Words(text=shown, place_mm=(middle, high), size_pt=size_pt, anchor="middle", bold=True)
        for y in lifts[:2] if size > 4.0 else lifts:
            for shift in shifts:
                place = (middle + float(shift), float(y))
                if wall.place(replace(words, place_mm=place)):
                    return place[1] + 1.4 if place[1] > high else None
    wall.draft.write(replace(words, place_mm=(middle, (low + high) / 2), ground=True))
    return None


def _figure_roofs(
    wall: Wall,
    group: Group,
    place: tuple[float, float],
    *,
    several: bool,
) -> None:
    """Write the roofs' heights close over a window or its name, shorter if there is little room, else not.

    Farther off they could be taken for a neighbour's.
    """
    long, short = [], []
    for stage, port_there, window, _ in reversed(group):
        roof, degree = _roof_words(wall, port_there, window)
        mark = f"{stage} " if several else ""
        long.append(f"{mark}roof {roof}" + (f", opens {degree}" if degree else ""))
        short.append(f"{mark}{roof}" + (f", {degree}" if degree else ""))
    part = group[-1][3]
    reach = (part.bounds[2] - part.bounds[0]) / 2 + 1.5
    shifts = [float(side * step) for step in np.arange(0.0, reach, 1.0) for side in (1.0, -1.0)]
    name, own = [group[-1][1].id], part.bounds[2] - part.bounds[0] + 4.0
    # a line of a window at the centre line may cross that rather than be left out
    sizes = ((long, 5.4), (long, 4.6), (short, 4.6))
    for lines, size, over in [(*each, over) for over in (None, wall.centre) for each in sizes]:
        wide = max(text_width_mm(text, size) for text in lines)
        for shift in shifts:
            # what reaches beyond its own window says whose it is
            named = [*name, *lines] if abs(shift) + wide / 2 > own / 2 else lines
            stack = [
                Words(
                    text=text,
                    place_mm=(place[0] + shift, place[1] + 0.45 * size * row),
                    size_pt=size,
                    anchor="middle",
                    bold=text == name[0],
                )
                for row, text in enumerate(reversed(named))
            ]
            if wall.place(*stack, over=over):
                return


def _roof_words(wall: Wall, port: Port, window: Window) -> tuple[str, str]:
    """Return a window's roof height, and the degree at which the crown edge passes it, if it does."""
    roof = float(window.outline.bounds[3])
    u = None if window.doubt is None else window.doubt.roof_u_mm
    height = wall.height_text(roof, u)
    angle = float(angle_at_crown_height(wall.engine, roof))
    if port.control != "crown" or not 0.5 < angle < 179.5:
        return height, ""
    u_deg = None if u is None else u / abs(float(depth_per_degree(wall.engine.crank, angle)))
    return height, f"{with_doubt(angle, u_deg, 1)}°"


def _name_datum(wall: Wall) -> None:
    """Write what the datum edge and the centre line are."""
    left, low, right, high = wall.box
    if wall.top_datum:
        text, heights = "deck (datum): heights are mm below it", high - np.arange(6.6, 20.0, 1.0)
    else:
        text, heights = "base face, y 0 (datum)", np.arange(5.6, 12.0, 1.0)
    starts = np.arange(left + SCALE_MM + 1.5, right - SCALE_MM, 1.0)
    _write_first(wall, Words(text=text, place_mm=(0.0, 0.0), size_pt=5.4, bold=True), heights, starts)
    centre = Words(text="exhaust centre", place_mm=(0.0, 0.0), size_pt=5.4, bold=True)
    _write_first(wall, centre, high - np.arange(6.6 if wall.top_datum else 2.6, high - low, 1.0), [1.7])


def _name_levels(wall: Wall) -> None:
    """Write what the crown's lines are."""
    left, low, right, high = wall.box
    starts = np.arange(left + SCALE_MM + 1.5, right - SCALE_MM, 1.0)
    for name, y in crown_levels(wall.engine):
        if low <= y <= high:
            words = Words(text=f"{name}, {wall.height_text(y)}", place_mm=(0.0, 0.0), size_pt=5.4)
            _write_first(wall, words, [y + 0.7, y - 2.3], starts)


def _write_first(wall: Wall, words: Words, heights: Iterable[float], starts: Iterable[float]) -> None:
    """Write words at the first of some places where nothing is in their way."""
    across = [float(x) for x in starts]
    for y in heights:
        for x in across:
            if wall.place(replace(words, place_mm=(x, float(y)))):
                return


def _name_sides(wall: Wall) -> None:
    """Write which side is which, as seen from the bore axis."""
    _, low, right, high = wall.box
    inside = wall.factor > 0
    names = ("LEFT", "RIGHT") if inside else ("RIGHT", "LEFT")
    for side, name in ((-1.0, names[0]), (1.0, names[1])):
        shown = f"◀ {name}" if side < 0 else f"{name} ▶"
        places = [
            (size, (side * share * right, float(y)))
            for size in (10.0, 7.0, 5.0)
            for y in np.arange(high - 0.55 * size, low + 1.0, -1.5)
            for share in (0.32, 0.68, 0.6, 0.75, 0.2, 0.45)
        ]
        for size, place in places:
            head = Words(text=shown, place_mm=place, size_pt=size, anchor="middle", bold=True)
            under = Words(
                text="seen from the bore axis",
                place_mm=(place[0], place[1] - 2.5),
                size_pt=5.0,
                anchor="middle",
            )
            if wall.place(head, under) if size > 7.0 else wall.place(head):
                break


def _name_strip(wall: Wall, record: TemplateRecord) -> None:
    """Write what the strip is, for when it has been cut out."""
    left, low, right, high = wall.box
    face = (
        "print faces the bore axis"
        if wall.lay.side == "inside"
        else "print faces out, away from the bore axis"
    )
    stages = ", ".join(port_map.stage for port_map in wall.port_maps)
    shown, _ = fitted(record.name, 60.0, 5.2, least_pt=5.2)
    facts = f"{stages}; bore {wall.engine.bore_mm:g} mm; {record.date or 'not dated'}"
    heights = np.arange(high - 4.0, low + 5.0, -1.0)
    starts = np.arange(left + SCALE_MM + 1.5, right - SCALE_MM, 2.0)
    for y in heights:
        for x in starts:
            stack = [
                Words(text=text, place_mm=(float(x), float(y) - 2.2 * row), size_pt=5.2, bold=row == 2)
                for row, text in enumerate((shown, facts, face))
            ]
            if wall.place(*stack):
                return
