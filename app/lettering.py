"""The line drawings with their lettering: shapes in `app/drawings`, words in `portmap.app.words`.

A drawing holds no words of its own. Where lettering stands it has an element with ``data-say="key"``; what is
said there is ``drawing.name.key``. Figures that are the same in every language (a degree, a step's number)
stay in the drawing.

Glossary
--------
lettering
    Words in a drawing. A line break in the words is one in the drawing.
"""

from __future__ import annotations

from functools import cache
from xml.etree import ElementTree

from portmap.app.texts import say
from portmap.app_home import app_folder

__all__ = ["LINE", "SAY", "lettered_drawing"]

SAY = "data-say"
SVG = "http://www.w3.org/2000/svg"
LINE = 18  # from line to line, for letters of 16 [units of the drawing]


@cache
def lettered_drawing(name: str) -> str:
    """Return a drawing with its lettering.

    Parameters
    ----------
    name : str
        Of a file in `app/drawings`, without its ending.

    Returns
    -------
    str
        SVG.
    """
    root = ElementTree.parse(app_folder() / "drawings" / f"{name}.svg").getroot()  # noqa: S314 - our own
    for place in root.iter():
        key = place.attrib.pop(SAY, None)
        if key is None:
            continue
        lines = say(f"drawing.{name}.{key}").split("\n")
        if place.tag != f"{{{SVG}}}text":
            place.text = " ".join(lines)
            continue
        for number, line in enumerate(lines):
            row = ElementTree.SubElement(place, f"{{{SVG}}}tspan", x=place.attrib["x"])
            row.set("dy", str(LINE if number else 0))
            row.text = line
    ElementTree.register_namespace("", SVG)
    return ElementTree.tostring(root, encoding="unicode")
