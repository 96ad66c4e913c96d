"""Where the screens of the app are, and how they come to be importable as `portmap.app`.

In a working copy they stand in `app/` beside the package; an installed wheel carries the same folder inside
the package. Either way their name is `portmap.app`, so that nobody's site-packages gets a module called app.
"""

from __future__ import annotations

import importlib.util
import sys
from importlib import import_module
from pathlib import Path
from types import ModuleType

from portmap.errors import PortmapError

__all__ = ["app_folder", "load_app"]

NAME = "portmap.app"


def app_folder() -> Path:
    """Return the folder of the app's pages.

    Returns
    -------
    Path

    Raises
    ------
    PortmapError
        If they are not installed.

    Examples
    --------
    >>> (app_folder() / "main.py").is_file()
    True
    """
    package = Path(__file__).parent
    for place in (package / "app", package.parent / "app"):
        if (place / "main.py").is_file():
            return place
    raise PortmapError(
        "the screens of the app are not there",
        where="app",
        remedy="install portmap from its wheel or its repository",
    )


def load_app() -> ModuleType:
    """Return the package `portmap.app`, whose modules can be imported from then on.

    Returns
    -------
    module

    Raises
    ------
    PortmapError
        As `app_folder`.

    Examples
    --------
    >>> load_app().__name__
    'portmap.app'
    """
    known = sys.modules.get(NAME)
    if known is not None:
        return known
    folder = app_folder()
    spec = importlib.util.spec_from_file_location(
        NAME, folder / "__init__.py", submodule_search_locations=[str(folder)]
    )
    if spec is None or spec.loader is None:
        raise PortmapError("the app's folder holds no package", where=str(folder), remedy="install it anew")
    module = importlib.util.module_from_spec(spec)
    sys.modules[NAME] = module
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[NAME]
        raise
    import_module("portmap").__dict__["app"] = module
    return module
