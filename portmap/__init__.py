"""portmap: port shapes, areas, time-areas and build sheets for two-stroke cylinders.

Each part is usable alone; import it by name, for instance ``from portmap.crank import Crank``.
Only what every caller meets is exported here, so that ``import portmap`` stays instant.
"""

from portmap.errors import PortmapError

__all__ = ["PortmapError", "__version__"]

__version__ = "0.1.0"
