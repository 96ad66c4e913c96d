"""The server of the app: Streamlit behind our own gate, with routes of our own for pictures."""

from __future__ import annotations

import errno
import socket
import threading
import time
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

from portmap.app import store
from portmap.app.gate import CodeDoor, Gate, inline_scripts
from portmap.app.pictures import PICTURE_PATH, picture_response
from portmap.app_home import app_folder
from portmap.errors import OutputError

if TYPE_CHECKING:
    import streamlit as st

__all__ = [
    "ServerSettings",
    "app_of",
    "check_port",
    "own_addresses",
    "port_taken",
    "send_at_once",
    "serve",
    "streamlit_config",
]

LOOPBACK = "127.0.0.1"
EVERYWHERE = "0.0.0.0"  # noqa: S104 - only for --lan, behind the code
UPLOAD_LIMIT_MB = 160  # a picture of 50 megapixels, uncompressed
MESSAGE_LIMIT_MB = 64
WARM_AFTER_S, WARM_PAUSE_S = 6.0, 0.5
WARMED = ("measure", "picture", "decide", "markout", "ground", "paper", "archive")


@dataclass(frozen=True, kw_only=True, slots=True)
class ServerSettings:
    """How the app is served.

    Parameters
    ----------
    port : int
    lan : bool
        For other devices in the network too; then `code` must be set.
    code : str or None
        Access code.
    cert, key : Path or None
        For an encrypted connection.
    names : tuple of str
        Further names of this computer.
    folder : Path
        Working folder.
    job : Path or None
        Opened first.
    """

    port: int
    folder: Path
    lan: bool = False
    code: str | None = None
    cert: Path | None = None
    key: Path | None = None
    names: tuple[str, ...] = ()
    job: Path | None = None

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted."""
        return self.cert is not None

    @property
    def address(self) -> str:
        """Where the server listens."""
        return EVERYWHERE if self.lan else LOOPBACK

    def hosts(self) -> frozenset[str]:
        """Return the names under which a browser may ask."""
        own = own_addresses() if self.lan else ()
        return frozenset(name.lower() for name in ("localhost", LOOPBACK, "::1", *own, *self.names))

    def link(self) -> str:
        """Return what to type into a browser."""
        host = own_addresses()[0] if self.lan and own_addresses() else LOOPBACK
        return f"{'https' if self.tls else 'http'}://{host}:{self.port}"


def own_addresses() -> tuple[str, ...]:
    """Return this computer's addresses and names in its network, the likeliest first."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation; connecting UDP sends nothing
            found.append(str(probe.getsockname()[0]))
        except OSError:
            found = []  # no network at all
    name = socket.gethostname()
    try:
        found += [str(entry[4][0]) for entry in socket.getaddrinfo(name, None, type=socket.SOCK_STREAM)]
    except OSError:
        name = name or "localhost"  # the name leads nowhere; it may still be typed
    found += [name, f"{name}.local"]
    return tuple(dict.fromkeys(found))


def port_taken(address: str, port: int) -> str:
    """Return why a port cannot be had, in a few words; empty if it can."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            if error.errno == errno.EADDRINUSE:
                return "another program, or another portmap app, is using it"
            return error.strerror or str(error)
    return ""


def check_port(settings: ServerSettings) -> None:
    """Raise if the port cannot be had.

    Raises
    ------
    OutputError
        Which, and why.
    """
    if why := port_taken(settings.address, settings.port):
        raise OutputError(
            f"port {settings.port} cannot be used: {why}", where="--port", remedy="choose another, as in 8502"
        )


def streamlit_config(settings: ServerSettings) -> dict[str, Any]:
    """Return Streamlit's settings, whatever files of its own say otherwise."""
    chosen: dict[str, Any] = {
        "server.address": settings.address,
        "server.port": settings.port,
        "server.headless": True,  # opens no browser and asks for no mail address
        "server.allowedHosts": sorted(settings.hosts()),
        "server.enableCORS": True,
        "server.enableXsrfProtection": True,
        "server.enableStaticServing": False,
        "server.baseUrlPath": "",
        "server.maxUploadSize": UPLOAD_LIMIT_MB,
        "server.maxMessageSize": MESSAGE_LIMIT_MB,
        "server.fileWatcherType": "none",
        "server.runOnSave": False,
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        "client.showErrorLinks": False,
        "global.developmentMode": False,
        "logger.hideWelcomeMessage": True,  # it would ask another site for this computer's address
        "logger.level": "warning",
        "theme.light.primaryColor": "#0b5a8a",
        "theme.light.backgroundColor": "#ffffff",
        "theme.dark.primaryColor": "#1f78b0",
        "theme.dark.backgroundColor": "#121212",
        "theme.baseFontSize": 18,
        "theme.baseRadius": "8px",
    }
    if settings.cert is not None and settings.key is not None:
        chosen |= {"server.sslCertFile": str(settings.cert), "server.sslKeyFile": str(settings.key)}
    return chosen


def app_of(settings: ServerSettings) -> st.App:
    """Return the whole application: gate, pictures, pages."""
    import streamlit as st
    from starlette.middleware import Middleware
    from starlette.routing import Route

    door = None if settings.code is None else CodeDoor(settings.code)
    shell = Path(st.__file__).parent / "static" / "index.html"
    scripts = inline_scripts(shell.read_text(encoding="utf-8"))
    gate = Middleware(Gate, hosts=settings.hosts(), door=door, tls=settings.tls, scripts=scripts)
    return st.App(
        app_folder() / "main.py",
        routes=[Route(PICTURE_PATH, picture_response)],
        middleware=[gate],
    )


def serve(settings: ServerSettings, *, browser: bool) -> None:
    """Serve the app until it is stopped.

    Parameters
    ----------
    settings : ServerSettings
    browser : bool
        Open one when the server answers.

    Raises
    ------
    OutputError
        If the port cannot be had.
    """
    check_port(settings)
    store.use_folder(settings.folder)
    store.use_first_job(settings.job)
    threading.Thread(target=_warm, daemon=True).start()
    if browser:
        threading.Thread(target=_open_browser, args=(settings,), daemon=True).start()
    send_at_once()
    app_of(settings).run(config=streamlit_config(settings))


def send_at_once() -> None:
    """Have Streamlit's server send small answers at once.

    It leaves the socket's protocol unnamed, so that asyncio does not know it for TCP and lets the system hold
    back small pieces (RFC 896) until the browser has acknowledged the one before, which it does 40 ms late
    (RFC 1122, 4.2.3.2): at every file after a connection's first one, and at every message of a page.
    Connections take the option from the socket that they come in by.
    """
    from streamlit.web.server.starlette import starlette_server

    bind: Callable[..., socket.socket] | None = getattr(starlette_server, "_bind_socket", None)
    if bind is None or getattr(bind, "sends_at_once", False):
        return  # a Streamlit that binds otherwise is as slow as it is

    def bound(*args: Any, **more: Any) -> socket.socket:
        listening = bind(*args, **more)
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return listening

    bound.sends_at_once = True  # type: ignore[attr-defined]
    starlette_server._bind_socket = bound


def _warm() -> None:
    """Import what the pages need while nobody waits for them: the first at once, the others with pauses."""
    import_module("portmap.app.screens.cylinder")
    time.sleep(WARM_AFTER_S)  # the first visitor's first page comes before
    for name in WARMED:
        import_module(f"portmap.app.screens.{name}")
        time.sleep(WARM_PAUSE_S)


def _open_browser(settings: ServerSettings) -> None:
    """Open a browser as soon as the server answers."""
    for _ in range(100):
        with socket.socket() as probe:
            probe.settimeout(0.2)
            if probe.connect_ex((LOOPBACK, settings.port)) == 0:
                webbrowser.open(settings.link())
                return
        time.sleep(0.1)
