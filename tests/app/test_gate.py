"""Who is let in: hosts, codes, passes, headers; the server's layer is called directly, without a network."""

import asyncio
import base64
import hashlib
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import urlencode

import pytest

from portmap.app_home import load_app

load_app()

from portmap.app import gate as gates  # noqa: E402 - the app's package must be known first
from portmap.app.gate import ENTER_PATH, CodeDoor, Gate, inline_scripts, new_code  # noqa: E402

HOSTS = frozenset({"localhost", "127.0.0.1", "::1", "192.168.7.9"})
CODE = "PUMP2345"


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


async def _inner(scope, receive, send):
    """The app behind the gate."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        return
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-type", b"text/plain")]})
    await send({"type": "http.response.body", "body": b"inside"})


def asked(gate, path="/", *, method="GET", kind="http", body=b"", query="", client="192.168.7.50", **headers):
    """What the gate answers: status, headers, body."""
    sent = []
    given = {"host": "127.0.0.1:8501", "accept": "text/html", **headers}

    waiting = [{"type": "http.request", "body": body, "more_body": False}]

    async def receive():
        if not waiting:
            await asyncio.Event().wait()  # the browser says no more
        return waiting.pop()

    async def send(message):
        sent.append(message)

    scope = {
        "type": kind,
        "path": path,
        "method": method,
        "query_string": query.encode(),
        "client": (client, 50000),
        "headers": [(name.encode(), value.encode()) for name, value in given.items()],
    }
    # in a thread of its own: the browser of other tests may keep a loop running in this one
    with ThreadPoolExecutor(1) as apart:
        apart.submit(asyncio.run, gate(scope, receive, send)).result()
    first = sent[0]
    if kind == "websocket":
        return first["type"], {}, b""
    found = {name.decode(): value.decode() for name, value in first["headers"]}
    return first["status"], found, b"".join(message.get("body", b"") for message in sent[1:])


def typed(gate, code, **more):
    """The answer to a code typed into the form."""
    return asked(gate, ENTER_PATH, method="POST", body=urlencode({"code": code}).encode(), **more)


def lan_gate(clock=None):
    return Gate(_inner, hosts=HOSTS, door=CodeDoor(CODE, now=clock or Clock()), tls=False)


def loopback_gate():
    return Gate(_inner, hosts=HOSTS, door=None, tls=False)


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("127.0.0.1:8501", 200),
        ("localhost", 200),
        ("LOCALHOST:8501", 200),
        ("[::1]:8501", 200),
        ("192.168.7.9:8501", 200),
        ("evil.example", 403),
        ("127.0.0.1.evil.example", 403),
        ("127.0.0.1:8501; script-src *", 403),
        ("user@127.0.0.1", 403),
        ("", 403),
    ],
)
def test_only_this_computers_names_are_answered(host, status):
    assert asked(loopback_gate(), host=host)[0] == status


def test_a_live_connection_for_another_host_is_closed_before_it_is_accepted():
    assert asked(loopback_gate(), kind="websocket", host="evil.example")[0] == "websocket.close"
    assert asked(loopback_gate(), kind="websocket")[0] == "websocket.accept"


def test_the_name_that_was_asked_for_is_written_as_text_in_the_refusal():
    body = asked(loopback_gate(), host="<script>alert(1)</script>")[2]
    assert b"<script>" not in body
    assert b"&lt;script&gt;" in body


def test_on_loopback_nobody_is_asked_for_a_code():
    assert asked(loopback_gate())[2] == b"inside"


@pytest.mark.parametrize(
    "path", ["/", "/measure", "/_stcore/health", "/portmap/picture/" + "0" * 64 + ".png"]
)
def test_without_a_pass_nothing_is_given(path):
    assert asked(lan_gate(), path, accept="*/*")[0] == 403
    assert asked(lan_gate(), kind="websocket")[0] == "websocket.close"


def test_a_page_asked_for_without_a_pass_leads_to_the_form():
    status, headers, _ = asked(lan_gate())
    assert (status, headers["location"]) == (303, ENTER_PATH)
    status, _, body = asked(lan_gate(), ENTER_PATH)
    assert status == 200
    assert b'name="code"' in body


@pytest.mark.parametrize("code", [CODE, "pump2345", " pump 2345 "])
def test_the_right_code_gives_a_pass_that_lets_in(code):
    gate = lan_gate()
    status, headers, _ = typed(gate, code)
    assert (status, headers["location"]) == (303, "/")
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Secure" not in cookie
    value = cookie.partition(";")[0]
    assert asked(gate, cookie=f"other=1; {value}")[2] == b"inside"
    assert asked(gate, kind="websocket", cookie=value)[0] == "websocket.accept"


def test_the_link_of_the_qr_code_lets_in_too():
    assert asked(lan_gate(), ENTER_PATH, query=f"code={CODE}")[0] == 303


def test_over_tls_the_pass_is_for_tls_alone():
    gate = Gate(_inner, hosts=HOSTS, door=CodeDoor(CODE), tls=True)
    assert "; Secure" in typed(gate, CODE)[1]["set-cookie"]
    assert "strict-transport-security" in asked(gate, ENTER_PATH)[1]


@pytest.mark.parametrize("value", ["", "x", "abc.def.ghi", "portmap"])
def test_a_pass_that_was_not_given_lets_nobody_in(value):
    assert asked(lan_gate(), accept="*/*", cookie=f"portmap_pass={value}")[0] == 403


def test_a_pass_of_another_run_of_the_server_lets_nobody_in():
    value = typed(lan_gate(), CODE)[1]["set-cookie"].partition(";")[0]
    assert asked(lan_gate(), accept="*/*", cookie=value)[0] == 403


def test_a_pass_runs_out_and_says_so(monkeypatch):
    gate = lan_gate()
    value = typed(gate, CODE)[1]["set-cookie"].partition(";")[0]
    monkeypatch.setattr(gates, "PASS_S", -1)
    status, headers, _ = asked(gate, cookie=value)
    assert (status, headers["location"]) == (303, f"{ENTER_PATH}?expired=1")
    assert b"run out" in asked(gate, ENTER_PATH, query="expired=1")[2]


def test_wrong_codes_make_their_address_wait_longer_and_longer_and_no_other():
    clock = Clock()
    gate = lan_gate(clock)
    assert [typed(gate, "WRONG234")[0] for _ in range(3)] == [403, 403, 429]
    assert typed(gate, CODE)[0] == 429  # even the right one has to wait now
    assert typed(gate, CODE, client="192.168.7.51")[0] == 303
    waits = []
    for _ in range(8):
        wait = gate.door.wait_s("192.168.7.50")
        waits.append(wait)
        clock.now += wait
        status, headers, _ = typed(gate, "WRONG234")
        assert status == 429
        assert int(headers["retry-after"]) >= wait
    assert waits == pytest.approx([1, 2, 4, 8, 16, 32, 60, 60])
    clock.now += 60
    assert typed(gate, CODE)[0] == 303


def test_wrong_codes_from_many_addresses_make_everybody_wait():
    clock = Clock()
    gate = lan_gate(clock)
    for number in range(gates.MANY_WRONG):
        typed(gate, "WRONG234", client=f"192.168.8.{number}")
    assert typed(gate, CODE, client="192.168.9.1")[0] == 429
    clock.now += 1.0
    assert typed(gate, CODE, client="192.168.9.1")[0] == 303


def test_a_form_too_long_is_no_code():
    status, _, body = asked(lan_gate(), ENTER_PATH, method="POST", body=b"code=" + b"A" * 10_000)
    assert status == 200
    assert b'name="code"' in body


def test_codes_made_up_differ_and_have_no_letters_that_look_alike():
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert not set("".join(codes)) & set("01OIL")


def test_every_answer_carries_the_headers_that_keep_others_out():
    for headers in (asked(loopback_gate())[1], asked(lan_gate(), ENTER_PATH)[1]):
        policy = headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe-eval'" not in policy.replace("wasm-unsafe-eval'", "")
        assert "'unsafe-inline'" not in policy.partition("script-src")[2].partition(";")[0]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"


def test_scripts_inside_a_page_are_known_by_their_hash():
    # Content Security Policy Level 3, 8.3 (usage of hashes), from memory: of the text between the tags
    text = "\n      window.ready = false\n    "
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    page = f'<script>{text}</script><script src="a.js"></script>'
    assert inline_scripts(page) == (f"'sha256-{digest}'",)
