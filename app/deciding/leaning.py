"""What somebody states that the gas model leans on: a pipe on the exhaust, figures in place of the usual.

All of it is folded away, for the usual is taken unless somebody knows better. What makes no sense is said
outside the fold, where it cannot be missed.
"""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from portmap.app import store
from portmap.app.said import plain
from portmap.app.telling import show_trouble
from portmap.app.texts import say
from portmap.app.typed import length_label, with_unit
from portmap.errors import PortmapError
from portmap.gas_assumptions import Assumption, assumptions, stated_assumptions
from portmap.intake_valve import PA_PER_BAR, ReedIntake, RotaryIntake
from portmap.quantity import length_mm

__all__ = ["Leaning", "amount_words", "stated_leaning", "valve_words"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Leaning:
    """What the model is to lean on.

    Parameters
    ----------
    pipe_bore_mm : float or None
        Of an endless pipe on the exhaust; None for a muffler.
    among : tuple of Assumption
        All of them, with what was stated.
    """

    pipe_bore_mm: float | None
    among: tuple[Assumption, ...]


def stated_leaning() -> Leaning | None:
    """Draw the fields, and return what they state; None if that makes no sense."""
    usual = {one.key: one for one in assumptions()}
    with st.expander(say("decide.breath.other")):
        st.markdown(say("decide.breath.other.how"))
        bore = st.text_input(
            length_label("decide.breath.pipe"),
            key="decide breath pipe",
            help=say("decide.breath.pipe.help"),
            width=260,
        )
        chosen = st.multiselect(
            say("decide.breath.lean"),
            list(usual),
            key="decide breath lean",
            format_func=lambda key: say(f"decide.breath.short.{key}"),  # the whole would be cut on a phone
            placeholder=say("decide.breath.lean.none"),
            select_all=False,
        )
        typed = {
            key: st.text_input(
                _label(usual[key]),
                key=f"decide breath lean {key}",
                placeholder=say("decide.breath.lean.usual", usual=amount_words(usual[key])),
                help=say("decide.breath.lean.help"),
            )
            for key in chosen
        }
    texts = {key: text for key, text in typed.items() if text.strip()}
    faults = [_fault(usual[key], text) for key, text in texts.items()]
    for fault in filter(None, faults):
        st.error(plain(fault))
    try:
        pipe = None
        if bore.strip():
            pipe = length_mm(with_unit(bore), where=say("decide.breath.pipe"), sign="positive")
    except PortmapError as error:
        show_trouble(error)
        return None
    if any(faults):
        return None
    return Leaning(
        pipe_bore_mm=pipe, among=stated_assumptions([f"{key}={text}" for key, text in texts.items()])
    )


def _fault(one: Assumption, text: str) -> str:
    """Return what is wrong with a figure that was stated, in the page's words; empty if nothing is."""
    try:
        stated_assumptions([f"{one.key}={text}"])
    except PortmapError as error:
        low, high = (f"{end:g}" for end in one.sense)
        remedy = say("decide.breath.lean.fault", low=low, high=_with_unit_sign(high, one, " "))
        return f"{one.what}: {error.message}. {remedy}"
    return ""


def _label(one: Assumption) -> str:
    """Return what a figure's field is called, with the unit of a bare number where its name has none."""
    return one.what if one.unit.startswith("of ") else _with_unit_sign(one.what, one)


def _with_unit_sign(words: str, one: Assumption, between: str = ", ") -> str:
    return f"{words}{between}{one.unit}" if one.unit else words


def amount_words(one: Assumption) -> str:
    """Return a figure that the model leans on, with its range if it has one.

    Parameters
    ----------
    one : Assumption

    Returns
    -------
    str
    """
    words = f"{one.value:g}"
    if one.least < one.most:
        spread = say("decide.breath.to", low=f"{one.least:g}", high=f"{one.most:g}")
        words = f"{words} ({spread})"
    return _with_unit_sign(words, one, " ")


def valve_words(valve: RotaryIntake | ReedIntake) -> str:
    """Return which valve of the job air comes in by, in a sentence.

    Parameters
    ----------
    valve : RotaryIntake or ReedIntake

    Returns
    -------
    str
    """
    system = store.system()
    if isinstance(valve, RotaryIntake):
        widest = max(area for _, area in valve.opened_deg_mm2)
        return say("decide.breath.rotary", area=system.areas(widest), unit=system.area)
    over_pa, widest = next(row for row in valve.opened_pa_mm2 if row[1] == valve.opened_pa_mm2[-1][1])
    return say(
        "decide.breath.reed",
        area=system.areas(widest),
        unit=system.area,
        over=system.pressures(over_pa / PA_PER_BAR, finer=True),
        pressure=system.pressure,
    )
