"""Reach a wish: recipes side by side, each with what it meets, how likely, and its steps; one may be kept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import streamlit as st

from portmap.app import asked, store
from portmap.app.plots import recipes_figure
from portmap.app.row_tables import show_rows
from portmap.app.said import plain
from portmap.app.telling import explain_figures, is_dark, show_basis, show_trouble, show_warnings
from portmap.app.texts import say
from portmap.app.typed import length_label, with_unit
from portmap.characters import character_of, characters, with_character
from portmap.errors import Notice, PortmapError
from portmap.job import Job
from portmap.job_review import job_notices
from portmap.kept_plan import kept_plan
from portmap.plan_document import plan_document
from portmap.planner import Plan, planned
from portmap.quantity import lengths_mm
from portmap.recipe_rows import outcome_rows, recipe_rows, work_words
from portmap.shop import TOOLS, Shop, shop_of
from portmap.shop_limits import limits_of
from portmap.shopwork import Build
from portmap.wishes import Wish, wish_of, wishes_of

__all__ = ["show"]

FOUND = "portmap.plan"
ASKED = "recipes"
UNCHECKED = "not-checked"
SIDE = ("number", "all", "missed", "work", "needs", "setups", "metal")
WANTED = ("wanted", "after", "now", "met", "chance")


@dataclass(frozen=True, kw_only=True, slots=True)
class _Found:
    job: Job
    plan: Plan
    shop: Shop
    notices: tuple[Notice, ...]
    documents: dict[str, dict[str, Any]]  # by the units that are read

    def document(self) -> dict[str, Any]:
        """Return the plan as a document in the units that are read, worked out once for each."""
        system = store.system()
        if system.name not in self.documents:
            self.documents[system.name] = plan_document(
                self.plan, self.shop, notices=self.notices, system=system
            )
        return self.documents[system.name]


def show(opened: store.OpenJob, build: Build) -> None:
    """Draw the part."""
    st.markdown(say("decide.plan.how"))
    _show_kept(opened.job)
    _form()
    if asked.is_asked(ASKED):
        with asked.at_work(ASKED):
            _find(opened.job, build)
    found: _Found | None = st.session_state.get(FOUND)
    if found is None or found.plan.build != build:
        return
    document, system = found.document(), store.system()
    _show_understood(document)
    if not found.plan.possible:
        _show_why_not(document)
    if found.plan.recipes:
        show_rows(
            [say(f"decide.plan.{name}") for name in SIDE],
            [
                [
                    say("decide.plan.recipe.short", number=number),
                    chance,
                    missed,
                    "; ".join(work.split("\n")),
                    *rest,
                ]
                for number, work, *rest, missed, chance in recipe_rows(found.plan, system)
            ],
            title=say("decide.plan.side"),
            words=(0, 3, 4),
        )
        st.plotly_chart(
            recipes_figure(found.plan, system=system, dark=is_dark()),
            theme=None,
            key="decide recipes",
            alt=say("decide.plan.plot.alt"),
            config={"displayModeBar": False},
        )
        st.caption(say("decide.plan.plot"))
        explain_figures(("odds", "squish", "opens", "blowdown", "gasket", "source"))
    for number, recipe in enumerate(document["recipes"], 1):
        _show_recipe(opened.job, found, number, recipe)
    show_warnings(document)
    show_basis(document)


def _form() -> None:
    """Take wishes and what is on hand."""
    with st.form("decide plan"):
        st.text_area(
            say("decide.plan.want"),
            say("decide.plan.example"),
            key="decide wishes",
            help=say("decide.plan.want.help"),
        )
        st.selectbox(
            say("decide.plan.character"),
            ["", *characters()],
            key="decide character",
            format_func=lambda key: (
                f"{characters()[key].name}: {characters()[key].about}"
                if key
                else say("decide.plan.character.none")
            ),
        )
        st.pills(
            say("decide.plan.tools"),
            TOOLS,
            selection_mode="multi",
            default=list(TOOLS),
            key="decide tools",
            format_func=lambda tool: say(f"decide.plan.tool.{tool}"),
        )
        with st.container(horizontal=True):
            st.text_input(
                length_label("decide.plan.gaskets"),
                key="decide gaskets",
                help=say("decide.plan.gaskets.help"),
            )
            st.text_input(
                length_label("decide.plan.step"), key="decide step", help=say("decide.plan.step.help")
            )
        st.toggle(say("decide.plan.middle"), key="decide middle")
        st.form_submit_button(
            say("decide.plan.go"), key="decide go", type="primary", on_click=asked.ask, args=(ASKED,)
        )


def _find(job: Job, build: Build) -> None:
    """Find recipes, or say why there are none."""
    try:
        with st.spinner(say("decide.plan.working")):
            st.session_state[FOUND] = _found(job, build)
    except PortmapError as error:
        st.session_state.pop(FOUND, None)
        show_trouble(error)


def _found(job: Job, build: Build) -> _Found:
    state = st.session_state
    texts = [line.strip() for line in state["decide wishes"].replace(";", "\n").splitlines() if line.strip()]
    wishes: tuple[Wish, ...]
    notices: tuple[Notice, ...] = ()
    if state["decide character"]:
        typed = tuple(dict.fromkeys(wish_of(text, where=f'"{text}"') for text in texts))
        wishes, notices = with_character(typed, character_of(state["decide character"]), build.edges)
    else:
        wishes = wishes_of(texts, where=say("decide.plan.want"))
    gaskets = state["decide gaskets"].strip()
    shop = shop_of(
        have=", ".join(state["decide tools"]) or "none",
        gaskets_mm=lengths_mm(with_unit(gaskets), where=say("decide.plan.gaskets"), sign="not negative")
        if gaskets
        else None,
        step=with_unit(state["decide step"]).strip() or None,
        limits=limits_of(job),
    )
    if job.maps:
        notices = (*job_notices(job, None), *notices)
    plan = planned(build, wishes, shop, steady=state["decide middle"])
    return _Found(job=job, plan=plan, shop=shop, notices=notices, documents={})


def _show_kept(job: Job) -> None:
    if job.plan is None:
        return
    pieces = [piece.model_dump() for piece in job.plan.operations]
    with st.expander(f"{say('decide.plan.kept.title')}: {plain(work_words(pieces, store.system()))}"):
        st.markdown("\n".join(f"- {plain(wish)}" for wish in job.plan.wishes))
        st.markdown("\n".join(f"{number}. {plain(step)}" for number, step in enumerate(job.plan.steps, 1)))


def _show_understood(document: dict[str, Any]) -> None:
    lines = []
    for wish in document["wishes"]:
        port = wish["port"]
        words = (
            wish["understood"]
            if port is None or port in wish["understood"]
            else f"{wish['understood']}, {port}"
        )
        if "character" in wish:
            words += f" ({say('decide.plan.guide', character=wish['character'])})"
        lines.append(f"- {plain(words)}")
    st.markdown("\n".join([f"**{say('decide.plan.understood')}**", "", *lines]))


def _show_why_not(document: dict[str, Any]) -> None:
    st.error(say("decide.plan.impossible"))
    if document["recipes"]:
        misses = "; ".join(miss["words"] for miss in document["recipes"][0]["misses"])
        st.markdown(plain(say("decide.plan.misses", misses=misses)))
    if document["binds"]:
        st.markdown(plain(say("decide.plan.binds", binds="; ".join(document["binds"]))))
    if len(document["wishes"]) > 1:
        for group in document["conflicts"]:
            quoted = " and ".join(f'"{text}"' for text in group)
            key = "decide.plan.alone" if len(group) == 1 else "decide.plan.together"
            st.markdown(plain(say(key, wishes=quoted)))
    if not document["frees"]:
        st.markdown(say("decide.plan.nofrees"))
        return
    lines = [
        f"- {plain(free['words'])}: {plain(work_words(free['operations'], store.system()))}"
        for free in document["frees"]
    ]
    st.markdown("\n".join([f"**{say('decide.plan.frees')}**", "", *lines]))


def _show_recipe(job: Job, found: _Found, number: int, recipe: dict[str, Any]) -> None:
    system, parts = store.system(), found.plan.recipes[number - 1]
    needs = ", ".join(parts.needs) or say("decide.plan.notool")
    title = plain(say("decide.plan.recipe", number=number, needs=needs))
    with st.expander(title, expanded=number == 1):
        if parts.more_than_needed:
            st.caption(say("decide.plan.more"))
        show_rows(
            [say(f"decide.plan.{name}") for name in WANTED],
            [[name, then, now, *rest] for name, now, then, *rest in outcome_rows(parts, system)],
            title=work_words(recipe["operations"], system),
        )
        st.markdown(f"**{say('decide.plan.steps')}**")
        st.markdown("\n".join(f"{place}. {plain(step)}" for place, step in enumerate(recipe["steps"], 1)))
        if parts.tightest is not None and parts.margin_mm is not None:
            room = f"{system.lengths(parts.margin_mm)} {system.length}"
            st.markdown(plain(say("decide.plan.room", room=room, limit=parts.tightest)))
        for notice in recipe["warnings"]:
            if notice["code"].startswith(UNCHECKED):
                st.caption(plain(notice["message"]))
            else:
                st.warning(plain(notice["message"]))
        entry = kept_plan(recipe, date=date.today().isoformat())
        if (
            job.plan is not None
            and job.plan.operations == entry.operations
            and job.plan.wishes == entry.wishes
        ):
            st.success(say("decide.plan.kept"))
        else:
            st.button(
                say("decide.plan.keep"), key=f"decide keep {number}", on_click=_keep, args=(number, recipe)
            )


def _keep(number: int, recipe: dict[str, Any]) -> None:
    opened = store.open_job()
    if opened is None:
        return
    entry = kept_plan(recipe, date=date.today().isoformat())
    job = opened.job.model_copy(update={"plan": entry})
    store.save(job, say("decide.plan.keep.why", number=number))
