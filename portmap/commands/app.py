"""The verb that serves the screens: app."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from portmap.commands.options import AsJson

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["app"]

LEAST_CODE = 6  # letters


def app(
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Where it listens.")] = 8501,
    lan: Annotated[
        bool,
        typer.Option(
            "--lan", help="For a phone in the shop too, behind an access code; else for this computer alone."
        ),
    ] = False,
    code: Annotated[
        str | None, typer.Option("--code", metavar="CODE", help="The access code; made up unless told.")
    ] = None,
    cert: Annotated[
        Path | None,
        typer.Option("--cert", metavar="FILE", help="Certificate, PEM: encrypts the connection, with --key."),
    ] = None,
    key: Annotated[Path | None, typer.Option("--key", metavar="FILE", help="Its private key, PEM.")] = None,
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name", metavar="HOST", help="A further name of this computer. May be given several times."
        ),
    ] = None,
    job: Annotated[
        Path | None,
        typer.Option("--job", metavar="FILE", help="Open this job; its folder becomes the working folder."),
    ] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Open no browser.")] = False,
    as_json: AsJson = False,
) -> None:
    """Serve the screens, from photo to marked-out roof, to a browser.

    Jobs are read from and written into the working folder: where you start it, or that of --job. On loopback
    unless --lan; a code then stands here, also as a QR code for a phone's camera. Ctrl+C ends it.
    """
    import importlib

    from portmap.app_home import load_app
    from portmap.commands.screen import answer

    _check(code, cert, key, job)
    load_app()
    server: Any = importlib.import_module("portmap.app.server")
    gate: Any = importlib.import_module("portmap.app.gate")
    settings = server.ServerSettings(
        port=port,
        folder=Path.cwd() if job is None else job.resolve().parent,
        lan=lan,
        code=(code or gate.new_code()) if lan or code else None,
        cert=cert,
        key=key,
        names=tuple(name or ()),
        job=job,
    )
    server.check_port(settings)
    link = settings.link()
    enter = f"{link}{gate.ENTER_PATH}?code={settings.code}"
    document = {"url": link, "code": settings.code, "lan": lan, "folder": str(settings.folder)}

    def show(console: Console) -> None:
        console.print(f"portmap is at {link}, jobs are in {settings.folder}.")
        if settings.code is not None:
            console.print(f"Access code: {settings.code}")
        if lan:
            _show_qr(enter)
            if not settings.tls:
                console.print(
                    "The connection is not encrypted: use it in a network you trust, or give --cert and"
                    " --key."
                )
        console.print("Ctrl+C ends it.")

    answer(document, as_json=as_json, show=show)
    server.serve(settings, browser=not no_browser)


def _check(code: str | None, cert: Path | None, key: Path | None, job: Path | None) -> None:
    """Refuse what cannot be served, before anything is."""
    import ssl

    from portmap.errors import QuantityError
    from portmap.job import read_job

    if code is not None and (len(code.strip()) < LEAST_CODE or not code.isascii()):
        raise QuantityError(
            "the access code is too short or has letters not on every keyboard",
            where="--code",
            remedy=f"take at least {LEAST_CODE} plain letters and digits, or leave it out",
        )
    if (cert is None) != (key is None):
        raise QuantityError(
            "a certificate needs its key, and a key its certificate",
            where="--cert" if key is None else "--key",
            remedy="give both",
        )
    if cert is not None and key is not None:
        try:
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert, key, password="")
        except (ssl.SSLError, OSError) as error:
            raise QuantityError(
                f"the certificate and its key cannot be used ({error.strerror or error})",
                where=f"{cert}, {key}",
                remedy="name two PEM files that belong together",
            ) from error
    if job is not None:
        read_job(job)


def _show_qr(link: str) -> None:
    """Draw the link for a phone's camera."""
    import sys

    import segno

    sys.stdout.flush()
    segno.make(link, error="m").terminal(compact=True)
