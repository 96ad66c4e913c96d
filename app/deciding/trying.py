"""Try work: pieces in their order, every figure before and after, and the limits that are passed."""

from __future__ import annotations

import streamlit as st

from portmap.app import store
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import explain_figures, show_basis, show_trouble, show_warnings
from portmap.app.texts import say
from portmap.app.typed import length_label, with_unit
from portmap.effects import work_document
from portmap.errors import PortmapError
from portmap.operation import OPERATIONS, Operation, kind_of, operation_text, parse_operation
from portmap.quantity import length_mm
from portmap.shop_limits import breaches, limits_of
from portmap.shopwork import Build, after
from portmap.work_rows import change_rows

__all__ = ["show"]

PIECES, TROUBLE = "decide pieces", "decide trouble"


def show(opened: store.OpenJob, build: Build) -> None:
    """Draw the part."""
    st.markdown(say("decide.try.how"))
    _form(build)
    pieces = tuple(parse_operation(text) for text in st.session_state.get(PIECES, ()))
    if not pieces:
        st.caption(say("decide.try.none"))
        return
    _list(pieces)
    try:
        now = after(build, *pieces)
        passed = breaches(build, now, limits_of(opened.job), system=store.system())
        document = work_document(build, pieces, passed, system=store.system())
    except PortmapError as error:
        show_trouble(error)
        return
    st.markdown(f"**{say('decide.try.limits')}**")
    for breach in passed:
        _, _, words = breach.message.partition(": ")  # its head says the grade once more
        st.markdown(f"**{say(f'decide.try.limit.{breach.grade}')}**: {plain(words or breach.message)}")
    if not passed:
        st.markdown(say("decide.try.limits.fine"))
    rows = change_rows(document["figures"], store.system())
    show_rows(
        [say(f"decide.try.{name}") for name in ("figure", "after", "before", "change")],
        [[name, then, now, change] for name, now, then, change in rows],
        title=say("decide.try.title"),
    )
    st.caption(say("decide.try.doubt"))
    explain_figures(("opens", "duration", "blowdown", "squish", "gasket", "area", "source"))
    told = {breach.message for breach in passed}
    show_warnings({"warnings": [one for one in document["warnings"] if one["message"] not in told]})
    show_basis(document)


def _form(build: Build) -> None:
    """Let a piece of work be added."""
    name = st.selectbox(
        say("decide.try.kind"),
        [kind.name for kind in OPERATIONS],
        index=2,
        key="decide kind",
        format_func=lambda each: kind_of(each).words,
    )
    with st.container(horizontal=True, vertical_alignment="bottom"):
        if kind_of(name).takes_port:
            st.selectbox(say("decide.try.port"), [edge.id for edge in build.edges], key="decide port")
        st.text_input(
            length_label("decide.try.amount"),
            key="decide amount",
            help=say("decide.try.amount.help"),
            width=170,
        )
        st.button(say("decide.try.add"), key="decide add", type="primary", on_click=_add, args=(build,))
    trouble = st.session_state.pop(TROUBLE, None)
    if trouble is not None:
        show_trouble(trouble, where=length_label("decide.try.amount"))


def _add(build: Build) -> None:
    state = st.session_state
    name, port = state["decide kind"], state.get("decide port")
    try:
        amount = length_mm(with_unit(state["decide amount"]), sign="not negative")
        piece = Operation(operation=name, amount_mm=amount, port=port if kind_of(name).takes_port else None)
        pieces = [*state.get(PIECES, ()), operation_text(piece)]
        after(build, *(parse_operation(text) for text in pieces))
    except PortmapError as error:
        state[TROUBLE] = error
        return
    state[PIECES] = pieces
    state["decide amount"] = ""


def _list(pieces: tuple[Operation, ...]) -> None:
    system = store.system()
    lines = []
    for number, piece in enumerate(pieces, 1):
        kind = kind_of(piece.operation)
        amount = f"{system.lengths(piece.amount_mm)} {system.length}"
        needs = say("decide.try.needs", needs=" or ".join(kind.needs)) if kind.needs else ""
        words = " ".join(part for part in (piece.port, kind.words) if part)
        lines.append(f"{number}. {plain(f'{words}: {amount} {needs}'.strip())}")
    st.markdown("\n".join(lines))
    with st.container(horizontal=True):
        st.button(say("decide.try.drop"), key="decide drop", on_click=_drop, args=(1,))
        st.button(say("decide.try.clear"), key="decide clear", on_click=_drop, args=(len(pieces),))


def _drop(count: int) -> None:
    pieces = st.session_state.get(PIECES, [])
    st.session_state[PIECES] = pieces[: len(pieces) - count]
