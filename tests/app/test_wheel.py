"""The app out of an installed wheel: under portmap, and no module called app for everybody."""

import os
import re
import subprocess
import sys
import time
import zipfile

import pytest

from tests.app.browsers import REPO, free_port
from tests.app.served_app import Served

NEEDED = (
    "__init__.py",
    "main.py",
    "server.py",
    "look.css",
    "icon.png",
    "screens/cylinder.py",
    "words/shell.py",
)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=REPO,
        check=True,
        capture_output=True,
    )
    (found,) = folder.glob("*.whl")
    return found


@pytest.mark.long
def test_the_wheel_carries_the_app_under_portmap_and_nowhere_else(wheel):
    with zipfile.ZipFile(wheel) as packed:
        names = packed.namelist()
    for name in NEEDED:
        assert f"portmap/app/{name}" in names
    assert {name.partition("/")[0] for name in names if ".dist-info" not in name} == {"portmap"}
    assert not [name for name in names if "__pycache__" in name or re.search(r"\.(log|part)$", name)]
    ours = {place.relative_to(REPO / "app").as_posix() for place in (REPO / "app").rglob("*.*")}
    packed_ours = {name.removeprefix("portmap/app/") for name in names if name.startswith("portmap/app/")}
    assert {name for name in ours if "__pycache__" not in name} <= packed_ours


@pytest.mark.long
def test_the_app_runs_from_an_installed_wheel(wheel, tmp_path):
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(tmp_path / "installed")
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import portmap;"
        " assert portmap.__file__.startswith(sys.argv[1]);"
        " from portmap.app_home import app_folder; assert str(app_folder()).startswith(sys.argv[1]);"
        " from portmap.cli import main; sys.exit(main(sys.argv[2:]))"
    )
    port = free_port()
    said = tmp_path / "said"
    work = tmp_path / "work"
    work.mkdir()
    with said.open("wb") as log:
        server = subprocess.Popen(
            [
                sys.executable,
                "-c",
                code,
                str(tmp_path / "installed"),
                "app",
                "--port",
                str(port),
                "--no-browser",
            ],
            cwd=work,
            stdout=log,
            stderr=log,
            env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
        )
    served = Served(port=port, folder=work, said=said)
    try:
        for _ in range(600):
            assert server.poll() is None, said.read_text()
            try:
                status, _, body = served.ask("/", accept="text/html")
            except OSError:
                time.sleep(0.1)
            else:
                break
        assert status == 200
        assert b"<title>" in body
    finally:
        server.terminate()
        server.wait(20)
