"""Who is let in: host names, the access code, sessions by signed cookie, headers on every answer.

Everything that the server answers goes through `Gate`, pages, pictures and the live connection alike. A
request for a host that isn't this computer's is refused, so that no other site can reach the app through a
name of its own. With an access code, a browser must have typed it before it gets anything but the page that
asks for it; after wrong codes that page makes that browser's address wait and, if many come, everybody.

Glossary
--------
pass
    The signed cookie that a browser gets for the right code; it ends after twelve hours.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import math
import re
import secrets
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, quote

from itsdangerous import BadSignature, SignatureExpired, TimestampSigner

from portmap.app.texts import say

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["ENTER_PATH", "CodeDoor", "Gate", "inline_scripts", "new_code", "security_headers"]

LETTERS = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"  # none that look alike on a greasy screen
CODE_LENGTH = 8
COOKIE = "portmap_pass"
PASS_S = 12 * 3600
ENTER_PATH = "/portmap/enter"
FREE_TRIES = 3
LONGEST_WAIT_S = 60.0
MANY_WRONG = 30  # from all addresses together within a minute
FORM_LIMIT_BYTES = 4096
ADDRESSES_KEPT = 10_000


def new_code() -> str:
    """Return an access code, about 40 bits of chance."""
    return "".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH))


@dataclass
class _Tries:
    """Wrong codes from one address."""

    wrong: int = 0
    closed_until: float = 0.0


@dataclass
class CodeDoor:
    """The access code, and how long one has to wait after wrong ones.

    Parameters
    ----------
    code : str
    now : callable, optional
        Clock [s], for tests.
    """

    code: str
    now: Callable[[], float] = time.monotonic
    _tries: dict[str, _Tries] = field(default_factory=dict)
    _lately: list[float] = field(default_factory=list)
    _signer: TimestampSigner = field(default_factory=lambda: TimestampSigner(secrets.token_bytes(32)))
    _guard: threading.Lock = field(default_factory=threading.Lock)

    def wait_s(self, address: str) -> float:
        """Return how long this address has to wait before its next try [s]."""
        with self._guard:
            return self._wait(address)

    def _wait(self, address: str) -> float:
        now = self.now()
        self._lately = [at for at in self._lately if now - at < LONGEST_WAIT_S]
        own = self._tries.get(address, _Tries()).closed_until - now
        all_s = self._lately[-1] + 1.0 - now if len(self._lately) >= MANY_WRONG else 0.0
        return max(own, all_s, 0.0)

    def try_code(self, typed: str, address: str) -> bool:
        """Return whether a typed code is right; not looked at while the address has to wait."""
        with self._guard:
            if self._wait(address) > 0:
                return False
            plain = "".join(typed.split()).upper()
            if hmac.compare_digest(plain.encode(), "".join(self.code.split()).upper().encode()):
                self._tries.pop(address, None)
                return True
            if len(self._tries) >= ADDRESSES_KEPT:
                del self._tries[next(iter(self._tries))]
            tries = self._tries.setdefault(address, _Tries())
            tries.wrong += 1
            if tries.wrong >= FREE_TRIES:
                wait = min(2.0 ** (tries.wrong - FREE_TRIES), LONGEST_WAIT_S)
                tries.closed_until = self.now() + wait
            self._lately.append(self.now())
            return False

    def new_pass(self) -> str:
        """Return a cookie's value that lets a browser in."""
        return self._signer.sign(secrets.token_hex(16)).decode()

    def pass_state(self, value: str | None) -> str:
        """Return ``good``, ``expired`` or ``none`` for a cookie's value."""
        if not value:
            return "none"
        try:
            self._signer.unsign(value, max_age=PASS_S)
        except SignatureExpired:
            return "expired"
        except BadSignature:
            return "none"
        return "good"


def inline_scripts(page: str) -> tuple[str, ...]:
    """Return the hashes by which a policy may allow the scripts that stand inside an HTML page.

    Parameters
    ----------
    page : str
        HTML.

    Returns
    -------
    tuple of str
        As Content Security Policy 3 writes them: ``'sha256-...'``.
    """
    inside = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    return tuple(
        f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in inside
    )


def security_headers(host: str, *, tls: bool, scripts: tuple[str, ...] = ()) -> dict[str, str]:
    """Return the headers that go with every answer.

    Parameters
    ----------
    host : str
        As the browser named it, with its port.
    tls : bool
        Whether the connection is encrypted.
    scripts : tuple of str, optional
        Hashes of scripts that may stand inside a page.

    Returns
    -------
    dict of str to str
    """
    live = f"{'wss' if tls else 'ws'}://{host}"
    policy = {
        "default-src": "'self'",
        # code comes in files; inside a page only what Streamlit's own one has, known by its hash
        "script-src": " ".join(("'self'", "'wasm-unsafe-eval'", "blob:", *scripts)),
        "style-src": "'self' 'unsafe-inline'",
        "img-src": "'self' data: blob:",
        "font-src": "'self' data:",
        "media-src": "'self' blob:",
        "connect-src": f"'self' {live}",
        "worker-src": "'self' blob:",
        "object-src": "'none'",
        "base-uri": "'self'",
        "form-action": "'self'",
        "frame-ancestors": "'none'",
    }
    headers = {
        "content-security-policy": "; ".join(f"{name} {value}" for name, value in policy.items()),
        "x-content-type-options": "nosniff",
        "x-frame-options": "DENY",
        "referrer-policy": "no-referrer",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "permissions-policy": "camera=(self), microphone=(), geolocation=(), payment=(), usb=()",
    }
    if tls:
        headers["strict-transport-security"] = "max-age=86400"
    return headers


class Gate:
    """The server's outermost layer.

    Parameters
    ----------
    app : ASGI application
        What is behind it.
    hosts : collection of str
        Names and addresses of this computer, lower case, without a port.
    door : CodeDoor or None
        None lets in who reaches it: on loopback.
    tls : bool
        Whether the connection is encrypted.
    scripts : tuple of str, optional
        As in `security_headers`.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: frozenset[str],
        door: CodeDoor | None,
        tls: bool,
        scripts: tuple[str, ...] = (),
    ) -> None:
        self.app, self.hosts, self.door, self.tls, self.scripts = app, hosts, door, tls, scripts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through or answer it here."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        host = headers.get("host", "")
        if _bare(host) not in self.hosts:
            await self._refuse(scope, send, 403, say("gate.host", host=escape(host[:80]) or "–"))
            return
        extra = security_headers(host, tls=self.tls, scripts=self.scripts)
        state = "good" if self.door is None else self.door.pass_state(_cookie(headers.get("cookie", "")))
        if self.door is not None and scope["type"] == "http" and scope["path"] == ENTER_PATH:
            await self._enter(self.door, scope, receive, send, extra)
            return
        if state != "good":
            if (
                scope["type"] == "http"
                and scope["method"] == "GET"
                and "text/html" in headers.get("accept", "")
            ):
                way = f"{ENTER_PATH}?expired=1" if state == "expired" else ENTER_PATH
                await _answer(send, 303, b"", {**extra, "location": way})
                return
            await self._refuse(scope, send, 403, say("gate.nopass"), extra)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                there = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [
                    *message["headers"],
                    *(
                        (name.encode(), value.encode("latin-1"))
                        for name, value in extra.items()
                        if name.encode() not in there
                    ),
                ]
            await send(message)

        await self.app(scope, receive, send_with_headers)

    async def _refuse(
        self, scope: Scope, send: Send, status: int, words: str, extra: Mapping[str, str] | None = None
    ) -> None:
        if scope["type"] == "websocket":  # closed before it was accepted: the browser sees 403
            await send({"type": "websocket.close", "code": 1008})
            return
        await _answer(send, status, _page(f"<p>{words}</p>"), {**_HTML, **(extra or {})})

    async def _enter(
        self, door: CodeDoor, scope: Scope, receive: Receive, send: Send, extra: Mapping[str, str]
    ) -> None:
        """Ask for the code, or look at the one typed."""
        address = (scope.get("client") or ("unknown", 0))[0]
        query = parse_qs(scope["query_string"].decode("latin-1"))
        typed = query.get("code", [""])[0] if scope["method"] == "GET" else await _typed(receive)
        answer = {**_HTML, **extra, "cache-control": "no-store"}
        if not typed:
            words = say("gate.expired") if "expired" in query else ""
            await _answer(send, 200, _page(_form(words)), answer)
            return
        waits = door.wait_s(address)
        if waits <= 0 and door.try_code(typed, address):
            secure = "; Secure" if self.tls else ""
            cookie = f"{COOKIE}={door.new_pass()}; Path=/; HttpOnly; SameSite=Lax; Max-Age={PASS_S}{secure}"
            await _answer(send, 303, b"", {**extra, "location": "/", "set-cookie": cookie})
            return
        waits = max(waits, door.wait_s(address))
        if waits > 0:
            seconds = math.ceil(waits)
            words = say("gate.wait", seconds=seconds)
            await _answer(send, 429, _page(_form(words)), {**answer, "retry-after": str(seconds)})
            return
        await _answer(send, 403, _page(_form(say("gate.wrong"))), answer)


_HTML = {"content-type": "text/html; charset=utf-8"}


async def _answer(send: Send, status: int, body: bytes, headers: Mapping[str, str]) -> None:
    pairs = [(name.encode(), value.encode("latin-1")) for name, value in headers.items()]
    pairs.append((b"content-length", str(len(body)).encode()))
    await send({"type": "http.response.start", "status": status, "headers": pairs})
    await send({"type": "http.response.body", "body": body})


async def _typed(receive: Receive) -> str:
    """Return the code in a form's body; a body too long holds none."""
    body = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return ""
        body += message.get("body", b"")
        if len(body) > FORM_LIMIT_BYTES:
            return ""
        if not message.get("more_body"):
            return parse_qs(body.decode("latin-1")).get("code", [""])[0]


def _bare(host: str) -> str:
    """Return a host without its port, lower case; empty if it isn't one."""
    found = re.fullmatch(r"(?:\[([0-9A-Fa-f:.]+)\]|([A-Za-z0-9._-]+))(?::[0-9]{1,5})?", host)
    return "" if found is None else (found[1] or found[2]).lower()


def _cookie(header: str) -> str | None:
    for part in header.split(";"):
        name, _, value = part.strip().partition("=")
        if name == COOKIE:
            return value
    return None


def _form(words: str) -> str:
    said = f'<p role="alert"><b>{escape(words)}</b></p>' if words else ""
    return (
        f"<p>{escape(say('gate.ask'))}</p>{said}"
        f'<form method="post" action="{quote(ENTER_PATH)}">'
        f'<label for="code">{escape(say("gate.code"))}</label>'
        '<input id="code" name="code" autocomplete="off" autocapitalize="characters" spellcheck="false"'
        f' maxlength="64" autofocus required><button>{escape(say("gate.enter"))}</button></form>'
    )


def _page(inner: str) -> bytes:
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8">'
        f"<title>{escape(say('app.name'))}</title>"
        '<link rel="icon" href="data:,"><meta name="viewport" content="width=device-width, initial-scale=1">'
        "<style>"
        "body{font:20px/1.5 sans-serif;max-width:26em;margin:2em auto;padding:0 1em;color:#222;"
        "background:#fff}"
        "input,button{font:inherit;display:block;width:100%;box-sizing:border-box;min-height:3em;"
        "margin:.5em 0;padding:0 .6em;border:2px solid #555;border-radius:8px}"
        "input{font-family:monospace;letter-spacing:.15em;text-transform:uppercase}"
        "button{background:#0b5a8a;border-color:#0b5a8a;color:#fff;font-weight:bold}"
        f"</style><main><h1>{escape(say('app.name'))}</h1>{inner}</main></html>"
    ).encode()
