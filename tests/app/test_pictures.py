"""Pictures for the screen: names that nobody can guess, and what comes under them."""

import re

import pytest
from starlette.applications import Starlette
from starlette.routing import Route

from portmap.app_home import load_app

load_app()

from portmap.app import pictures  # noqa: E402 - the app's package must be known first
from portmap.app.pictures import PICTURE_PATH, picture_address, picture_file, picture_response  # noqa: E402
from tests.app.test_gate import asked  # noqa: E402


@pytest.fixture
def served():
    return Starlette(routes=[Route(PICTURE_PATH, picture_response)])


def test_the_same_picture_keeps_its_name_and_another_has_another():
    first = picture_address(b"one picture", "png")
    assert first == picture_address(b"one picture", "png")
    assert first != picture_address(b"another", "png")
    assert re.fullmatch(r"/portmap/picture/[0-9a-f]{64}\.png", first)


def test_the_name_is_not_the_contents_own_hash():
    import hashlib

    assert hashlib.sha256(b"one picture").hexdigest() not in picture_address(b"one picture", "png")


def test_a_picture_is_kept_by_the_browser_of_who_got_it_and_by_nobody_between(served):
    status, headers, body = asked(served, picture_address(b"\x89PNG whole file", "png"))
    assert (status, body) == (200, b"\x89PNG whole file")
    assert headers["content-type"] == "image/png"
    assert headers["cache-control"] == "private, max-age=31536000, immutable"


@pytest.mark.parametrize("name", ["0" * 64 + ".png", "..%2Fsecret.png", "a.png", "0" * 64 + ".json"])
def test_a_name_that_was_not_given_out_finds_nothing(served, name):
    assert picture_file(name) is None
    assert asked(served, f"/portmap/picture/{name}")[0] == 404


def test_a_kind_that_is_no_picture_is_refused():
    with pytest.raises(ValueError, match="none of png, jpeg, webp"):
        picture_address(b"<script>", "html")


def test_when_the_shelf_is_full_the_longest_unused_go(monkeypatch):
    monkeypatch.setattr(pictures, "ROOM_BYTES", 40)
    names = [picture_address(bytes([number]) * 15, "png").rpartition("/")[2] for number in range(3)]
    assert picture_file(names[0]) is None
    assert picture_file(names[2]) is not None
