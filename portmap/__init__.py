"""portmap: port shapes, areas, time-areas and build sheets for two-stroke cylinders.

Each part is usable alone; import it by name, for instance ``from portmap.crank import Crank``.
Only what every caller meets is exported here, and loaded when it is asked for, so that ``import portmap``
stays instant.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from portmap.errors import PortmapError

__all__ = ["PortmapError", "__version__"]

__version__ = "0.1.0"


def __getattr__(name: str) -> object:
    """Return what is exported but not loaded yet."""
    if name == "PortmapError":
        from portmap.errors import PortmapError

        return PortmapError
    raise AttributeError(f"module 'portmap' has no attribute {name!r}")
