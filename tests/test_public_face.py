"""Every public name is listed and documented as its signature says."""

import importlib
import inspect
import pkgutil
import re

import pytest

import portmap

MODULES = sorted(
    name
    for _, name, is_package in pkgutil.walk_packages(portmap.__path__, "portmap.")
    if not is_package and not name.startswith(("portmap.commands", "portmap.cli", "portmap.__main__"))
)


def public(module):
    return [(name, getattr(module, name)) for name in module.__all__]


FUNCTIONS = [
    pytest.param(thing, id=f"{name}.{label}")
    for name in MODULES
    for label, thing in public(importlib.import_module(name))
    if inspect.isfunction(thing)
]


@pytest.mark.parametrize("name", MODULES)
def test_every_module_lists_what_it_really_holds(name):
    module = importlib.import_module(name)
    assert module.__doc__
    assert len(set(module.__all__)) == len(module.__all__)
    for _, thing in public(module):
        assert getattr(thing, "__module__", name) == name or not inspect.isfunction(thing)


def test_the_package_exports_little():
    assert list(portmap.__all__) == ["PortmapError", "__version__"]


def documented(function) -> list[str]:
    match = re.search(
        r"\n\s*Parameters\n\s*-+\n(.*?)(\n\s*\n\s*[A-Z]\w+\n\s*-+\n|\Z)", function.__doc__, re.S
    )
    if not match:
        return []
    indent = len(re.match(r"\s*", match.group(1)).group())
    names: list[str] = []
    for line in match.group(1).splitlines():
        if line.strip() and len(line) - len(line.lstrip()) == indent:
            names += [part.strip().lstrip("*") for part in line.split(" : ")[0].split(",")]
    return names


@pytest.mark.parametrize("function", FUNCTIONS)
def test_documented_parameters_are_those_of_the_signature(function):
    assert documented(function) == list(inspect.signature(function).parameters)


@pytest.mark.parametrize("function", FUNCTIONS)
def test_what_is_returned_is_documented(function):
    if inspect.signature(function).return_annotation not in (None, "None", "NoReturn"):
        assert re.search(r"\n\s*Returns\n\s*-+\n", function.__doc__)
