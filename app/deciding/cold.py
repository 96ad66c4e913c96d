"""Compression and cold start: ratios, cranking pressure, squish velocity, pull at the rope."""

from __future__ import annotations

from typing import Any

import streamlit as st

from portmap.app import store
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import explain_figures, show_basis, show_warnings
from portmap.app.texts import say
from portmap.app.typed import length_label, with_unit
from portmap.atmosphere import Air, air
from portmap.compression import compression_document
from portmap.compression_typed import build_with_hole, gauge_readings, typed_starter
from portmap.job_review import job_notices
from portmap.quantity import altitude_m, speeds_rpm, temperature_c
from portmap.shopwork import Build

__all__ = ["show"]

LENGTHS = ("pulley", "valve", "hole", "roof")
FIELDS = ("altitude", "temperature", *LENGTHS)
VOLUMES = {
    "swept": "swept_volume_cm3",
    "head": "head_volume_cm3",
    "trapped": "trapped_volume_cm3",
    "case": "case_volume_cm3",
}
RATIOS = ("geometric_ratio", "trapped_ratio", "case_ratio")
DASH = "–"


def show(opened: store.OpenJob, build: Build) -> None:
    """Draw the part."""
    st.markdown(say("decide.cold.how"))
    told: dict[str, str | None] = {}
    with st.container(horizontal=True, vertical_alignment="bottom"):
        for name in FIELDS:
            text = st.text_input(
                length_label(f"decide.cold.{name}") if name in LENGTHS else say(f"decide.cold.{name}"),
                key=f"decide cold {name}",
                help=say(f"decide.cold.{name}.help"),
                width=190,
            )
            told[name] = (with_unit(text) if name in LENGTHS else text).strip() or None
        rpm = st.text_input(say("decide.cold.rpm"), "6000, 9000, 12000", key="decide cold rpm", width=190)
    at, document = _document(opened, build, told, rpm)
    _show_volumes(document)
    st.markdown(
        plain(
            say(
                "decide.cold.air",
                pressure=f"{at.pressure_pa / 100:.0f}",
                temperature=f"{at.temperature_c:.1f}".replace("-", "−"),
            )
        )
    )
    _show_cranking(document)
    _show_squish(document)
    _show_rope(document)
    explain_figures(("squish", "source"))
    st.warning(plain(f"{document['caution']}."))
    show_warnings(document)
    show_basis(document)


def _document(
    opened: store.OpenJob, build: Build, told: dict[str, str | None], rpm: str
) -> tuple[Air, dict[str, Any]]:
    altitude, temperature = told["altitude"], told["temperature"]
    at = air(
        altitude_m=None if altitude is None else altitude_m(altitude, where=say("decide.cold.altitude")),
        temperature_c=None
        if temperature is None
        else temperature_c(temperature, where=say("decide.cold.temperature")),
    )
    speeds = speeds_rpm(rpm, where=say("decide.cold.rpm"))
    holed = build_with_hole(build, told["valve"], told["hole"], told["roof"])
    job = opened.job
    return at, compression_document(
        holed.engine,
        holed.edges,
        at=at,
        rpm=speeds,
        starter=typed_starter(holed, told["pulley"], told["valve"], told["hole"]),
        readings=gauge_readings(job, None, None, at),
        notices=job_notices(job, None) if job.maps else (),
    )


def _show_volumes(document: dict[str, Any]) -> None:
    system = store.system()
    rows = []
    for name, key in VOLUMES.items():
        volume = document["volumes"][key]
        rows.append(
            [
                say(f"decide.cold.{name}", unit=system.volume),
                DASH if volume is None else system.volumes(volume),
            ]
        )
    for name in RATIOS:
        ratio = document["ratios"][name]
        rows.append([say(f"decide.cold.{name}"), DASH if ratio is None else f"{ratio:.2f}"])
    columns = [say("decide.cold.figure"), say("decide.cold.value")]
    show_rows(columns, rows, title=say("decide.cold.volumes"))


def _show_cranking(document: dict[str, Any]) -> None:
    system, cranking = store.system(), document["cranking"]
    if cranking is not None:
        bars = {
            "low": cranking["here_low_bar"],
            "high": cranking["here_high_bar"],
            "sea_low": cranking["sea_level_low_bar"],
            "sea_high": cranking["sea_level_high_bar"],
        }
        shown = {name: system.pressures(bar) for name, bar in bars.items()}
        st.markdown(f"**{plain(say('decide.cold.cranking', unit=system.pressure, **shown))}**")
        st.markdown(plain(cranking["words"]))
        for basis in cranking["basis"]:
            st.caption(plain(say("decide.cold.basis", basis=basis)))
    for one in document["readings"]:
        words = say(
            "decide.cold.reading",
            name=one["reading"],
            read=system.pressures(one["gauge_bar"], one["gauge_u_bar"]),
            unit=system.pressure,
            low=f"{one['trapped_ratio_low']:.1f}",
            high=f"{one['trapped_ratio_high']:.1f}",
        )
        st.markdown(plain(f"{words} {one['words'] or ''}".strip()))


def _show_squish(document: dict[str, Any]) -> None:
    squish = document["squish"]
    if squish is None:
        return
    show_rows(
        [say("decide.cold.squish.rpm"), say("decide.cold.squish.peak"), say("decide.cold.squish.at")],
        [
            [
                say("decide.cold.rpm.value", rpm=f"{one['rpm']:g}"),
                say("decide.cold.speed.value", speed=f"{one['peak_m_per_s']:.1f}"),
                f"{one['peak_before_tdc_deg']:.1f}°",
            ]
            for one in squish["speeds"]
        ],
        title=say("decide.cold.squish"),
    )
    st.caption(plain(say("decide.cold.guide", basis=squish["guide_basis"])))


def _show_rope(document: dict[str, Any]) -> None:
    rope, system = document["rope"], store.system()
    if rope is None:
        return

    def both(start: dict[str, Any], key: str) -> str:
        low, high = start["low"][key], start["high"][key]
        if key == "work_j":
            return say("decide.cold.to", low=f"{low:.1f}", high=f"{high:.1f}", unit="J")
        return say("decide.cold.to", low=system.forces(low), high=system.forces(high), unit=system.force)

    show_rows(
        [say(f"decide.cold.rope.{name}") for name in ("at", "peak", "mean", "work", "bleed")],
        [
            [
                f"{start['temperature_c']:.0f} °C".replace("-", "−"),
                both(start, "peak_pull_n"),
                both(start, "mean_pull_n"),
                both(start, "work_j"),
                say("decide.cold.rope.yes" if start["bleed"] else "decide.cold.rope.no"),
            ]
            for start in rope["starts"]
        ],
        title=say("decide.cold.rope"),
        words=(0, 4),
    )
    for words in dict.fromkeys(start["words"] for start in rope["starts"]):
        st.markdown(plain(words))
    st.markdown(plain(rope["cold_words"]))
    for basis in rope["basis"]:
        st.caption(plain(say("decide.cold.basis", basis=basis)))
