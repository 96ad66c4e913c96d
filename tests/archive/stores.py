"""Stores of pictures for the tests: a folder, memory, and a server that speaks S3 (moto's), started here."""

import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager

START_S = 120  # of a server that imports much, on a machine that does other work


@contextmanager
def s3_server() -> Iterator[str]:
    """Hold moto's server, empty, and give its address; the environment leads to it meanwhile."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    log = tempfile.TemporaryFile()  # noqa: SIM115 - the server's, as long as that runs
    server = subprocess.Popen(
        [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)], stdout=log, stderr=log
    )
    address = f"http://127.0.0.1:{port}"
    told = {
        "AWS_ENDPOINT_URL_S3": address,
        "AWS_ACCESS_KEY_ID": "made-up",  # moto asks for some, and takes any
        "AWS_SECRET_ACCESS_KEY": "made-up",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
    }
    before = {name: os.environ.get(name) for name in told}
    os.environ.update(told)
    try:
        _wait_for(server, port)
        yield address
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        server.kill()
        server.wait(20)
        log.close()


def _wait_for(server: subprocess.Popen[bytes], port: int) -> None:
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        if server.poll() is not None:
            raise RuntimeError(f"moto's server ended with {server.returncode}")
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise RuntimeError("moto's server does not answer")
