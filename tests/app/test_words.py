"""All words of the screens: every key that a page says is there, and every key that is there is said."""

import ast
import re
import string

import pytest

from portmap.app_home import app_folder, load_app

load_app()

from portmap.app.texts import all_words, say  # noqa: E402 - the app's package must be known first

SAYING = {"say", "length_label"}
SOURCES = {
    place.relative_to(app_folder()).as_posix(): place.read_text(encoding="utf-8")
    for place in sorted(app_folder().rglob("*.py"))
    if place.parent.name != "words"
}


def keys_said():
    """Where each key is said; what an f-string leaves open may be anything."""
    for name, text in SOURCES.items():
        for node in ast.walk(ast.parse(text)):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") in SAYING and node.args):
                continue
            key = node.args[0]
            if isinstance(key, ast.Constant):
                yield name, key.value, re.compile(re.escape(key.value))
            elif isinstance(key, ast.JoinedStr):
                parts = [
                    re.escape(each.value) if isinstance(each, ast.Constant) else ".+" for each in key.values
                ]
                yield name, ast.unparse(key), re.compile("".join(parts))


@pytest.mark.parametrize(
    ("name", "key", "pattern"), [pytest.param(*each, id=f"{each[0]}: {each[1]}") for each in keys_said()]
)
def test_what_a_page_says_has_words(name, key, pattern):
    assert any(pattern.fullmatch(known) for known in all_words())


def test_no_words_are_kept_that_nobody_says():
    patterns = [pattern for _, _, pattern in keys_said() if not pattern.pattern.startswith(".+")]
    everything = "\n".join(SOURCES.values())
    unsaid = [
        key
        for key in all_words()
        if not any(pattern.fullmatch(key) for pattern in patterns)
        and f'"{key}"' not in everything
        and f'"{key.rpartition(".")[0]}"' not in everything  # said as one of a few, by its first part
        and f'"{key.partition(".")[0]}."' not in everything  # handed to the editor, all of a part together
    ]
    assert unsaid == []


@pytest.mark.parametrize("key", sorted(all_words()))
def test_words_can_be_filled_in(key):
    names = {name for _, name, _, _ in string.Formatter().parse(all_words()[key]) if name is not None}
    assert all(name.isidentifier() for name in names)
    assert say(key, **dict.fromkeys(names, "x"))


def test_a_key_that_is_not_there_is_an_error():
    with pytest.raises(KeyError, match=r"no\.such\.key"):
        say("no.such.key")
