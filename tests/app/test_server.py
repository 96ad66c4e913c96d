"""The server as it runs: hosts, the code, what it refuses to start with."""

import re
import shutil
import socket
import subprocess
from urllib.parse import urlencode

import pytest
from streamlit.web.server.starlette import starlette_server

from portmap.app_home import load_app

load_app()

from portmap.app.server import (  # noqa: E402
    ServerSettings,
    port_taken,
    send_at_once,
    streamlit_config,
)
from tests.app.served_app import app_served, run_app  # noqa: E402

CODE = "PUMP2345"
PICTURE = "/portmap/picture/" + "0" * 64 + ".png"


@pytest.fixture(scope="module")
def lan(tmp_path_factory):
    with app_served(tmp_path_factory.mktemp("lan"), "--lan", "--code", CODE) as served:
        yield served


def entered(lan):
    """A pass, as the browser gets it for the code."""
    body = urlencode({"code": CODE})
    kind = {"content-type": "application/x-www-form-urlencoded"}
    status, headers, _ = lan.ask("/portmap/enter", "POST", body, **kind)
    assert status == 303
    return headers["set-cookie"].partition(";")[0]


@pytest.mark.parametrize("path", ["/", "/_stcore/health", PICTURE, "/portmap/enter"])
def test_a_wrong_host_gets_403_everywhere(lan, path):
    assert lan.ask(path, host="evil.example")[0] == 403


@pytest.mark.parametrize("path", ["/", "/_stcore/health", "/_stcore/host-config", PICTURE])
def test_without_a_pass_nothing_is_given(lan, path):
    assert lan.ask(path)[0] == 403


def test_with_a_pass_the_page_comes_and_an_unknown_picture_does_not(lan):
    cookie = entered(lan)
    status, headers, body = lan.ask("/", cookie=cookie, accept="text/html")
    assert status == 200
    assert b"<title>" in body
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert lan.ask(PICTURE, cookie=cookie)[0] == 404


def test_a_live_connection_needs_a_pass_and_the_right_host(lan):
    upgrade = {
        "connection": "Upgrade",
        "upgrade": "websocket",
        "sec-websocket-version": "13",
        "sec-websocket-key": "dGhlIHNhbXBsZSBub25jZQ==",  # RFC 6455, 1.3
    }
    own = f"127.0.0.1:{lan.port}"
    cookie = entered(lan)

    def status(host, **more):
        with socket.create_connection(("127.0.0.1", lan.port), timeout=20) as line:
            given = {"host": host, "origin": f"http://{host}", **upgrade, **more}
            head = "".join(f"{name}: {value}\r\n" for name, value in given.items())
            line.sendall(f"GET /_stcore/stream HTTP/1.1\r\n{head}\r\n".encode())
            return int(line.recv(100).split()[1])

    assert status(own) == 403
    assert status("evil.example", cookie=cookie) == 403
    assert status(own, cookie=cookie) == 101


def test_what_the_terminal_shows_leads_in(lan):
    said = lan.said.read_text()
    assert f"Access code: {CODE}" in said
    assert "not encrypted" in said
    assert re.search(r"[█▀▄]{20}", said)  # the QR code
    assert lan.ask(f"/portmap/enter?code={CODE}")[0] == 303


def test_a_port_in_use_is_said_in_one_line(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        said = run_app(tmp_path, "--port", str(port))
    assert said.strip().splitlines() == [
        f"--port: port {port} cannot be used: another program, or another portmap app, is using it;"
        " choose another, as in 8502"
    ]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--code", "abc"), "the access code is too short"),
        (("--cert", "a.pem"), "a certificate needs its key"),
        (("--cert", "a.pem", "--key", "b.pem"), "cannot be used"),
        (("--job", "none.json"), "there is no such file"),
    ],
    ids=["short code", "no key", "no files", "no job"],
)
def test_what_cannot_be_served_is_refused_before_anything_is(tmp_path, more, words):
    said = run_app(tmp_path, "--port", "8999", *more)
    assert words in said
    assert len(said.strip().splitlines()) == 1


def test_streamlit_tells_nobody_anything(tmp_path):
    config = streamlit_config(ServerSettings(port=8501, folder=tmp_path))
    assert config["browser.gatherUsageStats"] is False
    assert config["logger.hideWelcomeMessage"] is True  # else it asks another site who it is
    assert config["server.address"] == "127.0.0.1"
    assert config["server.allowedHosts"] == ["127.0.0.1", "::1", "localhost"]
    assert config["server.enableStaticServing"] is False
    assert config["server.maxUploadSize"] <= 200
    assert config["client.showErrorDetails"] == "none"


def test_a_free_port_is_free():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    assert port_taken("127.0.0.1", port) == ""


@pytest.fixture(scope="module")
def certified(tmp_path_factory):
    """A certificate that signs itself, made for the test alone."""
    if shutil.which("openssl") is None:
        pytest.skip("no openssl to make a certificate with")
    folder = tmp_path_factory.mktemp("certificate")
    words = (
        "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -addext subjectAltName=IP:127.0.0.1"
        " -keyout key.pem -out cert.pem"
    )
    subprocess.run(
        ["openssl", *words.split()],
        cwd=folder,
        check=True,
        capture_output=True,
    )
    return folder


def test_over_tls_the_whole_app_answers_and_the_pass_is_for_tls_alone(certified, tmp_path):
    cert, key = str(certified / "cert.pem"), str(certified / "key.pem")
    more = ("--lan", "--code", CODE, "--cert", cert, "--key", key)
    with app_served(tmp_path, *more, trust=certified / "cert.pem") as served:
        status, headers, _ = served.ask(f"/portmap/enter?code={CODE}")
        assert status == 303
        assert "; Secure" in headers["set-cookie"]
        cookie = headers["set-cookie"].partition(";")[0]
        status, headers, _ = served.ask("/", cookie=cookie)
        assert status == 200
        assert f"wss://127.0.0.1:{served.port}" in headers["content-security-policy"]
        assert "not encrypted" not in served.said.read_text()


def test_small_answers_are_not_held_back(monkeypatch):
    """RFC 896 holds small pieces back until the last is acknowledged; RFC 1122, 4.2.3.4, ends that."""
    monkeypatch.setattr(starlette_server, "_bind_socket", starlette_server._bind_socket)  # as it was, after
    send_at_once()
    with starlette_server._bind_socket("127.0.0.1", 0, 5) as listening:
        listening.setblocking(True)
        with socket.create_connection(listening.getsockname()) as _, listening.accept()[0] as connection:
            assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
