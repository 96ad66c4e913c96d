"""What the line drawings show, in plain words, and the lettering in them.

A line break in lettering is one in the drawing. Each line has a fifth more room than the English one takes.
"""

WORDS = {
    "drawing.offer.measure": "How to read a degree wheel; what squish, crown height and base gasket are",
    "drawing.offer.picture": "How to lift an impression and how to photograph it",
    "drawing.offer.decide": "What squish, crown height and base gasket are",
    "drawing.lift.alt": "Three steps: paper pressed on the bore wall over a port, its edges rubbed"
    " and the base face marked, the paper lifted off and laid flat on the card",
    "drawing.lift": "**Lift an impression.** Clean and dry the bore. Press thin paper flat on the"
    " wall over the port, hold it so that it can't creep, and rub along every edge with a soft"
    " pencil. Mark the base face too: heights count from it. Lift it off and lay it flat on the"
    " printed card. Don't stretch it; one port or one side at a time is easier than all.",
    "drawing.lift.press": "Press thin paper\nflat on the wall",
    "drawing.lift.rub": "Rub the edges; mark\nthe base face (blue)",
    "drawing.lift.lay": "Lift it off, lay it\nflat on the card",
    "drawing.photograph.alt": "A phone straight above the card, all four corners of the card in"
    " view, light from the side",
    "drawing.photograph": "**Photograph it.** From straight above, an arm's length away, zoomed in"
    " rather than close: the lens bends less there. All four corners of the card in view and sharp,"
    " light from the side and even, no flash, no shadow of the phone. The card must lie flat.",
    "drawing.photograph.above": "From above,\nan arm away",
    "drawing.photograph.light": "Light from\nthe side",
    "drawing.photograph.view": "All four corners of the card in view, sharp,"
    "\nno shadow of the phone, no flash.",
    "drawing.wheel.alt": "A degree wheel with its pointer at 100 and a piston whose crown edge has"
    " just uncovered the roof of a port",
    "drawing.wheel": "**Read a degree wheel.** Find true top with a stop: turn until the piston"
    " touches it, read; turn the other way, read; zero stands halfway. Then turn slowly in the"
    " running direction and read where light first shows between crown edge and port roof. Read"
    " twice: a wheel of 200 mm shows a quarter of a degree at best.",
    "drawing.wheel.pointer": "pointer: 100°",
    "drawing.wheel.roof": "port roof",
    "drawing.wheel.how": "Set 0 at true top: turn to a stop both ways"
    "\nand halve the difference. Turn slowly forward;\nread where light first shows over the crown edge.",
    "drawing.squish.alt": "A cylinder in section at top dead centre: squish between piston and head,"
    " crown height from case deck to crown edge, base gasket between case and cylinder",
    "drawing.squish": "**Squish** is the gap between piston and squish band at top dead centre: lay"
    " solder across, turn over by hand, measure it at several places. **Crown height** reaches from"
    " the case deck to the crown's edge at top dead centre. The **base gasket** lies between case"
    " and cylinder: a thinner one brings every port and the head down by as much.",
    "drawing.squish.squish": "squish",
    "drawing.squish.crown": "crown\nheight",
    "drawing.squish.gasket": "base\ngasket",
    "drawing.squish.piston": "piston at top",
    "drawing.squish.head": "head",
    "drawing.squish.case": "case",
}
