"""The results of one draw by portmap's ordinary functions, one engine after the other: what drawing many at
once is held against."""

from dataclasses import replace

import numpy as np
from shapely.affinity import affine_transform

from portmap.cranking import cranking_gauge_pa
from portmap.doubts import EXPONENT, SIZE, relative_area_u
from portmap.port import Port, PortMap, Window, edges_of, floor_of, roof_of, wall_area
from portmap.ratio import case_ratio, geometric_ratio, trapped_ratio
from portmap.shopwork import Build
from portmap.timearea import map_spans, specific_time_area, time_area
from portmap.timing import blowdown_deg, edge_timing
from portmap.volume import exhaust_closing_depth_mm, squish_clearance_mm, swept_volume_cm3


def moved_port(port: Port, roof: float, floor: float, stretch: float) -> Port:
    """The port with its outlines moved to a roof and a floor, and their area multiplied."""
    tall = (roof - floor) / (roof_of(port) - floor_of(port))
    windows = []
    for window in port.windows:
        middle = sum(window.outline.bounds[::2]) / 2
        wide = stretch / tall
        matrix = [wide, 0.0, 0.0, tall, middle * (1 - wide), floor - floor_of(port) * tall]
        windows.append(Window(outline=affine_transform(window.outline, matrix), doubt=window.doubt))
    return replace(port, windows=tuple(windows))


def drawn_build(build: Build, values: dict[str, float]) -> Build:
    """The build of one draw."""
    crank = replace(
        build.engine.crank,
        **{name: values[name] for name in ("stroke_mm", "rod_mm", "pin_offset_mm") if name in values},
    )
    fields = (
        "bore_mm",
        "crown_height_mm",
        "base_gasket_mm",
        "skirt_length_mm",
        "squish_band_height_mm",
        "head_volume_cm3",
        "case_volume_cm3",
    )
    engine = replace(build.engine, crank=crank, **{name: values[name] for name in fields if name in values})
    edges = []
    for port in build.edges:
        ends = {
            f"{end}_mm": values.get(f"{end}_mm:{port.id}", getattr(port, f"{end}_mm"))
            for end in ("roof", "floor")
        }
        edges.append(replace(port, **ends))
    heights = {port.id: port for port in edges}
    port_map = None
    if build.port_map is not None:
        ports = tuple(
            moved_port(
                port,
                heights[port.id].roof_mm,
                heights[port.id].floor_mm,
                1 + values.get(SIZE, 0.0) * relative_area_u(port),
            )
            for port in build.port_map.ports
        )
        port_map = PortMap(stage=build.port_map.stage, ports=ports)
    return Build(engine=engine, edges=tuple(edges), port_map=port_map)


def ordinary_results(build: Build, values: dict[str, float], rpm: float) -> dict[str, float]:
    """Every result of one draw, under the names that `portmap.drawn_figures` gives them."""
    now = drawn_build(build, values)
    engine = now.engine
    swept = swept_volume_cm3(engine)
    found: dict[str, float] = {"swept_volume_cm3": swept}
    for port in now.edges if now.port_map is None else map(edges_of, now.port_map.ports):
        timing = edge_timing(engine, port)
        first = timing.openings[0] if timing.openings else None
        found[f"{port.id}:opens_deg"] = np.nan if first is None else first.opens_deg
        found[f"{port.id}:closes_deg"] = np.nan if first is None else first.closes_deg
        found[f"{port.id}:duration_deg"] = timing.duration_deg
    if engine.squish_band_height_mm is not None:
        found["squish_mm"] = squish_clearance_mm(engine)
    if engine.head_volume_cm3 is not None:
        found["head_volume_cm3"] = engine.head_volume_cm3
        found["geometric_ratio"] = geometric_ratio(engine)
        found["trapped_ratio"] = trapped_ratio(engine, exhaust_closing_depth_mm(engine, now.edges))
        found["cranking_bar"] = float(cranking_gauge_pa(found["trapped_ratio"], values[EXPONENT])) / 1e5
    if engine.case_volume_cm3 is not None:
        found["case_ratio"] = case_ratio(engine)
    if now.port_map is not None:
        blowdown = blowdown_deg(engine, now.port_map)
        if blowdown is not None:
            found["blowdown_deg"] = blowdown
        for port in now.port_map.ports:
            found[f"{port.id}:wall_area_mm2"] = wall_area(port)
        for span in map_spans(engine, now.port_map)[0]:
            amount = span.angle_area_mm2_deg
            found[f"{span.name}_angle_area_mm2_deg"] = amount
            found[f"{span.name}_specific_s_per_m"] = float(specific_time_area(time_area(amount, rpm), swept))
    return found


def traced_build(corners: int = 700) -> Build:
    """A made-up cylinder of eight windows, each with as many corners as a traced outline has."""
    from portmap.crank import Crank
    from portmap.engine import Engine
    from portmap.port import WindowDoubt, mirrored_window, window_polygon

    doubt = WindowDoubt(roof_u_mm=0.006, floor_u_mm=0.007, wall_area_u_mm2=0.15, edge_u_mm=0.01)

    def window(middle: float, floor: float, width: float, roof: float) -> Window:
        t = np.linspace(0, 2 * np.pi, corners, endpoint=False) + 0.003
        corner = 0.35  # a rounded rectangle: a superellipse of exponent 2 / 0.35
        x = middle + width / 2 * np.sign(np.cos(t)) * np.abs(np.cos(t)) ** corner
        y = (roof + floor) / 2 + (roof - floor) / 2 * np.sign(np.sin(t)) * np.abs(np.sin(t)) ** corner
        return Window(outline=window_polygon(np.column_stack([x, y])), doubt=doubt)

    main, side, boost = window(24, 28.5, 12, 36.2), window(38, 28.5, 10, 36.0), window(52, 28.4, 8, 36.6)
    ports = (
        Port(
            id="exhaust",
            kind="exhaust",
            control="crown",
            windows=(window(-7.5, 28.2, 13, 39.6), window(7.5, 28.2, 13, 39.6)),
        ),
        Port(id="main", kind="transfer", control="crown", windows=(main, mirrored_window(main))),
        Port(id="side", kind="transfer", control="crown", windows=(side, mirrored_window(side))),
        Port(id="boost", kind="boost", control="crown", windows=(boost,)),
        Port(id="intake", kind="intake", control="skirt", windows=(window(72, 8, 24, 17.5),)),
    )
    engine = Engine(
        bore_mm=46.0,
        crank=Crank(stroke_mm=32.0, rod_mm=58.0),
        crown_height_mm=61.0,
        base_gasket_mm=0.4,
        skirt_length_mm=36.0,
        squish_band_height_mm=61.2,
        head_volume_cm3=6.1,
        case_volume_cm3=190.0,
    )
    port_map = PortMap(stage="stock", ports=ports)
    return Build(engine=engine, edges=tuple(edges_of(port) for port in ports), port_map=port_map)
